"""Contrast at the viewing frequency: disc, diffraction and lens, each against an independent route."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import pytest
from scipy import special

from kitgauge.planner.depth_of_field import near_and_far_m
from kitgauge.planner.optics import Optics
from kitgauge.planner.viewing import (
    WAVELENGTH_MM,
    Viewing,
    aberration_of,
    defocused_mtf,
)

CIRCLE_MM = 0.0288


@pytest.fixture(autouse=True)
def _no_contrast_of_another_wavelength() -> Iterator[None]:
    """Some tests change the wavelength: what was kept of one must not answer for the other."""
    defocused_mtf.cache_clear()
    yield
    defocused_mtf.cache_clear()


def defocused_lens_mtf(f_number: float, circle_mm: float, frequency: float) -> float:
    """MTF of an ideal defocused lens by wave optics: the overlap integral of two shifted pupils (Goodman, ch.
    6).

    Defocus of W20 = c/(8 N) at the pupil's rim makes a geometric blur disc of diameter c.
    """
    s = WAVELENGTH_MM * f_number * frequency
    n = 1501
    axis = np.linspace(-1, 1, n)
    x, y = np.meshgrid(axis, axis)
    overlap = ((x - s) ** 2 + y**2 <= 1) & ((x + s) ** 2 + y**2 <= 1)
    w20 = circle_mm / (8 * f_number) / WAVELENGTH_MM
    phase = 2 * np.pi * w20 * ((x + s) ** 2 - (x - s) ** 2)
    return float(abs(np.sum(overlap * np.exp(1j * phase))) / np.sum(x**2 + y**2 <= 1))


def test_geometric_limit_is_the_disc(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("kitgauge.planner.viewing.WAVELENGTH_MM", 1e-12)
    for x in np.linspace(0.01, 6.0, 60):
        assert defocused_mtf(8.0, x / math.pi, 1.0) == pytest.approx(2 * special.j1(x) / x, abs=1e-9)


def test_in_focus_it_is_diffraction_with_half_contrast_at_0404_of_the_cut_off() -> None:
    # published/facts.md (Goodman, Introduction to Fourier Optics, ch. 6): MTF50 at s = 0.404
    for f_number in (2.0, 8.0, 22.0):
        cut_off = 1 / (WAVELENGTH_MM * f_number)
        assert defocused_mtf(f_number, 0.0, 0.404 * cut_off) == pytest.approx(0.5, abs=5e-4)
        for s in (0.05, 0.3, 0.7, 0.95):
            closed = 2 / math.pi * (math.acos(s) - s * math.sqrt(1 - s * s))
            assert defocused_mtf(f_number, 0.0, s * cut_off) == pytest.approx(closed, abs=1e-9)
        assert defocused_mtf(f_number, 0.0, 1.001 * cut_off) == 0.0


def test_defocus_and_diffraction_against_two_dimensional_pupils() -> None:
    viewing = Viewing(CIRCLE_MM)
    for f_number in (2.8, 8.0, 16.0):
        for share in (0.0, 0.4, 0.8, 1.0):
            exact = defocused_lens_mtf(f_number, share * CIRCLE_MM, viewing.frequency)
            assert viewing.mtf(f_number, share * CIRCLE_MM) == pytest.approx(exact, abs=2e-3)  # the grid's own error


def test_multiplying_disc_and_diffraction_would_count_twice() -> None:
    frequency = Viewing(CIRCLE_MM).frequency
    x = math.pi * 0.8 * CIRCLE_MM * frequency
    product = defocused_mtf(8.0, 0.0, frequency) * 2 * special.j1(x) / x
    exact = defocused_lens_mtf(8.0, 0.8 * CIRCLE_MM, frequency)
    assert product < exact - 0.04
    assert defocused_mtf(8.0, 0.8 * CIRCLE_MM, frequency) == pytest.approx(exact, abs=2e-3)


def test_without_diffraction_the_handbook_depth_comes_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("kitgauge.planner.viewing.WAVELENGTH_MM", 1e-12)
    optics = Optics(50.0, Viewing(CIRCLE_MM), 3.0, 2.5, 3.75)
    for f_number in (2.8, 8.0, 22.0):
        assert optics.near_and_far(f_number) == pytest.approx(near_and_far_m(50.0, f_number, CIRCLE_MM, 3.0))
    f_number, missing = Optics(50.0, Viewing(CIRCLE_MM), 3.0, 2.5, 3.75).f_number_for_depth()
    assert missing == 0.0
    # N = f^2 (s - n)/(c n (s - f)), by hand: 2500 x 0.5/(0.0288 x 2.5 x 2.95) / 1000
    assert f_number == pytest.approx(5.885, abs=1e-3)


def test_diffraction_narrows_the_depth_the_more_the_aperture_is_closed() -> None:
    viewing = Viewing(CIRCLE_MM)
    for f_number in (1.4, 2.8, 5.6):  # the handbook holds within 3 % as long as diffraction is small
        assert viewing.allowed_disc_mm(f_number) == pytest.approx(CIRCLE_MM, rel=0.03)
    closed = [viewing.allowed_disc_mm(number) for number in (8.0, 11.0, 16.0, 22.0)]
    assert closed == sorted(closed, reverse=True)
    assert closed[-1] < 0.9 * CIRCLE_MM
    assert Viewing(CIRCLE_MM).allowed_disc_mm(64.0) == 0.0  # half contrast is lost to diffraction alone


def test_chosen_f_number_for_a_depth_has_half_contrast_at_both_ends() -> None:
    optics = Optics(50.0, Viewing(CIRCLE_MM), 2 * 2 * 3 / 5, 2.0, 3.0)
    f_number, missing = optics.f_number_for_depth()
    contrast = optics.contrast(f_number)
    assert missing == 0.0
    assert contrast is not None
    assert contrast["near"] == pytest.approx(0.5, abs=1e-5)
    assert contrast["far"] == pytest.approx(0.5, abs=1e-5)
    assert contrast["focus"] > 0.7
    opener = optics.contrast(f_number * 0.97)
    assert opener is not None
    assert opener["near"] < 0.5


def test_a_depth_that_no_f_number_has_gets_the_best_compromise() -> None:
    optics = Optics(50.0, Viewing(CIRCLE_MM), 1.2, 0.8, 2.4)
    best, missing = optics.f_number_for_depth()
    assert missing > 0.5

    def allowed_over_needed(f_number: float) -> float:
        near, _ = optics.near_and_far(f_number)
        return (1.2 - 0.8) / (1.2 - near)  # type: ignore[operator]

    assert all(
        allowed_over_needed(best) <= allowed_over_needed(best * factor) + 1e-3 for factor in (0.8, 0.9, 1.1, 1.2)
    )


def test_measured_softness_is_taken_off_and_gives_its_own_mtf50_back() -> None:
    pitch_um, points = 6.0, ((2.0, 0.15), (5.6, 0.30), (16.0, 0.20))
    viewing = Viewing(CIRCLE_MM, aberration_of(points, pitch_um))
    for f_number, cy_per_px in points:
        frequency = cy_per_px / pitch_um * 1000
        index = dict(viewing.aberration)[f_number]
        assert defocused_mtf(f_number, 0.0, frequency) * math.exp(-index * frequency**2) == pytest.approx(0.5)
    assert viewing.mtf(2.0, 0.0) < Viewing(CIRCLE_MM).mtf(2.0, 0.0)
    assert viewing.allowed_disc_mm(5.6) > viewing.allowed_disc_mm(2.0)
    between = [viewing.mtf(number, 0.0) for number in (2.0, 3.3, 5.6)]
    assert between == sorted(between)


def test_a_file_sharper_than_diffraction_counts_as_diffraction() -> None:
    assert aberration_of(((16.0, 0.9),), 4.0) == ((16.0, 0.0),)
