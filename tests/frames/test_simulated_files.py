"""The simulated cameras' DNG writer and the reader of frames agree: samples, levels, settings, pitch."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pytest

from kitgauge.frames.metadata import read_settings
from kitgauge.frames.opening import open_frame
from kitgauge.simulate.dng import SIX_BY_SIX, RecordedSettings, write_dng

RECORDED = RecordedSettings(
    make="Northlight",
    model="Northlight One",
    body_serial="A-17",
    lens="Tessara 50 mm f/2",
    iso=102400,
    shutter_s=1 / 125,
    f_number=5.6,
    focal_mm=50,
    focal_35mm=75,
    taken_at=datetime(2024, 5, 6, 7, 8, 9),
    utc_offset="+02:00",
    pixel_pitch_um=3.9,
)


@pytest.mark.parametrize(
    ("pattern", "black"),
    [
        ((("R", "G1"), ("G2", "B")), [[512.25, 511], [513, 510.5]]),
        ((("G1", "R"), ("B", "G2")), 256),
        ((("G2", "B"), ("R", "G1")), 256),
        ((("B", "G2"), ("G1", "R")), 256),
        (SIX_BY_SIX, 1024),
        ((("G",),), 64),
    ],
)
@pytest.mark.parametrize("compression", ["none", "lossless"])
def test_there_and_back(tmp_path, pattern, black, compression):
    if compression == "lossless":
        pytest.importorskip("imagecodecs")
    samples = np.random.default_rng(8).normal(3000, 60, (96, 144)).astype(np.uint16)
    path = write_dng(tmp_path / "frame.dng", samples, pattern, black, 16000, RECORDED, compression=compression)
    mosaic = open_frame(path)
    assert np.array_equal(mosaic.samples, samples)
    assert mosaic.pattern == pattern
    assert np.array_equal(mosaic.black_dn, np.broadcast_to(black, mosaic.black_dn.shape))
    assert (mosaic.white_dn, mosaic.black_source) == (16000, "metadata")


def test_settings_there_and_back(tmp_path):
    samples = np.random.default_rng(9).normal(3000, 60, (96, 144)).astype(np.uint16)
    found = read_settings(write_dng(tmp_path / "frame.dng", samples, (("G",),), 64, 16000, RECORDED))
    for name in ("body_serial", "lens", "iso", "f_number", "focal_mm", "focal_35mm", "taken_at"):
        assert getattr(found, name) == getattr(RECORDED, name), name
    assert found.body == "Northlight One"
    assert found.shutter_s == 1 / 125
    assert found.utc_offset == timedelta(hours=2)
    assert found.pixel_pitch_um == pytest.approx(3.9, rel=1e-4)
    assert set(found.missing) == {"lens_serial"}
