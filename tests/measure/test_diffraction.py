import numpy as np
import pytest
from prysm_route import diffraction_limited_mtf

from kitgauge.measure.edges.diffraction import diffraction_mtf, diffraction_px, system_mtf, system_mtf50


def test_mtf50_of_a_clear_aperture_is_at_s_0_404() -> None:
    # Goodman, Introduction to Fourier Optics, ch. 6 (shared/published/facts.md prints 0.404): half of the last digit
    assert diffraction_mtf(0.4035) > 0.5 > diffraction_mtf(0.4045)


@pytest.mark.parametrize("f_number", [1.8, 5.657, 22.627])
def test_diffraction_agrees_with_an_independent_library(f_number: float) -> None:
    frequency_mm = np.linspace(0.0, 0.99 * 1000.0 / (f_number * 0.55), 40)
    expected = diffraction_limited_mtf(fno=f_number, wavelength=0.55, frequencies=frequency_mm)
    cutoff_px = diffraction_px(f_number, pitch_um=4.0, wavelength_um=0.55)
    assert np.allclose(diffraction_mtf(cutoff_px * frequency_mm * 4.0e-3), expected, atol=1e-9)


def test_limits_of_the_system_mtf() -> None:
    assert system_mtf(0.0, 1.0, 1.0) == pytest.approx(1.0)
    assert system_mtf(0.5, 2.0, 0.0) == 0.0  # at the cutoff nothing is left
    assert system_mtf(0.5, 0.0, 0.0) == pytest.approx(2.0 / np.pi)  # sinc(1/2)
    nu = system_mtf50(np.array([0.3, 2.0]), np.array([0.4, 1.0]))
    assert np.allclose(system_mtf(nu, np.array([0.3, 2.0]), np.array([0.4, 1.0])), 0.5, atol=1e-7)


def test_more_blur_is_never_sharper() -> None:
    cutoff, sigma = np.meshgrid(np.linspace(0.05, 8, 30), np.linspace(0, 5, 30))
    nu = system_mtf50(cutoff, sigma)
    assert np.all(np.diff(nu, axis=0) < 0)
    assert np.all(np.diff(nu, axis=1) < 0)


def test_impossible_pitch_is_refused() -> None:
    with pytest.raises(ValueError, match="must be positive"):
        diffraction_px(4.0, pitch_um=0.0)
