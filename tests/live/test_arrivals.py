"""The state machine of arriving files, fed with listings at made-up times: no clock, no disk."""

from __future__ import annotations

import pytest

from kitgauge.live.arrivals import BROKEN_AFTER_S, PAIR_S, STEADY_S, Arrivals, Stamp

LATER = STEADY_S + 0.01


def stamp(size: int, changed: int = 0) -> Stamp:
    return Stamp(size, changed)


@pytest.fixture
def arrivals() -> Arrivals:
    """Arrivals of which a raw file was read before, so that it is known what to expect."""
    watched = Arrivals()
    watched.observe({"0.DNG": stamp(1)}, -10.0)
    watched.opened("0.DNG", watched.begin("0.DNG"))
    return watched


def read(arrivals: Arrivals, name: str) -> None:
    arrivals.opened(name, arrivals.begin(name))


BEFORE = {"0.DNG": stamp(1)}


def test_a_growing_file_is_due_once_it_has_kept_its_size(arrivals):
    for step in range(10):
        at = 0.2 * step
        arrivals.observe({**BEFORE, "a.DNG": stamp(100 * (step + 1), step)}, at)
        assert arrivals.due(at) == []
    whole = {**BEFORE, "a.DNG": stamp(1000, 9)}
    arrivals.observe(whole, 1.9)
    assert arrivals.due(1.9) == []
    assert arrivals.next_due() == pytest.approx(1.8 + STEADY_S)
    assert arrivals.due(1.8 + LATER) == ["a.DNG"]
    read(arrivals, "a.DNG")
    arrivals.observe(whole, 5.0)
    assert arrivals.due(5.0) == [] and arrivals.next_due() is None


def test_a_file_of_full_size_that_is_being_filled_is_told_by_its_time(arrivals):
    """The naive rule, the size alone, would read it while it is half empty."""
    for step in range(5):
        arrivals.observe({**BEFORE, "a.DNG": stamp(1000, step)}, 0.3 * step)
        assert arrivals.due(0.3 * step) == []
    assert arrivals.due(1.2 + LATER) == ["a.DNG"]


def test_an_empty_file_is_never_due(arrivals):
    arrivals.observe({**BEFORE, "a.DNG": stamp(0)}, 0.0)
    assert arrivals.due(100.0) == [] and arrivals.next_due() is None


def test_a_renamed_file_is_a_new_one_and_the_old_name_is_forgotten(arrivals):
    arrivals.observe({**BEFORE, "tmp~1.DNG": stamp(9)}, 0.0)
    read(arrivals, "tmp~1.DNG")
    old = stamp(9)
    arrivals.observe({**BEFORE, "IMG_1.DNG": stamp(9)}, 1.0)
    assert not arrivals.holds("tmp~1.DNG", old)
    assert arrivals.due(1.0 + LATER) == ["IMG_1.DNG"]


def test_a_deleted_file_is_gone_and_may_come_again(arrivals):
    arrivals.observe({**BEFORE, "a.DNG": stamp(9)}, 0.0)
    read(arrivals, "a.DNG")
    arrivals.observe(BEFORE, 1.0)
    assert not arrivals.away and not arrivals.holds("a.DNG", stamp(9))
    arrivals.observe({**BEFORE, "a.DNG": stamp(9)}, 2.0)
    assert arrivals.due(2.0 + LATER) == ["a.DNG"]


def test_a_changed_file_is_read_again(arrivals):
    arrivals.observe({**BEFORE, "a.DNG": stamp(9, 1)}, 0.0)
    read(arrivals, "a.DNG")
    arrivals.observe({**BEFORE, "a.DNG": stamp(12, 2)}, 1.0)
    assert not arrivals.holds("a.DNG", stamp(9, 1))
    assert arrivals.due(1.0 + LATER) == ["a.DNG"]


def test_a_file_that_changes_while_it_is_read_is_not_taken_for_whole(arrivals):
    arrivals.observe({**BEFORE, "a.DNG": stamp(9, 1)}, 0.0)
    seen = arrivals.begin("a.DNG")
    arrivals.observe({**BEFORE, "a.DNG": stamp(12, 2)}, 0.5)
    arrivals.opened("a.DNG", seen)
    assert arrivals.in_state("read") == ["0.DNG"]
    assert arrivals.due(0.5 + LATER) == ["a.DNG"]


def test_a_file_that_does_not_open_is_tried_again_and_told_broken_after_some_seconds(arrivals):
    arrivals.observe({**BEFORE, "a.DNG": stamp(9)}, 0.0)
    at, tries = 0.0, 0
    while True:
        at = arrivals.next_due()
        assert at is not None and arrivals.due(at) == ["a.DNG"]
        tries += 1
        if arrivals.failed("a.DNG", arrivals.begin("a.DNG"), at):
            break
        assert arrivals.does_not_open("a.DNG")
    assert BROKEN_AFTER_S <= at <= BROKEN_AFTER_S + 2.0
    assert 4 <= tries <= 8
    assert arrivals.in_state("broken") == ["a.DNG"] and arrivals.next_due() is None
    arrivals.observe({**BEFORE, "a.DNG": stamp(19, 5)}, at + 60.0)  # the copier went on after all
    assert arrivals.due(at + 60.0 + LATER) == ["a.DNG"]


def test_what_is_broken_while_the_folder_is_away_is_not_given_up(arrivals):
    arrivals.observe({**BEFORE, "a.DNG": stamp(9)}, 0.0)
    seen = arrivals.begin("a.DNG")
    arrivals.observe(None, 1.0)
    assert not arrivals.failed("a.DNG", seen, 100.0)


@pytest.mark.parametrize("gone", [None, {}], ids=["no folder", "an empty mount point"])
def test_a_card_that_is_pulled_out_and_put_back_loses_and_repeats_nothing(arrivals, gone):
    here = {**BEFORE, "a.DNG": stamp(9), "b.DNG": stamp(5, 1)}
    arrivals.observe(here, 0.0)
    read(arrivals, "a.DNG")
    arrivals.observe(gone, 1.0)
    assert arrivals.away and arrivals.holds("a.DNG", stamp(9))
    assert arrivals.due(9.0) == [] and arrivals.next_due() is None
    arrivals.observe(here, 10.0)
    assert not arrivals.away
    assert arrivals.due(10.0) == []  # the one that was on its way gets its time once more
    assert arrivals.due(10.0 + LATER) == ["b.DNG"]


def test_the_only_file_of_a_folder_can_be_deleted():
    arrivals = Arrivals()
    arrivals.observe({"a.DNG": stamp(9)}, 0.0)
    arrivals.observe({}, 1.0)
    assert not arrivals.away and not arrivals.holds("a.DNG", stamp(9))


def test_the_jpeg_of_a_pair_waits_for_its_raw(arrivals):
    arrivals.observe({**BEFORE, "a.JPG": stamp(3), "a.DNG": stamp(4, 1)}, 0.0)
    arrivals.observe({**BEFORE, "a.JPG": stamp(3), "a.DNG": stamp(9, 2)}, 0.5)
    assert arrivals.due(0.6) == []
    assert arrivals.due(0.5 + LATER) == ["a.DNG"]
    read(arrivals, "a.DNG")
    assert arrivals.due(0.5 + LATER) == ["a.JPG"]


def test_the_first_jpeg_waits_in_case_a_raw_follows_and_later_ones_do_not():
    arrivals = Arrivals()
    arrivals.observe({"a.JPG": stamp(3)}, 0.0)
    assert arrivals.due(LATER) == []
    assert arrivals.due(PAIR_S + 0.01) == ["a.JPG"]
    read(arrivals, "a.JPG")
    arrivals.observe({"a.JPG": stamp(3), "b.JPG": stamp(3)}, 10.0)
    assert arrivals.due(10.0 + LATER) == ["b.JPG"]


def test_a_raw_of_the_same_name_in_another_folder_is_no_pair(arrivals):
    arrivals.observe({**BEFORE, "x/a.JPG": stamp(3), "y/A.DNG": stamp(0)}, 0.0)
    assert arrivals.due(LATER) == ["x/a.JPG"]


def test_a_file_that_grows_every_three_seconds_is_tried_now_and_then_and_never_given_up(arrivals):
    tries, given_up = 0, []
    for tenth in range(300):
        at = 0.1 * tenth
        arrivals.observe({**BEFORE, "a.DNG": stamp(100 + tenth // 30, tenth // 30)}, at)
        if arrivals.due(at):
            tries += 1
            given_up.append(arrivals.failed("a.DNG", arrivals.begin("a.DNG"), at))
    assert not any(given_up)
    assert 10 <= tries <= 40  # one to four in each pause
    arrivals.observe({**BEFORE, "a.DNG": stamp(999, 99)}, 30.0)
    assert arrivals.due(30.0 + LATER) == ["a.DNG"]


@pytest.mark.parametrize("changed", [10**21, -1], ids=["in the future", "before 1970"])
def test_the_hour_of_a_file_means_nothing(arrivals, changed):
    arrivals.observe({**BEFORE, "a.DNG": stamp(9, changed)}, 0.0)
    assert arrivals.due(LATER) == ["a.DNG"]
    read(arrivals, "a.DNG")
    arrivals.observe({**BEFORE, "a.DNG": stamp(9, changed - 3600 * 10**9)}, 5.0)  # the clock was set back in between
    assert arrivals.due(5.0 + LATER) == ["a.DNG"]


def test_room_made_before_the_content_comes(arrivals):
    """Zeros of full size that stay as they are for long are given up, and read when the content comes after all."""
    arrivals.observe({**BEFORE, "a.DNG": stamp(1000, 1)}, 0.0)
    tried_at: list[float] = []
    while (at := arrivals.next_due()) is not None:
        arrivals.failed("a.DNG", arrivals.begin("a.DNG"), at)
        tried_at.append(at)
    assert arrivals.in_state("broken") == ["a.DNG"] and tried_at[-1] >= BROKEN_AFTER_S
    arrivals.observe({**BEFORE, "a.DNG": stamp(1000, 2)}, 60.0)
    assert arrivals.due(60.0 + LATER) == ["a.DNG"]
