"""Sharpness of a lens that is out of focus: diffraction and defocus together, the pixel, and a normal blur.

Overlap integral of two clear circular pupils shifted by s = wavelength x f-number x frequency, with the phase of
defocus (Hopkins 1955, Proc. R. Soc. A 231, 91; Goodman, Introduction to Fourier Optics, ch. 6): with B = pi c nu for a
geometric blur disc of diameter c, (4/pi) int sin(B (sqrt(1 - y^2) - s)) / B dy for y from 0 to sqrt(1 - s^2). In focus
that is the diffraction MTF, for s = 0 the disc's 2 J1(B)/B. A sensor that lies z behind or before the image of a lens
at f-number N sees c = |z| / N. Lengths in pixels, frequencies in cycles per pixel.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import RectBivariateSpline

Array = NDArray[np.float64]

LARGEST_DISC_PX = 80.0
LARGEST_SIGMA_PX = 12.0
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(16)
_SIGMA_SCALE_PX, _DISC_SCALE_PX = 0.15, 0.5  # below these the tables are close to even spacing


def defocused_mtf(s: ArrayLike, disc_times_frequency: ArrayLike) -> Array:
    """Return the MTF of a defocused clear circular aperture; negative where the contrast is inverted.

    s : wavelength x f-number x frequency (0 without diffraction). disc_times_frequency : blur disc's diameter times
    frequency. Any shapes that broadcast. The error stays below 1e-6 up to a product of 4.
    """
    s, product = np.broadcast_arrays(np.asarray(s, dtype=np.float64), np.asarray(disc_times_frequency, np.float64))
    inside = np.clip(np.abs(s), 0.0, 1.0)[..., None]
    phase = np.pi * product[..., None]
    reach = np.arccos(inside)
    cosine = np.cos(0.5 * reach * (_NODES + 1.0))  # y = sin(angle), so that the rim is smooth
    path = cosine - inside
    total = np.sum(_WEIGHTS * cosine * path * np.sinc(phase * path / np.pi), axis=-1)
    return np.asarray(2.0 / np.pi * reach[..., 0] * total)


def defocused_mtf50(cutoff_px: float, sigma_px: ArrayLike, disc_px: ArrayLike) -> Array:
    """Return the frequency [cy/px] at which diffraction x defocus x pixel x normal blur first falls to one half.

    cutoff_px : as from `diffraction.diffraction_px`, 0 without diffraction. sigma_px, disc_px : standard deviation of
    the blur and diameter of the blur disc [px], 0 or more. Bisection to 1e-9.
    """
    sigma, disc = np.broadcast_arrays(np.asarray(sigma_px, dtype=np.float64), np.asarray(disc_px, dtype=np.float64))
    # half contrast lies below 0.71 / c for a disc alone, which is monotonic up to its first zero at 1.22 / c
    low, high = np.zeros(sigma.shape), np.minimum(1.0, 0.9 / np.maximum(disc, 0.9))
    for _ in range(30):
        nu = 0.5 * (low + high)
        blur = np.sinc(nu) * np.exp(-2.0 * np.square(np.pi * sigma * nu))
        above = defocused_mtf(cutoff_px * nu, disc * nu) * blur > 0.5
        low, high = np.where(above, nu, low), np.where(above, high, nu)
    return np.asarray(0.5 * (low + high))


class DefocusTable:
    """ln MTF50 against blur and defocus at one cutoff, tabulated once and interpolated (cubic splines, error 1e-5)."""

    def __init__(self, cutoff_px: float) -> None:
        """Tabulate for `cutoff_px` (0: diffraction is not known), up to LARGEST_SIGMA_PX and LARGEST_DISC_PX."""
        self.cutoff_px = cutoff_px
        u = np.linspace(0.0, np.arcsinh(LARGEST_SIGMA_PX / _SIGMA_SCALE_PX), 40)
        v = np.linspace(0.0, np.arcsinh(LARGEST_DISC_PX / _DISC_SCALE_PX), 64)
        self._sigma = _SIGMA_SCALE_PX * np.sinh(u)
        logs = np.log(defocused_mtf50(cutoff_px, self._sigma[:, None], _DISC_SCALE_PX * np.sinh(v)[None, :]))
        self._in_focus = logs[:, 0]
        self._spline = RectBivariateSpline(u, v, logs, kx=3, ky=3, s=0)

    @property
    def ceiling(self) -> float:
        """ln MTF50 of a perfect lens in focus: diffraction and pixel alone."""
        return float(self._in_focus[0])

    @property
    def floor(self) -> float:
        """ln MTF50 in focus of the softest lens of the table."""
        return float(self._in_focus[-1])

    def log_mtf50(self, sigma_px: ArrayLike, disc_px: ArrayLike) -> Array:
        """Return ln MTF50 for broadcasting sigma and disc [px]; beyond the table its end."""
        sigma, disc = np.broadcast_arrays(np.asarray(sigma_px, np.float64), np.asarray(disc_px, np.float64))
        u = np.arcsinh(np.minimum(np.abs(sigma), LARGEST_SIGMA_PX) / _SIGMA_SCALE_PX)
        v = np.arcsinh(np.minimum(np.abs(disc), LARGEST_DISC_PX) / _DISC_SCALE_PX)
        return np.asarray(self._spline.ev(u, v))

    def sigma_of(self, log_mtf50: ArrayLike) -> Array:
        """Return the blur [px] that gives ln MTF50 in focus; 0 above the ceiling, the largest below the table."""
        wanted = np.clip(np.asarray(log_mtf50, np.float64), self.floor, self.ceiling)
        low, high = np.zeros(wanted.shape), np.full(wanted.shape, LARGEST_SIGMA_PX)
        for _ in range(40):
            middle = 0.5 * (low + high)
            above = self.log_mtf50(middle, 0.0) > wanted
            low, high = np.where(above, middle, low), np.where(above, high, middle)
        return np.asarray(0.5 * (low + high))
