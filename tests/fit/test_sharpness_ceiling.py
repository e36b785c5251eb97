"""Files sharper than physics, with diffraction from prysm as the other route."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from faulty_lens import F_NUMBERS, PITCH_UM, FaultyLens, simulated
from prysm_route import diffraction_limited_mtf
from scipy.optimize import brentq

from kitgauge.fit.sharpness.excess_blur import excess_variance, slope_in_cutoff, slope_in_mtf50
from kitgauge.fit.sharpness.sharpness_ceiling import beyond_ceiling, sharpened_finding
from kitgauge.fit.sharpness.sharpness_patches import MtfCurve
from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint

GREEN_UM = 0.55
FREQUENCY = np.linspace(0.0, 1.0, 101)


def by_prysm(f_number: float, nu: np.ndarray) -> np.ndarray:
    """Diffraction x pixel at `nu` [cycles/pixel], diffraction by prysm (cycles/mm)."""
    diffraction = diffraction_limited_mtf(fno=f_number, wavelength=GREEN_UM, frequencies=nu * 1000.0 / PITCH_UM)
    return np.asarray(diffraction) * np.sinc(nu)


def ceiling(f_number: float) -> float:
    fine = np.linspace(1e-4, 0.9, 20001)
    return float(np.interp(-0.5, -by_prysm(f_number, fine), fine))


def point(f_number: float, mtf50: float, error: float = 0.004, curve: MtfCurve | None = None) -> SharpnessPoint:
    return SharpnessPoint(f_number, "centre", 0.5, 0.5, "vertical", "G", mtf50, error * mtf50, 2, 2, 0.0, curve=curve)


@pytest.mark.parametrize("f_number", [2.0, 5.6, 16.0])
def test_the_ceiling_is_that_of_prysm(f_number: float) -> None:
    excess, _ = beyond_ceiling(point(f_number, ceiling(f_number)), PITCH_UM, GREEN_UM)
    assert excess == pytest.approx(0.0, abs=2e-4)
    # a target as large as the picture: the f-number that acts is twice the marked one
    excess, _ = beyond_ceiling(point(f_number / 2.0, ceiling(f_number)), PITCH_UM, GREEN_UM, magnification=1.0)
    assert excess == pytest.approx(0.0, abs=2e-4)


@pytest.mark.statistical
def test_a_perfect_lens_is_not_sharpened() -> None:
    """No blur but diffraction and pixel, light of 0.53 um, an aperture 3 % too large: nothing in 40 sweeps."""
    lens = FaultyLens(0.0, 0.0, wavelengths_um={"R": 0.6, "G": 0.53 * 0.97, "B": 0.46})
    assert all(sharpened_finding(simulated(lens, seed=seed)[0], PITCH_UM, GREEN_UM) is None for seed in range(40))


def test_sharpened_files_are_found_with_their_size() -> None:
    made = [point(n, 1.3 * ceiling(n)) for n in F_NUMBERS if n > 3.0]
    finding = sharpened_finding(made, PITCH_UM, GREEN_UM)
    assert finding is not None
    assert finding.size == pytest.approx(30.0, abs=0.1)
    assert finding.z > 3.0 and finding.probability < 0.01
    assert "sharper than physics allows" in finding.text
    assert sharpened_finding(made, None, GREEN_UM) is None


def test_a_wrong_pitch_is_named_as_the_other_cause() -> None:
    """The lens is perfect, the pitch is 6 um and 4 um were given: the finding names 6 um."""

    def at_6_um(n: float) -> float:
        def excess(nu: float) -> float:
            s = min(GREEN_UM * n / 6.0 * nu, 1.0)
            return 2.0 / math.pi * (math.acos(s) - s * math.sqrt(1.0 - s * s)) * float(np.sinc(nu)) - 0.5

        return float(brentq(excess, 1e-4, 0.9))

    finding = sharpened_finding([point(n, at_6_um(n)) for n in F_NUMBERS], 4.0, GREEN_UM)
    assert finding is not None
    assert "A pixel pitch of 6 micrometres or more would allow it" in finding.text


def test_a_soft_lens_that_was_sharpened_shows_at_low_frequencies() -> None:
    """Blur of 1.5 px, then an unsharp mask: MTF50 stays under the ceiling, contrast at 0.1 cycles/pixel does not."""
    blur = np.exp(-2.0 * (math.pi * 1.1 * FREQUENCY) ** 2)
    mask = 1.0 + 2.5 * (1.0 - np.exp(-2.0 * (math.pi * 2.0 * FREQUENCY) ** 2))
    plain = by_prysm(4.0, FREQUENCY) * blur

    def measured(mtf: np.ndarray) -> SharpnessPoint:
        below = int(np.flatnonzero(mtf < 0.5)[0])
        value = float(np.interp(-0.5, -mtf[below - 1 : below + 1], FREQUENCY[below - 1 : below + 1]))
        return point(4.0, value, curve=MtfCurve(FREQUENCY, mtf, np.full(FREQUENCY.size, 0.004)))

    assert sharpened_finding([measured(plain)], PITCH_UM, GREEN_UM) is None
    sharpened = measured(plain * mask)
    assert sharpened.mtf50_cy_per_px < ceiling(4.0)
    finding = sharpened_finding([sharpened], PITCH_UM, GREEN_UM)
    assert finding is not None
    assert "contrast at 0." in finding.text
    assert sharpened_finding([replace(sharpened, curve=None)], PITCH_UM, GREEN_UM) is None


def test_excess_blur_undoes_the_model() -> None:
    """Against MTF50 by root finding; slopes against differences of it."""
    for n in F_NUMBERS:
        for variance in (0.0, 0.1, 1.0, 4.0):
            lens = FaultyLens(variance, 0.0)
            cutoff = GREEN_UM * n / PITCH_UM
            value = lens.mtf50(n, "centre", "vertical")
            assert float(excess_variance(value, cutoff)) == pytest.approx(variance, abs=1e-6)
            other = FaultyLens(variance + 1e-3, 0.0).mtf50(n, "centre", "vertical")
            assert float(slope_in_mtf50(value, cutoff)) == pytest.approx(1e-3 / math.log(other / value), rel=0.02)
            longer = excess_variance(value, cutoff * 1.001) - excess_variance(value, cutoff)
            assert float(slope_in_cutoff(value, cutoff)) == pytest.approx(float(longer) / 0.001, rel=0.02)
    assert np.isnan(excess_variance(0.9, 2.0))
