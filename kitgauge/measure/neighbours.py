"""What neighbouring samples of a pair of flats have to do with one another: correlation, fixed pattern,
texture."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.tiles import TileGrid

_LAG = 8  # samples between the two ends of a step across texture; correlation of noise does not reach as far
_HOT_SIGMAS = 6.0


class NeighbourSums:
    """Sums over neighbouring samples of one plane, gathered band by band."""

    def __init__(self, grid: TileGrid, columns: int) -> None:
        self._grid = grid
        self._columns = columns
        self._square = 0.0
        self._products = np.zeros((2, 2))  # (along row, along column) x (next, distant sample)
        self._pairs = np.zeros((2, 2))
        self._samples = 0
        self._sum_steps = self._difference_steps = 0.0
        self._texture: list[NDArray[np.float64]] = []

    def add(self, first: NDArray[np.float32], difference: NDArray[np.float32]) -> None:
        """Take one band.

        first : (row, column) samples of A; difference : the same of A - r B, row means and outliers taken
        away.
        """
        # columns' own noise would make neighbours in a row look related by chance
        rest = difference - difference.mean(axis=0, keepdims=True)
        restore = len(rest) / (len(rest) - 1)  # of the variance, what taking away column means has cost
        self._square += float(np.vdot(rest, rest))
        self._samples += rest.size
        for which, lag in enumerate((1, _LAG)):
            self._products[0, which] += float((rest[:, :-lag] * rest[:, lag:]).sum(dtype=np.float64))
            self._products[1, which] += float((rest[:-lag] * rest[lag:]).sum(dtype=np.float64))
            self._pairs[:, which] += (rest[:, lag:].size, rest[lag:].size)
        # A + r B = 2 A - D: fixed pattern twice, the noise of D once; steps between neighbours hold next to
        # no shading
        total = 2.0 * first - difference
        _without_hot_samples(total)
        self._sum_steps += float(np.square(total[:, 1:] - total[:, :-1]).sum(dtype=np.float64))
        own_steps = np.square(rest[:, 1:] - rest[:, :-1])
        self._difference_steps += restore * float(own_steps.sum(dtype=np.float64))
        far = total[:, _LAG:] - total[:, :-_LAG]
        noise = rest[:, _LAG:] - rest[:, :-_LAG]
        slope = self._tile_means(far)
        # (2 A)^2 and two samples per step: a factor 8; the mean step of a tile is shading
        self._texture.append((self._tile_means(far**2) - slope**2 - restore * self._tile_means(noise**2)) / 8.0)

    def _tile_means(self, steps: NDArray[np.float32]) -> NDArray[np.float64]:
        """Return (tile column,) means of (row, column) steps; the last tile has fewer columns of them."""
        means = np.zeros(self._columns)
        means[: steps.shape[1]] = steps.mean(axis=0)
        inside = np.minimum(self._grid.columns[1:], steps.shape[1]) - self._grid.columns[:-1]
        return np.asarray(np.add.reduceat(means, self._grid.columns[:-1]) / inside)

    def correlations(self) -> tuple[float, float]:
        """Correlation of neighbours along rows and along columns, NaN where nothing varies.

        What distant samples share (light that moved, offsets of rows and columns) is taken off both the
        product of neighbours and the variance.
        """
        next_to, distant = (self._products / self._pairs).T
        variance = self._square / self._samples - distant
        if not variance.min() > 0:
            return math.nan, math.nan
        along_row, along_column = (next_to - distant) / variance
        return float(along_row), float(along_column)

    def stderr(self) -> float:
        """Standard error of a correlation of white noise: sqrt(1/pairs) of each of the two products."""
        return math.sqrt(float((1.0 / self._pairs[1]).sum()))

    def fixed_variance(self) -> float:
        """Variance of the fixed pattern of A [DN^2]; below 0 by chance where there is none."""
        return float((self._sum_steps - self._difference_steps) / self._pairs[0, 0] / 8.0)

    def texture(self) -> NDArray[np.float64]:
        """Standard deviation of A's structure [DN] per (band looked at, tile column), 0 where not
        significant.

        With noise of variance v in D and n pairs in a tile, the mean of (sum's step)^2 - (difference's
        step)^2 scatters by 4 v / sqrt(n), an eighth of it is v / (2 sqrt(n)): significant above 4 of these.
        """
        variance = np.array(self._texture)
        noise = self._square / self._samples
        pairs = self._pairs[0, 1] / max(1, variance.size)
        return np.sqrt(np.where(variance > 2.0 * noise / math.sqrt(pairs), variance, 0.0))


def _without_hot_samples(values: NDArray[np.float32]) -> None:
    """Replace samples far from the median of their 3 x 3 neighbourhood by it, in place; edges are left
    alone."""
    middle = cv2.medianBlur(values, 3)
    away = np.abs(values - middle)
    # mean absolute departure of a Gaussian is 0.8 of its standard deviation; hot samples only widen the cut
    hot = away > _HOT_SIGMAS * max(1.25 * float(away.mean()), 0.5)
    if hot.any():
        values[hot] = middle[hot]
