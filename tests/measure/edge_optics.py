"""Transfer functions of lenses that no normal blur describes, and the exact edges they make. No code of the package.

Pupil: the optical transfer function along the edge normal is the autocorrelation of the pupil function (Goodman,
Introduction to Fourier Optics, ch. 6), taken here by Gauss-Legendre quadrature over the overlap of the two shifted
circles, with a wave aberration W = w20 r^2 + w40 r^4 + w31 r^2 x (waves; x along the edge normal).
Edge spread: Fourier series of a step on a period of 2048 px, at steps of 1/128 px.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from edge_scenes import pupil_mtf
from scipy.special import j1

Transfer = Callable[[np.ndarray], np.ndarray]

_PERIOD_PX = 2048
_STEPS_PER_PX = 128


@lru_cache(maxsize=32)
def _pupil_table(w20: float, w40: float, w31: float) -> tuple[np.ndarray, np.ndarray]:
    node, weight = np.polynomial.legendre.leggauss(96)
    shift = np.linspace(0.0, 1.0, 241)
    value = np.zeros(shift.size, dtype=complex)
    for k, s in enumerate(shift):
        top = math.sqrt(max(1.0 - s * s, 0.0))
        # y = top sin(t): no corners at the ends of the overlap
        t = 0.5 * math.pi * node
        y, dy = top * np.sin(t), top * np.cos(t) * 0.5 * math.pi * weight
        reach = np.sqrt(np.maximum(1.0 - y * y, 0.0)) - s
        x = reach[:, None] * node

        def wave(x: np.ndarray, y: np.ndarray = y) -> np.ndarray:
            r2 = x * x + (y * y)[:, None]
            return w20 * r2 + w40 * r2 * r2 + w31 * r2 * x

        phase = np.exp(2j * math.pi * (wave(x + s) - wave(x - s)))
        value[k] = np.sum((phase @ weight) * reach * dy) / math.pi
    return shift, value


def pupil(cutoff_px: float, w20: float = 0.0, w40: float = 0.0, w31: float = 0.0) -> Transfer:
    """Circular pupil of cutoff 1 / cutoff_px cycles/px with third-order aberrations in waves."""

    def transfer(nu: np.ndarray) -> np.ndarray:
        shift, value = _pupil_table(w20, w40, w31)
        s = np.minimum(np.abs(nu) * cutoff_px, 1.0)
        # the interpolation error is a part of the truth: the same function makes the edge and the expected MTF
        return np.interp(s, shift, value.real) + 1j * np.sign(nu) * np.interp(s, shift, value.imag)

    return transfer


def ideal(cutoff_px: float) -> Transfer:
    return lambda nu: pupil_mtf(nu, cutoff_px).astype(complex)


def normal(sigma_px: float) -> Transfer:
    return lambda nu: np.exp(-2.0 * (math.pi * sigma_px * nu) ** 2).astype(complex)


def disc(radius_px: float) -> Transfer:
    def transfer(nu: np.ndarray) -> np.ndarray:
        s = 2.0 * np.pi * radius_px * np.maximum(np.abs(nu), 1e-9)
        return (2.0 * j1(s) / s).astype(complex)

    return transfer


def motion(length_px: float) -> Transfer:
    return lambda nu: np.sinc(length_px * nu).astype(complex)


def skewed(share: float, sigma_px: float, aside_px: float) -> Transfer:
    """A sharp core and a one-sided flare holding `share` of the light."""
    return lambda nu: 1.0 - share + share * np.exp(-2.0 * (math.pi * sigma_px * nu) ** 2 + 2j * math.pi * aside_px * nu)


def sharpened(amount: float, radius_px: float) -> Transfer:
    """Unsharp masking: the picture plus `amount` times its difference from a normal blur of `radius_px`."""
    return lambda nu: (1.0 + amount * (1.0 - np.exp(-2.0 * (math.pi * radius_px * nu) ** 2))).astype(complex)


def product(*factors: Transfer) -> Transfer:
    def transfer(nu: np.ndarray) -> np.ndarray:
        out = np.ones(np.shape(nu), dtype=complex)
        for factor in factors:
            out = out * factor(nu)
        return out

    return transfer


def with_pixel(transfer: Transfer, tilt_deg: float) -> Transfer:
    """The transfer function along the normal of an edge at `tilt_deg`, square pixel included."""
    tilt = math.radians(tilt_deg)
    return lambda nu: transfer(nu) * np.sinc(nu * math.cos(tilt)) * np.sinc(nu * math.sin(tilt))


def mtf50_of(transfer: Transfer, tilt_deg: float) -> float:
    """First fall of the modulus through one half, on a grid of 1/50000 cycles/px."""
    nu = np.linspace(1e-9, 1.0, 50001)
    mtf = np.abs(with_pixel(transfer, tilt_deg)(nu))
    k = int(np.argmax(mtf < 0.5))
    return float(nu[k - 1] + (mtf[k - 1] - 0.5) / (mtf[k - 1] - mtf[k]) * (nu[k] - nu[k - 1]))


@lru_cache(maxsize=48)
def spread_of(transfer: Transfer, tilt_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """(distance, share) of the edge spread over -300 to 300 px."""
    size = _PERIOD_PX * _STEPS_PER_PX
    order = np.arange(1, min(size // 2, 24 * _PERIOD_PX))
    nu = order / _PERIOD_PX
    spectrum = np.zeros(size // 2 + 1, dtype=complex)
    spectrum[1 : order.size + 1] = with_pixel(transfer, tilt_deg)(nu) / (2j * math.pi * order) * size
    series = np.fft.fftshift(np.fft.irfft(spectrum, n=size))
    d = (np.arange(size) - size // 2) / _STEPS_PER_PX
    inside = np.abs(d) <= 300.0
    return d[inside], (series + 0.5 + d / _PERIOD_PX)[inside]
