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
from scipy.interpolate import BSpline

from kitgauge.measure.diffraction import diffraction_mtf

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_PERIOD_PX = 256
_STEPS_PER_PX = 32
_KNOT_GROWTH = 0.22  # knot spacing per distance from the edge
_SMALLEST_KNOT_PX = 0.3
_KNOTS_PER_RISE = 8.0
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
    knots: Array
    patch_px: float = math.nan
    patch_sign: float = 1.0

    def spreads(self) -> tuple[Array, Array]:
        """Return (distance grid, (3, grid) edge spread and its derivatives by q and by s)."""
        return _reference_spreads(self.cutoff_px, self.variance_px2, self.tilt)

    def columns(self, d: Array, grid: Array, spreads: Array) -> Array:
        """Return the design matrix (sample, column) at distances `d`: level, step, by q, by s, splines."""
        design = np.zeros((d.size, FIXED_COLUMNS + max(len(self.knots) - 4, 0)))
        design[:, 0] = 1.0
        for row in range(3):
            design[:, 1 + row] = np.interp(d, grid, spreads[row])
        if math.isfinite(self.patch_px):
            beyond = self.patch_sign * 2.0 / math.pi**3 / np.maximum(self.patch_px + self.patch_sign * d, 1.0)
            design[:, 1] += self.cutoff_px * beyond
            design[:, 2] += beyond
        if self.knots.size:
            inside = (d > self.knots[0]) & (d < self.knots[-1])
            design[inside, FIXED_COLUMNS:] = vanishing_splines(d[inside], self.knots)
        return design

    def spread(self, grid: Array, spreads: Array, coefficients: Array) -> Array:
        """Return the edge spread of `coefficients` on the grid itself (`spreads` as from `spreads`, cut to `grid`)."""
        fixed = coefficients[:FIXED_COLUMNS]
        total: Array = fixed[0] + fixed[1] * spreads[0] + fixed[2] * spreads[1] + fixed[3] * spreads[2]
        if math.isfinite(self.patch_px):
            beyond = self.patch_sign * 2.0 / math.pi**3 / np.maximum(self.patch_px + self.patch_sign * grid, 1.0)
            total = total + (fixed[1] * self.cutoff_px + fixed[2]) * beyond
        if self.knots.size:
            inside = (grid > self.knots[0]) & (grid < self.knots[-1])
            padded = np.concatenate([np.zeros(3), coefficients[FIXED_COLUMNS:], np.zeros(3)])
            total[inside] += BSpline(_padded(self.knots), padded, 3)(grid[inside])
        return total

    def transform(self, frequency: Array) -> Complex:
        """Return (frequency, column) the transform of each column's line spread (0 for the level).

        For a spline that vanishes at both ends it is 2 pi i nu times its own transform, taken by Gauss-Legendre
        quadrature on every knot interval.
        """
        node, weight = np.polynomial.legendre.leggauss(5)
        half = 0.5 * np.diff(self.knots)
        points = (0.5 * (self.knots[1:] + self.knots[:-1])[:, None] + half[:, None] * node).ravel()
        weights = (half[:, None] * weight).ravel()
        splines = vanishing_splines(points, self.knots)
        matrix = np.zeros((frequency.size, FIXED_COLUMNS + splines.shape[1]), dtype=np.complex128)
        for column, value in enumerate(_reference_mtf(frequency, self.cutoff_px, self.variance_px2, self.tilt)):
            matrix[:, 1 + column] = value
        for first in range(0, frequency.size, 8):  # small products: BLAS must not start threads for them
            nu = frequency[first : first + 8, None]
            kernel = 2j * np.pi * nu * np.exp(-2j * np.pi * nu * points) * weights
            matrix[first : first + 8, FIXED_COLUMNS:] = kernel @ splines
        return matrix


def _reference_mtf(frequency: Array, cutoff_px: float, variance_px2: float, tilt: float) -> tuple[Array, Array, Array]:
    """Return the reference MTF and its derivatives by q and by s."""
    pixel = np.sinc(frequency * math.cos(tilt)) * np.sinc(frequency * math.sin(tilt))
    blur = pixel * np.exp(-2.0 * math.pi**2 * variance_px2 * frequency**2)
    s = np.clip(cutoff_px * frequency, 0.0, 1.0)
    value = diffraction_mtf(s) * blur
    by_q = -4.0 / math.pi * np.sqrt(1.0 - s * s) * frequency * blur
    by_s = -2.0 * math.pi**2 * frequency**2 * value
    return value, by_q, by_s


@lru_cache(maxsize=8)  # the last steps of one edge's fit share one reference
def _reference_spreads(cutoff_px: float, variance_px2: float, tilt: float) -> tuple[Array, Array]:
    size = _PERIOD_PX * _STEPS_PER_PX
    stop = int(min(size // 2, math.ceil(_PERIOD_PX / cutoff_px) + 1))
    values = _reference_mtf(np.arange(stop + 1) / _PERIOD_PX, cutoff_px, variance_px2, tilt)
    d = (np.arange(size) - size // 2) / _STEPS_PER_PX
    spectrum = np.zeros((3, size // 2 + 1), dtype=np.complex128)
    order = np.arange(1, stop + 1)
    for row, value in enumerate(values):
        # sine series of the integral of a periodic line spread: sum over k of M_k sin(2 pi k d / period) / (pi k)
        spectrum[row, 1 : stop + 1] = -1j * value[1:] / (2.0 * math.pi * order) * size
    series = np.fft.fftshift(np.fft.irfft(spectrum, n=size, axis=1), axes=1)
    series[0] += 0.5 + d / _PERIOD_PX
    d.flags.writeable = series.flags.writeable = False
    return d, series


def core_knots(core_px: float, blur_px: float) -> Array:
    """Return knots from -core to core: even around the edge, growing with the distance from it."""
    finest = max(_SMALLEST_KNOT_PX, blur_px / _KNOTS_PER_RISE)
    edges = [0.0]
    while edges[-1] < core_px:
        edges.append(edges[-1] + max(finest, _KNOT_GROWTH * edges[-1]))
    half = np.array(edges) * (core_px / edges[-1])
    return np.concatenate([-half[:0:-1], half])


def vanishing_splines(d: Array, knots: Array) -> Array:
    """Return (sample, knots - 4) cubic B-splines whose support lies inside `knots`, at `d` within the knots."""
    matrix: Array = BSpline.design_matrix(d, _padded(knots), 3).toarray()[:, 3:-3]
    return matrix


def _padded(knots: Array) -> Array:
    """Return the knots with three more on either side: the splines that reach over the ends can then be left out."""
    first, last = knots[1] - knots[0], knots[-1] - knots[-2]
    beyond = np.arange(1.0, 4.0)
    return np.concatenate([knots[0] - first * beyond[::-1], knots, knots[-1] + last * beyond])


def spline_centres(knots: Array) -> Array:
    """Return where each of the vanishing splines peaks [px]."""
    return np.convolve(knots, np.full(3, 1.0 / 3.0), mode="valid")[1:-1]
