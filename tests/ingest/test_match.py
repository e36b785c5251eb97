"""Which frame serves which step: what the user says, then the settings, then the order of capture."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest

from kitgauge.errors import IngestError
from kitgauge.ingest.match import match_frames, missing_values, prefer_raw
from kitgauge.ingest.record import FrameRecord
from kitgauge.protocol.loading import load_protocol
from kitgauge.protocol.model import Protocol

START = datetime(2031, 1, 1, 12, 0, 0)


def protocol(name: str) -> Protocol:
    return load_protocol(name).protocol


def frame(number: int, file: str = "", **settings) -> FrameRecord:
    name = file or f"{number:04}.dng"
    values = {"iso": 100.0, "shutter_s": 1 / 60, "f_number": 8.0, **settings}
    return FrameRecord(
        file=name, path=Path(name), sha256=str(number), taken_at=START + timedelta(seconds=number), **values
    )


def roles(records) -> list[str | None]:
    return [record.role for record in sorted(records, key=lambda r: r.taken_at)]


def test_the_first_frames_of_a_speed_are_the_tripod_reference_where_nothing_else_tells():
    frames = [frame(n, shutter_s=1 / 60) for n in range(6)] + [frame(10 + n, shutter_s=1 / 30) for n in range(5)]
    matched = match_frames(frames, protocol("handheld-shutter"))
    assert roles(matched) == ["tripod"] * 2 + ["handheld"] * 4 + ["tripod"] * 2 + ["handheld"] * 3
    assert {record.status for record in matched} == {"used"}
    assert matched[0].step == "tripod 1/60"


def test_a_marked_and_an_exact_speed_are_one_speed():
    frames = [frame(0, shutter_s=1 / 60), frame(1, shutter_s=1 / 64), frame(2, shutter_s=1 / 60)]
    assert roles(match_frames(frames, protocol("handheld-shutter"))) == ["tripod", "tripod", "handheld"]


def test_a_subfolder_decides_over_the_order():
    frames = [
        frame(0, "handheld/a.dng"),
        frame(1, "handheld/b.dng"),
        frame(2, "tripod/a.dng"),
        frame(3, "tripod/b.dng"),
        frame(4, "Tripod/c.dng"),
    ]
    matched = match_frames(frames, protocol("handheld-shutter"))
    assert roles(matched) == ["handheld", "handheld", "tripod", "tripod", "tripod"]


def test_where_the_tripod_frames_lie_in_a_subfolder_all_others_are_handheld():
    frames = [frame(0, "tripod/a.dng", shutter_s=1 / 250), frame(1), frame(2), frame(3, shutter_s=1 / 15)]
    assert roles(match_frames(frames, protocol("handheld-shutter"))) == ["tripod", "handheld", "handheld", "handheld"]


def test_the_settings_file_decides_over_the_subfolder():
    frames = [frame(0, "tripod/a.dng", said_step="handheld"), frame(1, "tripod/b.dng")]
    assert roles(match_frames(frames, protocol("handheld-shutter"))) == ["handheld", "tripod"]


def test_an_unknown_step_in_the_settings_file_is_an_error_that_lists_the_steps():
    with pytest.raises(IngestError, match=r"(?s)does not have.*got:\s+tripot.*tripod, handheld"):
        match_frames([frame(0, said_step="tripot")], protocol("handheld-shutter"))


def test_the_role_of_a_flat_or_dark_stays_open_unless_it_is_said():
    frames = [frame(0), frame(1, "dark/a.dng"), frame(2, "flat/a.dng")]
    matched = match_frames(frames, protocol("noise-ladder"))
    assert roles(matched) == [None, "dark", "flat"]


def test_a_frame_without_the_swept_setting_is_unmatched_with_the_way_to_give_it():
    matched = match_frames([frame(0, f_number=None), frame(1)], protocol("aperture-sweep"))
    assert matched[0].status == "unmatched"
    assert "no f-number is known: give it with --settings FILE.csv, column f_number" in matched[0].reason
    assert matched[1].status == "used"


def test_values_that_the_protocol_does_not_list_are_used_and_missing_ones_are_named():
    listed = protocol("noise-ladder").model_copy(deep=True)
    sweep = listed.sweep.model_copy(update={"values": (100.0, 200.0, 400.0)})
    listed = listed.model_copy(update={"sweep": sweep})
    frames = [frame(0, iso=100.0), frame(1, iso=125.0), frame(2, iso=400.0)]
    assert all(not record.reason for record in match_frames(frames, listed))
    assert missing_values(frames, listed) == ["ISO 200"]
    assert missing_values(frames, protocol("noise-ladder")) == []


def test_rejected_and_left_out_frames_pass_unchanged():
    rejected = frame(0).rejected("unreadable", "cut off")
    left_out = frame(1).unmatched("the same file as x.dng")
    matched = match_frames([rejected, left_out, frame(2)], protocol("aperture-sweep"))
    assert matched[0] == rejected
    assert matched[1] == left_out


def test_developed_frames_are_never_mixed_with_raw_ones():
    raw, developed = frame(0, "a.dng"), frame(1, "b.jpg", is_raw=False)
    kept = prefer_raw([raw, developed])
    assert kept[0] == raw
    assert kept[1].status == "unmatched"
    assert "never mixed" in kept[1].reason
    assert prefer_raw([developed]) == (developed,)
