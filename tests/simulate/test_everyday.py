"""The simulated everyday scene shows what its truth says."""

from __future__ import annotations

import math

import numpy as np
import pytest
from practice_series import LIGHT_EV, practice_kit, shoot_aperture, shoot_iso

from kitgauge.frames.metadata import read_settings
from kitgauge.frames.opening import open_frame
from kitgauge.simulate.everyday import diffraction_mtf, disc_px


def test_the_blur_disc_is_that_of_a_thin_lens():
    # 35 mm lens at f/2 focused at 2 m, a point at 4 m: images at 1/(1/35 - 1/2000) and 1/(1/35 - 1/4000) mm
    at_focus, at_point = 1 / (1 / 35 - 1 / 2000), 1 / (1 / 35 - 1 / 4000)
    expected_mm = (35 / 2) * abs(at_focus - at_point) / at_point
    assert disc_px(practice_kit(), 2.0, 4.0, 2.0) == pytest.approx(expected_mm / 0.006, rel=1e-9)


def test_diffraction_falls_to_half_where_the_textbook_has_it():
    # MTF50 of a clear circular pupil at s = 0.404 (Goodman, ch. 6)
    frequency = np.array([0.0, 0.404 / (0.53 * 8.0), 1.0])
    assert diffraction_mtf(frequency, 8.0) == pytest.approx([1.0, 0.5, 0.0], abs=1e-3)


def test_walls_are_exposed_as_the_meter_says(tmp_path):
    truth = shoot_iso(tmp_path, (100.0, 1600.0))
    for entry in truth.values():
        mosaic = open_frame(entry.path)
        green = next(plane for plane in mosaic.planes() if plane.colour == "G1")
        light = green.samples[10:60, 40:160].mean() - green.black_dn
        # reflectance 0.55 against 0.18 at 10/78 of saturation (ISO 12232)
        level = light / (green.white_dn - green.black_dn)
        assert level == pytest.approx(0.55 / 0.18 * 10 / 78, rel=0.05)
    assert entry.level_stops == pytest.approx(0.0, abs=1e-9) and LIGHT_EV == 8.0


def test_defocus_takes_the_finest_detail_and_leaves_the_focus(tmp_path):
    truth = list(shoot_aperture(tmp_path, (2.0, 8.0), distances_m=(1.3, 2.0, 2.0)).values())
    wide, small = (open_frame(entry.path).signal()[250:550] for entry in truth)
    near, middle = slice(20, 240), slice(350, 550)

    def fine(part):
        return float(np.std(np.diff(part[::2, ::2], axis=1)))

    assert fine(wide[:, near]) < 0.4 * fine(small[:, near])
    assert fine(wide[:, middle]) == pytest.approx(fine(small[:, middle]), rel=0.15)


def test_jpeg_frames_carry_their_settings(tmp_path):
    (entry,) = shoot_iso(tmp_path, (800.0,), jpeg=True).values()
    settings = read_settings(entry.path)
    assert (settings.iso, settings.f_number, settings.focal_mm) == (800, 8.0, 35.0)
    assert math.isclose(settings.shutter_s, 1 / 30, rel_tol=0.01) and settings.body == "Simulated Sampler 8"
