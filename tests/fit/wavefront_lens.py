"""A lens with defocus and spherical aberration: truth by Fourier transforms of the pupil, apart from the code.

OTF = autocorrelation of the pupil exp(2 pi i W), by two-dimensional transforms on a grid (Goodman, Introduction to
Fourier Optics, ch. 6); times pixel sinc and a normal blur.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint

LOWEST = 2.0
PITCH_UM, WAVELENGTH_UM = 4.0, 0.55
_SIDE, _RADIUS = 256, 120.3


def otf(w20: float, w40: float) -> CubicSpline:
    """The real OTF against s = wavelength x f-number x frequency, 0 to 1."""
    x = np.arange(_SIDE) - _SIDE // 2
    radius = np.hypot(x[:, None], x[None, :])
    rho = np.minimum(radius / _RADIUS, 1.0)
    pupil = (radius <= _RADIUS) * np.exp(2j * np.pi * (w20 * rho**2 + w40 * rho**4))
    psf = np.abs(np.fft.fft2(pupil, (2 * _SIDE, 2 * _SIDE))) ** 2
    row = np.fft.ifft(psf.sum(axis=0))[: int(2 * _RADIUS) + 1].real
    return CubicSpline(np.arange(row.size) / (2.0 * _RADIUS), row / row[0])


@dataclass(frozen=True)
class WavefrontLens:
    """Waves of W20 and W40 at `LOWEST`, a blur that stays, and one that falls as 1 / N [px at LOWEST]."""

    w20: float
    w40: float
    floor: float = 0.12
    fading: float = 0.3

    def true_mtf50(self, n: float, w20: float | None = None) -> float:
        """MTF50 at an f-number; `w20` given: of the pupil that is left, else what stopping down leaves."""
        k = LOWEST / n
        contrast = otf(self.w20 * k**2 if w20 is None else w20, self.w40 * k**4)
        blur = self.floor**2 + (self.fading * k) ** 2
        cutoff = WAVELENGTH_UM * n / PITCH_UM

        def excess(nu: float) -> float:
            s = cutoff * nu
            passed = float(contrast(s)) if s < 1.0 else 0.0
            return passed * float(np.sinc(nu)) * float(np.exp(-2.0 * np.pi**2 * blur * nu**2)) - 0.5

        grid = np.linspace(0.01, 0.8, 60)
        first = int(np.argmax([excess(nu) < 0 for nu in grid]))
        return float(brentq(excess, grid[first - 1] if first else 1e-3, grid[first]))

    @cached_property
    def curve(self) -> CubicSpline:
        """MTF50 against log2 of the f-number, from f/2 to f/16."""
        stops = np.linspace(1.0, 4.0, 37)
        return CubicSpline(stops, [self.true_mtf50(2.0**x) for x in stops])

    def answers(self, fraction: float = 0.9) -> tuple[float, float, float]:
        """Sharpest f-number and the ends of the stretch around it above `fraction` of the peak."""
        x = np.linspace(1.0, 4.0, 6001)
        value = self.curve(x)
        peak = int(value.argmax())
        low = high = peak
        while low > 0 and value[low - 1] >= fraction * value[peak]:
            low -= 1
        while high < x.size - 1 and value[high + 1] >= fraction * value[peak]:
            high += 1
        return float(2.0 ** x[peak]), float(2.0 ** x[low]), float(2.0 ** x[high])

    def points(self, f_numbers: tuple[float, ...], error: float, seed: int) -> list[SharpnessPoint]:
        """Points of the centre in both directions, with noise of a relative `error`, two frames each."""
        rng = np.random.default_rng(seed)
        return [
            SharpnessPoint(n, "centre", 0.5, 0.5, o, "G", v * (1.0 + error * rng.normal()), error * v, 2, 4, 0.0)
            for n in f_numbers
            for v in [float(self.curve(np.log2(n)))]
            for o in ("vertical", "horizontal")
        ]
