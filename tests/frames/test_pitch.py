"""Pixel pitch: from the focal-plane resolution where nothing contradicts it, else by the order."""

from __future__ import annotations

import sys
import types
from pathlib import Path

import pytest

from kitgauge.errors import UsageError
from kitgauge.frames.focal_plane import focal_plane_pitch_um
from kitgauge.frames.metadata import FrameSettings, read_settings
from kitgauge.frames.pitch import pixel_pitch_um


def pitch(x, y=None, unit=2.0, **changes):
    facts = {
        "picture": (6000, 4000), "developed": True, "recorded": (6000.0, 4000.0), "focal_mm": None,
        "focal_35mm": None, "zoom": None,
    }  # fmt: skip
    return focal_plane_pitch_um(x, x if y is None else y, unit, **{**facts, **changes})


@pytest.mark.parametrize(
    ("unit", "resolution"), [(2.0, 6350.0), (None, 6350.0), (3.0, 2500.0), (4.0, 250.0), (5.0, 0.25)]
)
def test_units(unit, resolution):
    # Exif 3.0: 2 = inch (the default), 3 = centimetre; 4 and 5 from memory. 4 um is 6350 pixels per inch
    assert pitch(resolution, unit=unit) == (pytest.approx(4.0), "")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"x": 0.0}, "zero or less"),
        ({"x": -6350.0}, "zero or less"),
        ({"x": 6350.0, "y": 3175.0}, "differs between width and height"),
        ({"x": 6350.0, "unit": 9.0}, "no known unit"),
        ({"x": 6350.0, "unit": 1.0}, "no known unit"),
        ({"x": 300.0}, "impossible pixel pitch (84.7 um)"),
        ({"x": 100000.0}, "impossible pixel pitch"),
        ({"x": 6350.0, "picture": (3000, 2000)}, "smaller than the one"),
        ({"x": 6350.0, "zoom": 2.0}, "digitally"),
        ({"x": 6350.0, "picture": (100, 68), "recorded": (100.0, 68.0)}, "impossible sensor diagonal"),
        # 6000 x 4000 at 4 um is a diagonal of 28.8 mm; focal lengths of 50 and 50 mm say 43.3 mm
        ({"x": 6350.0, "focal_mm": 50.0, "focal_35mm": 50.0}, "sensor diagonal of 28.8 mm"),
    ],
)
def test_contradictions_are_refused_in_words(arguments, words):
    found, reason = pitch(**arguments)
    assert found is None
    assert words in reason


def test_agreeing_focal_lengths_pass():
    assert pitch(6350.0, focal_mm=50.0, focal_35mm=75.0)[0] == pytest.approx(4.0)
    assert pitch(6350.0, picture=(4000, 6000), zoom=1.0)[0] == pytest.approx(4.0)


def test_raw_crops_keep_their_pitch():
    found, _ = pitch(6350.0, picture=(600, 400), recorded=(None, None), developed=False, focal_mm=50.0, focal_35mm=75.0)
    assert found == pytest.approx(4.0)


def test_one_axis_is_enough():
    assert focal_plane_pitch_um(
        6350.0, None, 2.0, picture=None, developed=True, recorded=(None, None), focal_mm=None,
        focal_35mm=None, zoom=None,
    )[0] == pytest.approx(4.0)  # fmt: skip


def test_pitch_of_a_raw_frame(write_dng, noisy):
    exif = {41486: (5, (25000, 10)), 41487: (5, (25000, 10)), 41488: (3, 3)}
    found = read_settings(write_dng(noisy(), exif=exif))
    assert found.pixel_pitch_um == pytest.approx(4.0)
    exif[41486] = (5, (0, 0))
    exif[41487] = (5, (0, 0))
    found = read_settings(write_dng(noisy(), exif=exif))
    assert found.pixel_pitch_um is None
    assert "0/0" in found.missing["pixel_pitch_um"]


def test_real_pitches(real):
    # a 22.2 x 14.8 mm sensor with 3888 pixels across is 5.7 um (from memory); this picture was scaled to 100
    # x 68
    found = read_settings(real("exif/cameras/jpg_Canon_40D.jpg"))
    assert found.pixel_pitch_um is None
    assert "impossible sensor diagonal" in found.missing["pixel_pitch_um"]
    # a crop of 2560 x 1600 pixels from a 1/1.7-inch sensor (7.6 x 5.7 mm, 4000 pixels across, from memory):
    # 1.9 um
    found = read_settings(real("exif/cameras/jpg_tests_33-type_error.jpg"))
    assert found.pixel_pitch_um == pytest.approx(1.9, abs=0.06)
    found = read_settings(real("exif/cameras/jpg_Canon_PowerShot_S40.jpg"))
    assert "smaller than the one" in found.missing["pixel_pitch_um"]


# --- the order
# -------------------------------------------------------------------------------------------------------


def frame(**values):
    return FrameSettings(path=Path("frame.dng"), **values)


@pytest.fixture
def no_lensfun(monkeypatch):
    monkeypatch.setitem(sys.modules, "lensfunpy", None)  # import fails


@pytest.fixture
def lensfun(monkeypatch):
    """A stand-in for the optional package: it knows one body, by its maker's full name, crop factor 1.5."""
    known = types.SimpleNamespace(maker="Northlight Corporation", model="NORTHLIGHT One", crop_factor=1.5)
    other = types.SimpleNamespace(maker="Northlight Corporation", model="NORTHLIGHT One S", crop_factor=1.0)
    database = types.SimpleNamespace(cameras=[known, other])
    monkeypatch.setitem(sys.modules, "lensfunpy", types.SimpleNamespace(Database=lambda: database))


def test_a_real_body_in_the_real_data():
    pytest.importorskip("lensfunpy", reason="the optional package lensfunpy is not installed")
    # 22.2 mm and 3888 pixels across (the makers' figures, from memory): 5.71 um; crop factors are given to 1
    # %
    found, _ = pixel_pitch_um(frame(body="Canon EOS 40D", width_px=3888, height_px=2592))
    assert found == pytest.approx(5.71, rel=0.02)


@pytest.mark.usefixtures("lensfun")
def test_metadata_before_a_known_body():
    found, source = pixel_pitch_um(frame(pixel_pitch_um=4.2, body="Northlight One", width_px=6000, height_px=4000))
    assert found == 4.2
    assert source == "metadata (focal-plane resolution)"


@pytest.mark.usefixtures("no_lensfun")
def test_a_given_value_counts_and_a_contradiction_is_told():
    found, source = pixel_pitch_um(frame(pixel_pitch_um=4.0), given=5.0)
    assert found == 5.0
    assert source == "given (--pitch-um); metadata (focal-plane resolution) says 4 um"


@pytest.mark.usefixtures("lensfun")
def test_known_body_second():
    # 36 x 24 mm / 1.5 = 24 x 16 mm; over 6000 x 4000 pixels: 4 um
    found, source = pixel_pitch_um(frame(body="Northlight One", width_px=6000, height_px=4000))
    assert found == pytest.approx(4.0)
    assert "lensfun" in source
    assert pixel_pitch_um(frame(body="Northlight Two", width_px=6000, height_px=4000))[0] is None


@pytest.mark.usefixtures("no_lensfun")
def test_given_third():
    assert pixel_pitch_um(frame(body="Northlight One"), given=4.3) == (4.3, "given (--pitch-um)")


@pytest.mark.usefixtures("no_lensfun")
def test_unknown():
    found, source = pixel_pitch_um(frame(missing={"pixel_pitch_um": "the file records none"}))
    assert found is None
    assert "the file records none" in source
    assert "--pitch-um" in source


@pytest.mark.usefixtures("no_lensfun")
def test_the_metadata_pitch_alone_will_do():
    assert pixel_pitch_um(4.2)[0] == 4.2
    assert pixel_pitch_um(None, 4.3)[0] == 4.3


@pytest.mark.parametrize("given", [0.0, -4.0, 0.1, 300.0, float("nan")])
def test_impossible_values_are_refused(given):
    with pytest.raises(UsageError, match="no camera has") as caught:
        pixel_pitch_um(frame(), given=given)
    assert caught.value.fix
