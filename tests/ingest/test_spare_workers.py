"""Workers without tasks help the others; results stay in order, and nobody is left behind."""

from __future__ import annotations

import threading
import time

import pytest

from kitgauge.errors import DEBUG_VARIABLE
from kitgauge.ingest import spare_workers
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.spare_workers import offer, spread, take_back
from kitgauge.ingest.tasks import Task, run_tasks


@pytest.fixture(autouse=True)
def none_left_over():
    yield
    assert not spare_workers._free.acquire(blocking=False)


def test_without_helpers_it_is_a_plain_loop():
    here = threading.get_ident()
    assert spread(lambda item: (2 * item, threading.get_ident()), range(5)) == [(2 * i, here) for i in range(5)]


def test_a_helper_works_at_the_same_time_and_results_stay_in_order():
    meet = threading.Barrier(2, timeout=10)

    def work(item):
        meet.wait()  # nobody passes alone
        return item * item, threading.get_ident()

    offer()
    found = spread(work, (3, 4))
    take_back()
    assert [square for square, _ in found] == [9, 16]
    assert len({thread for _, thread in found}) == 2


def test_items_are_drawn_no_faster_than_they_are_worked_on():
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

    offer()
    assert spread(work, items()) == list(range(12))
    take_back()
    assert at_once <= 3  # two at work, and the one that is being handed over


@pytest.mark.parametrize("broken", [0, 1, 2, 3])
def test_what_is_raised_is_raised_here(broken):
    def work(item):
        if item == broken:
            raise ValueError(f"item {item}")
        return item

    offer()
    with pytest.raises(ValueError, match=f"item {broken}"):
        spread(work, range(4))
    take_back()


def run(works, workers):
    results = {}
    tasks = [Task(str(index), f"key {index}", (), work) for index, work in enumerate(works)]
    run_tasks(tasks, results, MeasurementCache(None), workers=workers, done=lambda *_: None)
    return results


def test_the_last_task_of_a_run_is_helped():
    def work():
        assert spare_workers._free.acquire(timeout=10)  # somebody is offered ...
        offer()
        meet = threading.Barrier(2, timeout=10)
        spread(lambda _: meet.wait(), range(2))  # ... and helps
        return {"met": True}

    assert run([work], 2) == {"0": {"met": True}}
    assert run([lambda: {"quick": True}, work], 2)["1"] == {"met": True}


def test_with_one_worker_nobody_helps():
    here = run([lambda: {"threads": spread(lambda _: threading.get_ident(), range(3))}], 1)["0"]["threads"]
    assert len(set(here)) == 1


def test_helpers_are_taken_back_where_a_task_breaks(monkeypatch):
    monkeypatch.setenv(DEBUG_VARIABLE, "1")

    def broken():
        raise RuntimeError("a fault")

    with pytest.raises(RuntimeError, match="a fault"):
        run([broken], 4)
