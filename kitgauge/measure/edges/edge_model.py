"""The columns of the edge spread model and their transforms.

Reference: a step through diffraction (cutoff q px), pixel and normal blur (variance s px^2), see `diffraction`. Its
edge spread on a grid is the sine series of its MTF; its derivatives by q and s are columns too, so that the fit finds
q and s by Gauss-Newton steps. Deviation: cubic B-splines around the edge, which follow whatever real lenses, defocus
and motion do to the shape.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.edge_knots import Knots, spline_transforms
from kitgauge.measure.edges.edge_pool import look_up

Array = NDArray[np.float64]

_PERIOD_PX = 128
_STEPS_PER_PX = 32
_REACH_PX = 48.0  # the grid of the reference ends here
FIXED_COLUMNS = 4  # level, step, its derivatives by q and by s


@dataclass(frozen=True)
class EdgeModel:
    """Reference shape and knots. `cutoff_px` = q, `variance_px2` = s, tilt in radians for the pixel's own response.

    `patch_px` is the distance to the far side of the patch behind the edge, NaN where unknown; `patch_sign` 1 for a
    dark patch, -1 for a bright one: light from beyond that side reaches in by the tail 2 q / (pi^3 d) of the aperture.
    """

    cutoff_px: float
    variance_px2: float
    tilt: float
    knots: Knots | None = None
    patch_px: float = math.nan
    patch_sign: float = 1.0

    def spreads(self) -> tuple[Array, Array]:
        """Return (distance grid, (3, grid) edge spread and its derivatives by q and by s)."""
        return _reference_spreads(self.cutoff_px, self.variance_px2, self.tilt)

    def columns(self, d: Array, grid: Array, spreads: Array) -> Array:
        """Return the design matrix (sample, column) at distances `d`: level, step, by q, by s, splines."""
        design = np.zeros((d.size, FIXED_COLUMNS + self.splines))
        design[:, 0] = 1.0
        for row in range(3):
            design[:, 1 + row] = look_up(grid, spreads[row], d)
        if math.isfinite(self.patch_px):
            beyond = self.patch_sign * 2.0 / math.pi**3 / np.maximum(self.patch_px + self.patch_sign * d, 1.0)
            design[:, 1] += self.cutoff_px * beyond
            design[:, 2] += beyond
        if self.knots is not None:
            inside = np.abs(d) < self.knots.core_px
            design[inside, FIXED_COLUMNS:] = self.knots.values(d[inside])
        return design

    def spread(self, grid: Array, spreads: Array, coefficients: Array) -> Array:
        """Return the edge spread of `coefficients` on the grid itself (`spreads` as from `spreads`, cut to `grid`)."""
        fixed = coefficients[:FIXED_COLUMNS]
        total: Array = fixed[0] + fixed[1] * spreads[0] + fixed[2] * spreads[1] + fixed[3] * spreads[2]
        if math.isfinite(self.patch_px):
            beyond = self.patch_sign * 2.0 / math.pi**3 / np.maximum(self.patch_px + self.patch_sign * grid, 1.0)
            total = total + (fixed[1] * self.cutoff_px + fixed[2]) * beyond
        if self.knots is not None:
            inside = np.abs(grid) < self.knots.core_px
            total[inside] += self.knots.curve(grid[inside], coefficients[FIXED_COLUMNS:])
        return total

    def transform(self, frequency: Array) -> tuple[Array, Array]:
        """Return the real and the imaginary part, (frequency, column), of the transform of each column's line spread.

        `frequency` [cy/px] evenly spaced, at least two. The level's is 0.
        """
        real = np.zeros((frequency.size, FIXED_COLUMNS + self.splines))
        imaginary = np.zeros_like(real)
        for column, value in enumerate(self.reference_mtf(frequency)):
            real[:, 1 + column] = value
        if self.knots is not None:
            step = float(frequency[1] - frequency[0])
            parts = spline_transforms(self.knots, float(frequency[0]), step, frequency.size)
            real[:, FIXED_COLUMNS:], imaginary[:, FIXED_COLUMNS:] = parts
        return real, imaginary

    @property
    def splines(self) -> int:
        """How many splines there are."""
        return 0 if self.knots is None else self.knots.splines

    def reference_mtf(self, frequency: Array) -> tuple[Array, Array, Array]:
        """Return the reference's MTF at `frequency` [cy/px] and its derivatives by q and by s."""
        return _reference_mtf(frequency, self.cutoff_px, self.variance_px2, self.tilt)


def _reference_mtf(frequency: Array, cutoff_px: float, variance_px2: float, tilt: float) -> tuple[Array, Array, Array]:
    """Return the reference MTF and its derivatives by q and by s."""
    pixel = np.sinc(frequency * math.cos(tilt)) * np.sinc(frequency * math.sin(tilt))
    blur = pixel * np.exp(-2.0 * math.pi**2 * variance_px2 * frequency**2)
    s = np.minimum(cutoff_px * frequency, 1.0)
    root = np.sqrt(1.0 - s * s)
    # diffraction_mtf, whose root the derivative shares
    value = (2.0 / math.pi) * (np.arccos(s) - s * root) * blur
    by_q = (-4.0 / math.pi) * root * frequency * blur
    by_s = -2.0 * math.pi**2 * frequency**2 * value
    return value, by_q, by_s


@lru_cache(maxsize=8)  # the last steps of one edge's fit share one reference
def _reference_spreads(cutoff_px: float, variance_px2: float, tilt: float) -> tuple[Array, Array]:
    size = _PERIOD_PX * _STEPS_PER_PX
    # beyond this frequency pixel and blur leave less than 1e-9
    highest = min(1.0 / cutoff_px, 1.02 / math.sqrt(variance_px2 + 1e-9))
    stop = int(min(size // 2, math.ceil(_PERIOD_PX * highest) + 1))
    values = _reference_mtf(np.arange(stop + 1) / _PERIOD_PX, cutoff_px, variance_px2, tilt)
    order = np.arange(1, stop + 1)
    # sine series of the integral of a periodic line spread: sum over k of M_k sin(2 pi k d / period) / (pi k); straight
    # lines between the grid's points act as a blur by a triangle, which is taken off beforehand
    factor = size / (2.0 * math.pi * order * np.sinc(order / size) ** 2)
    spectrum = np.zeros((3, size // 2 + 1), dtype=np.complex128)
    for row, value in enumerate(values):
        spectrum[row, 1 : stop + 1].imag = -value[1:] * factor
    series = np.fft.irfft(spectrum, n=size, axis=1)
    half = int(_REACH_PX * _STEPS_PER_PX)
    series = np.concatenate([series[:, -half:], series[:, : half + 1]], axis=1)
    d, images = _images()
    series[0] += 0.5 + d / _PERIOD_PX - cutoff_px * images
    series[1] -= images
    series.flags.writeable = False
    return d, series


@lru_cache(maxsize=1)
def _images() -> tuple[Array, Array]:
    """Return the grid and the share, per q, of the light that the period's repetitions send to it.

    The tail of a step is 2 q / (pi^3 d) of the contrast (from the slope of Goodman's MTF at zero); summed over all
    repetitions: 1/d - (pi/P) cot(pi d/P).
    """
    half = int(_REACH_PX * _STEPS_PER_PX)
    d = np.arange(-half, half + 1) / _STEPS_PER_PX
    x = np.where(d == 0, 1e-6, d)
    images = 2.0 / math.pi**3 * (1.0 / x - math.pi / _PERIOD_PX / np.tan(math.pi * x / _PERIOD_PX))
    d.flags.writeable = images.flags.writeable = False
    return d, images
