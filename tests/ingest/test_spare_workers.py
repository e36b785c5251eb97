"""Workers without tasks help the others; results stay in order, and nobody is left behind."""

from __future__ import annotations

import os
import threading
import time

import pytest

from kitgauge.ingest import spare_workers
from kitgauge.ingest.spare_workers import make_pipe, offer, spread, take


@pytest.fixture(autouse=True)
def pipe():
    ends = make_pipe()
    spare_workers.connect(ends)
    yield ends
    spare_workers.connect(None)
    assert not take(ends)  # nobody is left over
    for end in ends:
        os.close(end)


def test_without_helpers_it_is_a_plain_loop():
    here = threading.get_ident()
    assert spread(lambda item: (2 * item, threading.get_ident()), range(5)) == [(2 * i, here) for i in range(5)]


def test_a_helper_works_at_the_same_time_and_results_stay_in_order(pipe):
    meet = threading.Barrier(2, timeout=10)

    def work(item):
        meet.wait()  # nobody passes alone
        return item * item, threading.get_ident()

    offer(pipe)
    found = spread(work, (3, 4))
    assert take(pipe)
    assert [square for square, _ in found] == [9, 16]
    assert len({thread for _, thread in found}) == 2


def test_items_are_drawn_no_faster_than_they_are_worked_on(pipe):
    lock = threading.Lock()
    at_once = drawn = finished = 0

    def items():
        nonlocal drawn, at_once
        for item in range(12):
            with lock:
                drawn += 1
                at_once = max(at_once, drawn - finished)
            yield item

    def work(item):
        nonlocal finished
        time.sleep(0.002)
        with lock:
            finished += 1
        return item

    offer(pipe)
    assert spread(work, items()) == list(range(12))
    assert take(pipe)
    assert at_once <= 3  # two at work, and the one that is being handed over


@pytest.mark.parametrize("broken", [0, 1, 2, 3])
def test_what_is_raised_is_raised_here(broken, pipe):
    def work(item):
        if item == broken:
            raise ValueError(f"item {item}")
        return item

    offer(pipe)
    with pytest.raises(ValueError, match=f"item {broken}"):
        spread(work, range(4))
    assert take(pipe)


def test_a_process_that_nobody_offers_cores_to_works_alone():
    spare_workers.connect(None)
    here = threading.get_ident()
    assert spread(lambda _: threading.get_ident(), range(3)) == [here] * 3
