"""The physical ceiling of sharpness: a clear circular aperture, a square pixel, and a normal blur.

Goodman, Introduction to Fourier Optics, ch. 6: incoherent MTF of a circular pupil
(2/pi)(arccos s - s sqrt(1 - s^2)), s = wavelength x f-number x frequency; square pixel: sinc; normal blur:
exp(-2 pi^2 sigma^2 nu^2). Lengths in pixels, frequencies in cycles per pixel.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

GREEN_WAVELENGTH_UM = 0.55  # middle of a green filter (common practice, no source)


def diffraction_px(f_number: ArrayLike, pitch_um: float, wavelength_um: float = GREEN_WAVELENGTH_UM) -> Array:
    """Return wavelength x f-number / pixel pitch [px]: one over the frequency at which diffraction ends all contrast.

    Raises ValueError unless pitch and wavelength are positive.
    """
    if not (pitch_um > 0 and wavelength_um > 0):
        raise ValueError(f"pitch and wavelength must be positive, got {pitch_um} um and {wavelength_um} um")
    return np.asarray(f_number, dtype=np.float64) * (wavelength_um / pitch_um)


def diffraction_mtf(s: ArrayLike) -> Array:
    """Return the MTF of a clear circular aperture at s = wavelength x f-number x frequency (Goodman, ch. 6)."""
    s = np.clip(np.abs(np.asarray(s, dtype=np.float64)), 0.0, 1.0)
    return np.asarray(2.0 / np.pi * (np.arccos(s) - s * np.sqrt(1.0 - s * s)))


def system_mtf(frequency_cy_per_px: ArrayLike, cutoff_px: ArrayLike, sigma_px: ArrayLike) -> Array:
    """Return diffraction x pixel x normal blur at a frequency; `cutoff_px` as from `diffraction_px`."""
    nu = np.asarray(frequency_cy_per_px, dtype=np.float64)
    blur = np.exp(-2.0 * np.square(np.pi * np.asarray(sigma_px) * nu))
    return np.asarray(diffraction_mtf(np.asarray(cutoff_px) * nu) * np.sinc(nu) * blur)


def system_mtf50(cutoff_px: ArrayLike, sigma_px: ArrayLike) -> Array:
    """Return the frequency [cy/px] at which `system_mtf` falls to one half (bisection to 1e-9; always below 0.61)."""
    cutoff, sigma = np.broadcast_arrays(np.asarray(cutoff_px, dtype=np.float64), np.asarray(sigma_px, dtype=np.float64))
    low, high = np.zeros(cutoff.shape), np.full(cutoff.shape, 1.0)
    for _ in range(30):
        middle = 0.5 * (low + high)
        above = system_mtf(middle, cutoff, sigma) > 0.5
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.asarray(0.5 * (low + high))
