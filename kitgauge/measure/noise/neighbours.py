"""What neighbouring samples of a pair of flats have to do with one another: correlation, fixed pattern,
texture."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.noise.tiles import TileGrid

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
            self._products[0, which] += _product_along_rows(rest, lag)
            self._products[1, which] += float(np.vdot(rest[:-lag], rest[lag:]))
            self._pairs[:, which] += (rest[:, lag:].size, rest[lag:].size)
        # A + r B = 2 A - D: fixed pattern twice, the noise of D once; steps between neighbours hold next to
        # no shading
        total = 2.0 * first - difference
        _without_hot_samples(total)
        near, own_near = _column_squares(total, 1), restore * _column_squares(rest, 1)
        self._sum_steps += float(near.sum())
        self._difference_steps += float(own_near.sum())
        far = _column_squares(total, _LAG) - restore * _column_squares(rest, _LAG)
        columns = cv2.reduce(total, 0, cv2.REDUCE_SUM, dtype=cv2.CV_64F)[0]
        slope = self._tile_means((columns[_LAG:] - columns[:-_LAG]) / len(total))
        # Pattern that differs from sample to sample (photo-response) is in both steps alike: what the far one has
        # more is structure. (2 A)^2 and two samples per step: a factor 8; the mean step of a tile is shading.
        structure = self._tile_means(far / len(total)) - slope**2 - self._tile_means((near - own_near) / len(total))
        self._texture.append(structure / 8.0)

    def _tile_means(self, column_means: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return (tile column,) means of column means of steps; the last tile has fewer columns of them."""
        means = np.zeros(self._columns)
        means[: column_means.size] = column_means
        inside = np.minimum(self._grid.columns[1:], column_means.size) - self._grid.columns[:-1]
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

        With T the variance of A + r B from sample to sample and v that of D, the mean of n squared steps scatters
        by T sqrt(12 / n), the two kinds of steps of sum and difference together by (T + v) sqrt(24 / n), an eighth
        of it is 0.6 (T + v) / sqrt(n): significant above 3.5 of these.
        """
        variance = np.array(self._texture)
        noise = self._square / self._samples
        white = noise + 4.0 * max(self.fixed_variance(), 0.0)
        pairs = self._pairs[0, 1] / max(1, variance.size)
        return np.sqrt(np.where(variance > 2.1 * (white + noise) / math.sqrt(pairs), variance, 0.0))


def _product_along_rows(values: NDArray[np.float32], lag: int) -> float:
    """Return the sum of products of samples `lag` apart in a row: of all in memory, less those from row to row."""
    flat = values.ravel()
    across_ends = np.vdot(values[:-1, -lag:], values[1:, :lag])
    return float(np.vdot(flat[:-lag], flat[lag:])) - float(across_ends)


def _column_squares(values: NDArray[np.float32], lag: int) -> NDArray[np.float64]:
    """Return (column,) sums of the squared steps over `lag` samples along the rows."""
    steps = values[:, lag:] - values[:, :-lag]
    return np.asarray(cv2.reduce(steps, 0, cv2.REDUCE_SUM2, dtype=cv2.CV_64F)[0], dtype=np.float64)


def _without_hot_samples(values: NDArray[np.float32]) -> None:
    """Replace samples far from the median of their 3 x 3 neighbourhood by it, in place; edges are left
    alone."""
    middle = cv2.medianBlur(values, 3)
    away = np.abs(values - middle)
    # mean absolute departure of a Gaussian is 0.8 of its standard deviation; hot samples only widen the cut
    hot = away > _HOT_SIGMAS * max(1.25 * float(away.mean()), 0.5)
    if hot.any():
        values[hot] = middle[hot]
