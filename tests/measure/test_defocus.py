"""Defocus against formulas that do not come from the code: Airy's disc, the in-focus pupil, a brute-force pupil."""

import math

import numpy as np
import pytest
from scipy.special import j1

from kitgauge.measure.edges.defocus import DefocusTable, defocused_mtf, defocused_mtf50


def test_without_diffraction_it_is_the_transform_of_a_disc() -> None:
    product = np.linspace(0.05, 4.0, 60)
    b = np.pi * product
    assert defocused_mtf(0.0, product) == pytest.approx(2.0 * j1(b) / b, abs=1e-9)


def test_in_focus_it_is_the_clear_pupil() -> None:
    s = np.linspace(0.0, 1.2, 40)
    inside = np.minimum(s, 1.0)
    goodman = 2.0 / np.pi * (np.arccos(inside) - inside * np.sqrt(1.0 - inside**2))
    assert defocused_mtf(s, 0.0) == pytest.approx(goodman, abs=1e-12)


@pytest.mark.parametrize(("cutoff_px", "disc_px"), [(0.3, 4.0), (1.1, 3.0), (1.6, 2.0)])
def test_a_pupil_on_a_grid_gives_the_same(cutoff_px, disc_px) -> None:
    """Autocorrelation of a sampled pupil with the phase of defocus, no formula for the overlap used."""
    nu = 0.2
    shift = cutoff_px * nu  # of each pupil by half of its diameter times this, in radii
    axis = (np.arange(2000) + 0.5) / 1000.0 - 1.0
    x, y = np.meshgrid(axis, axis)
    both = ((x - shift) ** 2 + y**2 < 1) & ((x + shift) ** 2 + y**2 < 1)
    # geometric optics: the ray through (x, y) lands disc/2 * (x, y) off; the phase across the overlap follows from it
    phase = 2.0 * math.pi * nu * 0.5 * disc_px * x
    brute = float(np.sum(np.cos(phase[both]))) / float(np.sum(x**2 + y**2 < 1))
    assert float(defocused_mtf(cutoff_px * nu, disc_px * nu)) == pytest.approx(brute, abs=2e-3)


def test_mtf50_of_a_disc_alone() -> None:
    # 2 J1(x)/x = 1/2 at x = 2.2150894 (tables); the pixel hardly matters for a wide disc
    found = float(defocused_mtf50(0.0, 0.0, 60.0))
    assert found == pytest.approx(2.2150894 / math.pi / 60.0, rel=1e-3)


def test_small_defocus_adds_the_variance_of_a_disc() -> None:
    # a disc of diameter c has the variance c^2 / 16 along a line
    wide = float(defocused_mtf50(0.0, 3.0, 2.0))
    same = float(defocused_mtf50(0.0, math.hypot(3.0, 0.5), 0.0))
    assert wide == pytest.approx(same, rel=1e-4)


def test_table_follows_the_function_and_inverts() -> None:
    rng = np.random.default_rng(1)
    sigma, disc = rng.uniform(0.0, 4.0, 200), 10.0 ** rng.uniform(-2.0, 1.6, 200)
    for cutoff in (0.0, 0.25, 1.5):
        table = DefocusTable(cutoff)
        direct = np.log(defocused_mtf50(cutoff, sigma, disc))
        assert table.log_mtf50(sigma, disc) == pytest.approx(direct, abs=1e-4)
        assert table.sigma_of(table.log_mtf50(sigma, 0.0)) == pytest.approx(sigma, abs=1e-4)
