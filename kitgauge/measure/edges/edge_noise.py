"""The noise of an edge's samples: by side, by the raggedness of the print, and what goes together along the edge."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.edge_fit import EdgeFit
from kitgauge.measure.edges.edge_pool import Pool, look_up, middle

Array = NDArray[np.float64]

_OUTLIER_SIGMA = 6.0
_SMALLEST_NOISE_DN = 0.01  # keeps noise-free synthetic frames solvable
_PIECES = 24  # of an edge, for what goes together along it
_SIGNIFICANT = 2.0


@dataclass(frozen=True)
class EdgeNoise:
    """Noise of one sample [DN] on the dark and the bright side; the raggedness of the printed edge [px] adds to it."""

    dark: float
    bright: float
    ragged_px: float = 0.0

    def variance(self, share: Array, slope: Array) -> Array:
        """Return the variance [DN^2] at `share` of the contrast, where the spread has `slope` [DN/px]."""
        square = self.dark**2
        total = square + (self.bright**2 - square) * np.minimum(np.maximum(share, 0.0), 1.0)
        return np.asarray(total + (self.ragged_px * slope) ** 2)


def judge_samples(
    value: Array, d: Array, fit: EdgeFit, reach: float, noise: EdgeNoise
) -> tuple[EdgeNoise, NDArray[np.bool_]]:
    """Return the noise of the samples beside the edge, and which samples are no outliers."""
    residual = value / (1.0 + fit.gradient * d) - look_up(fit.grid, fit.curve, d)
    near = np.abs(d) < 2.0 + 1.5 * fit.rise_px
    limit = np.where(d < 0, noise.dark**2, noise.bright**2)
    slope = look_up(fit.grid, fit.slope, d[near])
    limit[near] = noise.variance(fit.share(d[near]), slope)
    limit = _OUTLIER_SIGMA * np.sqrt(limit)
    # while the splines are left out, the misfit of the reference must not pass for outliers
    limit[near] += 0.2 * slope if fit.prior else 0.25 * fit.contrast
    keep = np.abs(residual) < limit
    aside = min(1.5 + 1.2 * fit.rise_px, 0.5 * reach)
    sides = [np.flatnonzero(keep & (d < -aside)), np.flatnonzero(keep & (d > aside))]
    dark, bright = (_spread_of(residual[s], n) for s, n in zip(sides, (noise.dark, noise.bright), strict=True))
    return replace(noise, dark=dark, bright=bright), keep


def alike(contribution: Array, along: Array, spent: int) -> float:
    """Return how much more pieces of the edge scatter together than independent samples would; 1 if not significantly.

    `contribution` is what each sample's residual adds to an estimate, `along` its place along the edge (-1 to 1),
    `spent` the degrees of freedom along the edge that were fitted. Real print is ragged and blotched over many samples,
    and at a small tilt each distance from the edge is seen in one or two places only. (The sum over pieces of squared
    sums is the cluster form of the sandwich estimator of variance: Liang and Zeger, Biometrika 73 (1986) 13.)
    """
    piece = np.minimum(((along + 1.0) * (0.5 * _PIECES)).astype(np.intp), _PIECES - 1)
    alone = float(np.sum(contribution**2))
    freedom = _PIECES - spent
    if not alone > 0:
        return 1.0
    ratio = float(np.sum(np.bincount(piece, contribution) ** 2)) / alone * _PIECES / freedom
    return ratio if ratio > 1.0 + _SIGNIFICANT * math.sqrt(2.0 / freedom) else 1.0


def first_scatter(value: Array, level: float) -> float:
    """Return a robust standard deviation of samples about `level`, 2 % of it where there are too few."""
    if value.size < 80:
        return max(0.02 * abs(level), _SMALLEST_NOISE_DN)
    return max(1.4826 * middle(np.abs(value[::4] - level)), _SMALLEST_NOISE_DN)


def _spread_of(residual: Array, fallback: float) -> float:
    """Return the standard deviation of residuals after one pass of 4-sigma clipping."""
    if residual.size < 20:
        return fallback
    inside = residual[np.abs(residual - residual.mean()) <= 4.0 * float(residual.std())]
    return max(float(inside.std()), _SMALLEST_NOISE_DN)


def raggedness_px(pool: Pool, fit: EdgeFit, noise: EdgeNoise) -> float:
    """Return the standard deviation [px] of the edge's place within bins beyond noise: ragged print, unlike samples."""
    core = (np.abs(pool.centre) < 1.0 + fit.rise_px) & (pool.count > 1)
    slope = look_up(fit.grid, fit.slope, pool.centre[core])
    freedom = pool.count[core] - 1.0
    expected = replace(noise, ragged_px=0.0).variance(fit.share(pool.centre[core]), slope)
    expected = expected + slope**2 * pool.width_px**2 / 12.0
    excess = float(np.sum((pool.square[core] - freedom * expected) * slope**2))
    return math.sqrt(max(excess / float(np.sum(freedom * slope**4)), 0.0))
