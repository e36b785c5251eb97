"""Frames of one burst by their times."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

from kitgauge.ingest.bursts import bursts_of
from kitgauge.ingest.record import FrameRecord

START = datetime(2026, 3, 1, 12, 0, 0)


def frame(name: str, second: float | None, shutter_s: float = 1 / 60, role: str = "handheld") -> FrameRecord:
    taken_at = None if second is None else START + timedelta(seconds=second)
    return FrameRecord(name, Path(name), taken_at=taken_at, shutter_s=shutter_s, f_number=8.0, role=role)


def test_frames_right_after_each_other_are_one_burst() -> None:
    records = [frame("c", 0.6), frame("a", 0.0), frame("b", 0.3), frame("d", 5.0), frame("e", 10.0), frame("f", 11.0)]
    assert bursts_of(records) == {"a": "a", "b": "a", "c": "a", "e": "e", "f": "e"}


def test_the_exposure_itself_is_no_pause() -> None:
    assert bursts_of([frame("a", 0.0, 4.0), frame("b", 4.5, 4.0)]) == {"a": "a", "b": "a"}
    assert bursts_of([frame("a", 0.0, 4.0), frame("b", 6.0, 4.0)]) == {}
    assert bursts_of([frame("a", 0.0), frame("b", 2.5)]) == {}


def test_another_setting_role_or_an_unknown_time_ends_it() -> None:
    assert bursts_of([frame("a", 0.0), frame("b", 0.5, 1 / 125)]) == {}
    assert bursts_of([frame("a", 0.0), frame("b", 0.5, role="tripod")]) == {}
    assert bursts_of([frame("a", None), frame("b", None), frame("c", 3.0)]) == {}
    assert bursts_of([]) == {}


def test_a_clock_that_stands_still_tells_nothing() -> None:
    assert bursts_of([frame(f"{t}", 0.0, t) for t in (1 / 60, 1 / 125)] + [frame("c", 0.0)]) == {}
