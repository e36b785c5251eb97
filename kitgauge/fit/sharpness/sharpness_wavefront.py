"""MTF50 of a lens with defocus and third-order spherical aberration, as it is stopped down.

The wavefront is W(rho) = W20 rho^2 + W40 rho^4 in waves, rho the pupil's radius. The pupil that stopping down leaves
has W20 (N0 / N)^2 and W40 (N0 / N)^4, so that the best focus, W20 = -W40, moves (Born and Wolf, Principles of Optics,
ch. 5; Mahajan, Optical Imaging and Aberrations II, both from memory). Blur that merely fades cannot do that. The
OTF is the overlap integral of two pupils shifted by +- s (Hopkins 1955, Proc. R. Soc. A 231, 91; Goodman, Introduction
to Fourier Optics, ch. 6): (4/pi) int int cos(2 pi (4 x s W20 + 8 x s W40 (x^2 + y^2 + s^2))) dx dy over
0 < y < sqrt(1 - s^2), 0 < x < sqrt(1 - y^2) - s. Pixel and normal blur as in `measure.diffraction`.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import map_coordinates, spline_filter

Array = NDArray[np.float64]

LARGEST_WAVES = 4.0  # of W40, and of W20 + W40, at the lowest f-number
LARGEST_SIGMA_PX = 4.0
WAVELENGTH_SCALES = (0.9, 1.1)  # tabulated here; ln MTF50 is straight in between to 1e-3
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)
_OFFSET_SCALE, _SIGMA_SCALE_PX = 0.5, 0.15  # below these the tables are close to even spacing
_S_COUNT, _OFFSET_COUNT, _WAVES_COUNT = 48, 61, 25
_HALVINGS = 18


def spherical_otf(s: ArrayLike, w20: ArrayLike, w40: ArrayLike) -> Array:
    """Return the OTF (real) at s = wavelength x f-number x frequency for W20 and W40 [waves]; shapes that broadcast.

    The error stays below 1e-5 up to 4 waves of W40 and of W20 + W40.
    """
    s, w20, w40 = (a[..., None, None] for a in np.broadcast_arrays(*(np.asarray(v, np.float64) for v in (s, w20, w40))))
    inside = np.clip(np.abs(s), 0.0, 1.0)
    angle = 0.25 * np.pi * (_NODES + 1.0)
    top = np.sqrt(1.0 - inside * inside)
    y = top * np.sin(angle)[:, None]
    reach = np.sqrt(1.0 - y * y) - inside
    x = reach * (0.5 * (_NODES + 1.0))
    phase = 8.0 * np.pi * x * inside * (w20 + 2.0 * w40 * (x * x + y * y + inside * inside))
    measure = (top * np.cos(angle)[:, None] * reach) * ((0.25 * np.pi * _WEIGHTS)[:, None] * (0.5 * _WEIGHTS))
    return np.asarray(4.0 / np.pi * np.sum(measure * np.cos(phase), axis=(-1, -2)))


@lru_cache(maxsize=1)
def _otf_table() -> Array:
    """Return spline coefficients of the OTF over (sqrt(s), W20 + W40 on an arcsinh scale, W40)."""
    s = np.linspace(0.0, 1.0, _S_COUNT) ** 2
    edge = np.arcsinh(LARGEST_WAVES / _OFFSET_SCALE)
    offset = _OFFSET_SCALE * np.sinh(np.linspace(-edge, edge, _OFFSET_COUNT))
    waves = np.linspace(0.0, LARGEST_WAVES, _WAVES_COUNT)
    values = [spherical_otf(one, offset[:, None] - waves, waves) for one in s]
    return np.asarray(spline_filter(np.array(values), order=3, mode="nearest"))


def _otf(s: Array, offset: Array, waves: Array) -> Any:
    edge = np.arcsinh(LARGEST_WAVES / _OFFSET_SCALE)
    if s.ndim == 0:
        return _otf(s[None], offset[None], waves[None])[0]  # the interpolation asks for one axis at least
    at = [
        np.sqrt(np.minimum(s, 1.0)) * (_S_COUNT - 1),
        (np.arcsinh(offset / _OFFSET_SCALE) / edge + 1.0) * (0.5 * (_OFFSET_COUNT - 1)),
        waves / LARGEST_WAVES * (_WAVES_COUNT - 1),
    ]
    return map_coordinates(_otf_table(), at, order=3, prefilter=False, mode="nearest")


def spherical_mtf50(cutoff_px: ArrayLike, sigma_px: ArrayLike, offset: ArrayLike, waves: ArrayLike) -> Array:
    """Return the frequency [cy/px] at which the MTF falls to one half; shapes that broadcast.

    cutoff_px : wavelength x f-number / pitch. sigma_px : normal blur [px]. offset : W20 + W40, `waves` : W40 [waves],
    0 or more (a wavefront and its mirror image have one MTF). Bisection to 4e-6.
    """
    cutoff, sigma, offset, waves = np.broadcast_arrays(
        *(np.asarray(v, np.float64) for v in (cutoff_px, sigma_px, offset, waves))
    )
    low, high = np.zeros(cutoff.shape), np.minimum(1.0, 1.0 / np.maximum(cutoff, 1e-9))
    for _ in range(_HALVINGS):
        nu = 0.5 * (low + high)
        blur = np.sinc(nu) * np.exp(-2.0 * np.square(np.pi * sigma * nu))
        above = _otf(cutoff * nu, offset, waves) * blur > 0.5
        low, high = np.where(above, nu, low), np.where(above, high, nu)
    return np.asarray(0.5 * (low + high))


class SphericalTable:
    """ln MTF50 at one f-number against blur, W20 + W40 and W40 there, tabulated once and interpolated."""

    def __init__(self, cutoff_px: float, stopped: float) -> None:
        """Tabulate for `cutoff_px`; `stopped` = N / N0 (1 or more) bounds the wavefront."""
        self._edge = np.arcsinh(min(LARGEST_WAVES, 2.0 * LARGEST_WAVES / stopped**2) / _OFFSET_SCALE)
        self._waves = LARGEST_WAVES / stopped**4
        self._shape = (17, 45, 11)
        self._sigma_edge = np.arcsinh(LARGEST_SIGMA_PX / _SIGMA_SCALE_PX)
        sigma = _SIGMA_SCALE_PX * np.sinh(np.linspace(0.0, self._sigma_edge, self._shape[0]))
        offset = _OFFSET_SCALE * np.sinh(np.linspace(-self._edge, self._edge, self._shape[1]))
        waves = np.linspace(0.0, self._waves, self._shape[2])
        mesh = np.meshgrid(sigma, offset, waves, indexing="ij")
        self._tables = [
            spline_filter(np.log(spherical_mtf50(cutoff_px * scale, *mesh)), order=3, mode="nearest")
            for scale in WAVELENGTH_SCALES
        ]

    def log_mtf50(self, sigma_px: Array, offset: Array, waves: Array, wavelength_scale: Array) -> Array:
        """Return ln MTF50 for arrays of one shape; beyond the table its end."""
        at = [
            np.arcsinh(sigma_px / _SIGMA_SCALE_PX) / self._sigma_edge * (self._shape[0] - 1),
            (np.arcsinh(offset / _OFFSET_SCALE) / self._edge + 1.0) * (0.5 * (self._shape[1] - 1)),
            waves / self._waves * (self._shape[2] - 1),
        ]
        one, two = (map_coordinates(t, at, order=3, prefilter=False, mode="nearest") for t in self._tables)
        low, high = WAVELENGTH_SCALES
        part = (wavelength_scale - low) / (high - low)
        return np.asarray(one * (1.0 - part) + two * part)


@lru_cache(maxsize=32)  # the regions of a run share their f-numbers
def spherical_table(cutoff_px: float, stopped: float) -> SphericalTable:
    """Return the table of one f-number."""
    return SphericalTable(cutoff_px, stopped)
