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


def test_the_middle_of_an_even_number_of_values_is_that_of_the_shot_list():
    sweep = protocol("subject-motion")
    times = [1 / 500, 1 / 250, 1 / 125, 1 / 60]
    frames = [frame(10 * n + k, shutter_s=time) for n, time in enumerate(times) for k in range(3)]
    matched = match_frames(frames, sweep)
    # a shot list of four values takes the second as the middle one
    at_rest = {record.shutter_s for record in matched if record.role == "tripod"}
    assert at_rest == {1 / 500, 1 / 250, 1 / 60}


def test_a_step_in_another_light_is_named_by_its_subfolder():
    (matched,) = match_frames([frame(0, "lamp flat/a.dng", iso=1600.0)], protocol("noise-ladder"))
    assert (matched.role, matched.step) == ("flat", "lamp flat ISO 1600")
    (plain,) = match_frames([frame(0, "flat/a.dng", iso=1600.0)], protocol("noise-ladder"))
    assert (plain.role, plain.step) == ("flat", "flat ISO 1600")


def test_optional_exposure_times_are_not_missed():
    frames = [frame(n, shutter_s=time) for n, time in enumerate((1 / 125, 1.0, 4.0, 15.0))]
    dark = protocol("dark-current")
    assert missing_values(frames, dark) == ["30 s"], "60 s and 120 s are optional"
    assert [record.status for record in match_frames(frames, dark)] == ["unmatched"] * 4, "roles are seen from content"


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


def test_while_frames_arrive_the_list_tells_which_value_will_be_the_middle():
    """Three frames at rest at the fastest, middle and slowest speed, then the subject from the fastest on."""
    fastest, second, middle, slowest = 1 / 1000, 1 / 500, 1 / 125, 1 / 15
    listed = [1 / 1000, 1 / 500, 1 / 250, 1 / 125, 1 / 60, 1 / 30, 1 / 15]
    speeds = [*([fastest] * 3), *([middle] * 3), *([slowest] * 3), *([fastest] * 8), *([second] * 4)]
    frames = [frame(number, shutter_s=speed) for number, speed in enumerate(speeds)]
    wanted = ["tripod"] * 9 + ["subject"] * 12
    assert [one.role for one in match_frames(frames, protocol("subject-motion"), listed=listed)] == wanted
    # the frames alone cannot tell: the second of four speeds counts as the middle one
    assert [one.role for one in match_frames(frames, protocol("subject-motion"))] != wanted
