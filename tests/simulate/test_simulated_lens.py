"""The simulated lens against Goodman's closed form and an independent program."""

import math
from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest
from prysm_route import diffraction_limited_mtf

from kitgauge.simulate.lens import Lens, diffraction_mtf

NO_BLUR = Lens(floor_um=(0.0, 0.0), wide_open_um=(0.0, 0.0))


def test_diffraction_mtf50_is_at_0404():
    """Published facts: MTF50 of a clear circular pupil's incoherent MTF is at s = 0.404 (Goodman, ch. 6)."""
    assert diffraction_mtf(0.404, 1.0) == pytest.approx(0.5, abs=0.0007)  # half a unit of the last printed digit
    assert diffraction_mtf(0.0, 1.0) == 1.0
    assert diffraction_mtf(1.0, 1.0) == 0.0
    assert diffraction_mtf(1.7, 1.0) == 0.0


def test_diffraction_mtf_is_the_autocorrelation_of_the_pupil():
    """Goodman, chapter 6: the OTF is the overlap of two displaced pupils; here by counting points."""
    axis = np.linspace(-1, 1, 1401)
    x, y = np.meshgrid(axis, axis)
    for s in (0.1, 0.404, 0.8):
        shared = (np.hypot(x - s, y) <= 1) & (np.hypot(x + s, y) <= 1)
        overlap = shared.sum() / (np.hypot(x, y) <= 1).sum()
        assert float(diffraction_mtf(s, 1.0)) == pytest.approx(overlap, abs=2e-3)


def test_diffraction_mtf_agrees_with_prysm():
    frequency_cy_per_mm = np.linspace(0, 400, 41)
    theirs = diffraction_limited_mtf(8.0, 0.54, frequencies=frequency_cy_per_mm)
    ours = diffraction_mtf(frequency_cy_per_mm, 1e3 / (0.54 * 8.0))
    assert ours == pytest.approx(theirs, abs=1e-9)


def test_a_perfect_lens_is_diffraction_alone_where_the_pixel_is_small():
    """With lambda N = 100 px the pixel takes 3e-5; tolerance: half a unit of the last digit of 0.404."""
    assert NO_BLUR.mtf50_cy_per_px(32.0, 0.54 * 32 / 100) == pytest.approx(0.00404, abs=0.000005)


def test_a_pixel_alone_has_mtf50_at_0603():
    """sinc(x) = 0.5 at x = 0.6034 (from memory; 2 * 0.30168 of the sinc's half-width tables)."""
    sharp = replace(NO_BLUR, wavelength_um=MappingProxyType({"R": 1e-6, "G": 1e-6, "B": 1e-6}))
    assert sharp.mtf50_cy_per_px(5.6, 6.0) == pytest.approx(0.6034, abs=1e-4)


def test_normal_blur_alone():
    """exp(-2 pi^2 sigma^2 nu^2) = 1/2 at nu = sqrt(ln 2 / 2)/(pi sigma); 20 px of blur drown the pixel."""
    lens = Lens(
        floor_um=(120.0, 120.0),
        wide_open_um=(0.0, 0.0),
        wavelength_um=MappingProxyType({"R": 1e-6, "G": 1e-6, "B": 1e-6}),
    )
    assert lens.mtf50_cy_per_px(5.6, 6.0) == pytest.approx(math.sqrt(math.log(2) / 2) / (math.pi * 20), rel=1e-3)


def test_blur_falls_to_a_floor_and_grows_to_the_corners():
    lens = Lens()
    sigmas = [lens.aberration_sigma_um(f_number, 0, 0) for f_number in (1.8, 2.8, 5.6, 11, 22)]
    assert sigmas == sorted(sigmas, reverse=True)
    assert lens.aberration_sigma_um(1e6, 0, 0) == pytest.approx(lens.floor_um[0])
    assert lens.aberration_sigma_um(lens.widest_f_number, 1, 1) == pytest.approx(math.hypot(2.4, 10.5))
    for f_number in (1.8, 5.6, 22):
        assert lens.mtf50_cy_per_px(f_number, 6.0, 0.8, 0.7) < lens.mtf50_cy_per_px(f_number, 6.0)
    weak = replace(lens, weak_corner=(1, -1))
    assert weak.aberration_sigma_um(4, 1, -1) == pytest.approx(1.4 * lens.aberration_sigma_um(4, 1, -1))
    assert weak.aberration_sigma_um(4, -1, -1) == lens.aberration_sigma_um(4, -1, -1)


def test_mtf50_is_where_the_curve_crosses_one_half():
    lens = Lens()
    for f_number in (1.8, 4.0, 8.0, 22.0):
        for angle_deg in (0.0, 5.0, 45.0):
            mtf50 = lens.mtf50_cy_per_px(f_number, 6.0, 0.5, 0.3, angle_deg=angle_deg)
            assert float(lens.mtf(mtf50, f_number, 6.0, 0.5, 0.3, angle_deg=angle_deg)) == pytest.approx(0.5, abs=1e-9)
