"""Teleconverters, zooms and adapted lenses: frames by hand, no files."""

from pathlib import Path

import pytest

from kitgauge.errors import IngestError, UsageError
from kitgauge.ingest.lens_in_use import f_number_of_folder, named_lens, one_focal_length, with_teleconverter
from kitgauge.ingest.match import match_frames
from kitgauge.ingest.record import FrameRecord
from kitgauge.protocol.loading import load_protocol


def frame(file: str, **settings) -> FrameRecord:
    return FrameRecord(file, Path(file), **settings)


def test_a_teleconverter_takes_light_and_lengthens() -> None:
    (record,) = with_teleconverter([frame("a", f_number=2.8, focal_mm=100.0, lens="Long 100 mm")], 1.4)
    assert (record.f_number, record.focal_mm) == (4.0, pytest.approx(140.0))
    assert record.lens == "Long 100 mm + 1.4x teleconverter"
    (record,) = with_teleconverter([frame("a", f_number=4.0, focal_mm=300.0)], 2.0)
    assert (record.f_number, record.focal_mm) == (8.0, 600.0)
    bare = (frame("a", f_number=4.0),)
    assert with_teleconverter(bare, None) == bare


@pytest.mark.parametrize(
    "lens", ["Long 100-400 mm + 1.4x", "300mm f/2.8 + TC", "Long 300 mm 2x III", "Tele Extender 2"]
)
def test_a_teleconverter_is_not_counted_twice(lens) -> None:
    with pytest.raises(UsageError, match="already counts"):
        with_teleconverter([frame("a", f_number=5.6, lens=lens)], 1.4)


def test_no_teleconverter_has_such_a_factor() -> None:
    with pytest.raises(UsageError, match="no teleconverter"):
        with_teleconverter([frame("a")], 14.0)


def test_a_zoom_is_one_lens_per_focal_length() -> None:
    frames = [frame(f"{focal}-{k}", focal_mm=focal) for focal in (24.0, 70.0, 68.5) for k in range(2)]
    with pytest.raises(
        IngestError, match=r"(?s)several focal lengths.*24 mm \(2 frames\), 70 mm \(4 frames\).*--focal 24"
    ):
        one_focal_length(frames, None)
    found = one_focal_length(frames, 70.0)
    assert [record.reason for record in found] == ["other focal length: 24 mm"] * 2 + [""] * 4
    with pytest.raises(UsageError, match="picks no frame"):
        one_focal_length(frames, 50.0)


def test_one_focal_length_or_none_is_left_to_the_user() -> None:
    for focal in (None, 50.0):
        frames = (frame("a", focal_mm=focal), frame("b", focal_mm=focal))
        assert one_focal_length(frames, 58.0) == frames
        assert one_focal_length(frames, None) == frames


def test_an_adapted_lens_gets_its_name() -> None:
    assert [r.lens for r in named_lens([frame("a"), frame("b")], "Old 58 mm")] == ["Old 58 mm"] * 2
    named = (frame("a", lens="X"), frame("b"))
    assert named_lens(named, "Old 58 mm") == named, "then --lens picks"


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("f2.8", 2.8),
        ("F 11", 11.0),
        ("f-5,6", 5.6),
        ("f_4", 4.0),
        ("frames", None),
        ("f", None),
        ("f999", None),
        ("4", None),
    ],
)
def test_a_folder_may_say_the_f_number(name, value) -> None:
    assert f_number_of_folder(name) == value


def test_folders_fill_missing_f_numbers_and_never_override() -> None:
    protocol = load_protocol("aperture-sweep").protocol
    frames = [frame("lens/f2.8/a"), frame("f4/b", f_number=5.6), frame("elsewhere/c")]
    found = {record.file: record for record in match_frames(frames, protocol)}
    assert (found["lens/f2.8/a"].f_number, found["lens/f2.8/a"].step) == (2.8, "f/2.8")
    assert found["f4/b"].f_number == 5.6
    assert "folders f2.8, f4" in found["elsewhere/c"].reason
