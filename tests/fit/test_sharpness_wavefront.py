"""OTF and MTF50 with defocus and spherical aberration, against Fourier transforms of the pupil and Goodman."""

from __future__ import annotations

import numpy as np
import pytest
from wavefront_lens import LOWEST, PITCH_UM, WAVELENGTH_UM, WavefrontLens, otf

from kitgauge.fit.sharpness.sharpness_wavefront import SphericalTable, spherical_mtf50, spherical_otf
from kitgauge.measure.edges.defocus import defocused_mtf
from kitgauge.measure.edges.diffraction import diffraction_mtf

S = np.linspace(0.0, 0.98, 50)


def test_without_aberration_it_is_goodmans_formula() -> None:
    assert np.abs(spherical_otf(S, 0.0, 0.0) - diffraction_mtf(S)).max() < 1e-6


def test_defocus_alone_is_that_of_hopkins() -> None:
    """W20 waves blur by a disc of 8 W20 lambda N (geometry of the rays at the rim)."""
    assert np.abs(spherical_otf(S, 1.3, 0.0) - defocused_mtf(S, 8.0 * 1.3 * S)).max() < 1e-5


@pytest.mark.parametrize(("w20", "w40"), [(-1.0, 1.0), (-2.2, 2.2), (0.5, 0.8), (-0.4, 2.5)])
def test_against_transforms_of_the_pupil(w20: float, w40: float) -> None:
    assert np.abs(spherical_otf(S, w20, w40) - otf(w20, w40)(S)).max() < 0.004
    assert np.allclose(spherical_otf(S, w20, w40), spherical_otf(S, -w20, -w40))


@pytest.mark.parametrize("n", [2.0, 2.0**1.5, 4.0, 8.0])
def test_mtf50_and_its_table(n: float) -> None:
    lens = WavefrontLens(-2.2, 2.2)
    k = LOWEST / n
    sigma = np.array([np.hypot(lens.floor, lens.fading * k)])
    waves = np.array([lens.w40 * k**4])
    offset = lens.w20 * k**2 + waves
    cutoff = WAVELENGTH_UM * n / PITCH_UM
    truth = lens.true_mtf50(n)
    assert spherical_mtf50(cutoff, sigma, offset, waves)[0] == pytest.approx(truth, rel=0.003)
    table = SphericalTable(cutoff, 1.0 / k)
    assert np.exp(table.log_mtf50(sigma, offset, waves, np.ones(1)))[0] == pytest.approx(truth, rel=0.006)
    shorter = spherical_mtf50(0.95 * cutoff, sigma, offset, waves)[0]
    assert np.exp(table.log_mtf50(sigma, offset, waves, np.full(1, 0.95)))[0] == pytest.approx(shorter, rel=0.004)
