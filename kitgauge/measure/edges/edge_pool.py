"""Means of an edge's samples in bins across it, and look-ups in curves on an even grid."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_FINEST_PX = 1.0 / 16.0
_FINE_ENOUGH = 3.0  # a 10-90 % distance [px] from which bins twice as wide serve


@dataclass(frozen=True)
class Pool:
    """Mean distance [px], mean value [DN], number, and sum of squares about the mean [DN^2] of each bin's samples.

    `width_px` is the width of the bins around the edge, for which the transform of what is fitted is corrected.
    """

    centre: Array
    mean: Array
    count: Array
    square: Array
    width_px: float


def pool_samples(d: Array, value: Array, blur_px: float) -> Pool:
    """Pool samples at distances `d` [px] of an edge of 10-90 % distance `blur_px`: finely there, coarsely far out.

    Far out the spread bends so little that its value at the mean distance is its mean.
    """
    width = _FINEST_PX if blur_px < _FINE_ENOUGH else 2.0 * _FINEST_PX
    per_px = round(1.0 / width)
    low = math.floor(float(d.min()))
    # truncation is the floor of what is positive, and much faster
    fine = ((d - low) * per_px).astype(np.intp)
    place = np.arange(int(fine.max()) + 1)
    distance = np.abs((place + 0.5) / per_px + low)
    core = 3.0 + 1.5 * blur_px
    step = np.where(distance < core, 1, np.where(distance < 2.0 * core, per_px // 4, per_px))
    first = place // step * step
    table = np.cumsum(np.diff(first, prepend=first[0]) != 0)
    index = table[fine]
    count = np.bincount(index)
    good = count > 0
    n = count[good].astype(np.float64)
    mean = np.bincount(index, value)[good] / n
    square = np.maximum(np.bincount(index, value * value)[good] - n * mean * mean, 0.0)
    return Pool(np.bincount(index, d)[good] / n, mean, n, square, width)


def look_up(grid: Array, values: Array, d: Array) -> Array:
    """Return `values` on the even `grid` at `d`, by straight lines; beyond the grid its end values."""
    place = (d - grid[0]) * ((grid.size - 1) / (grid[-1] - grid[0]))
    np.maximum(place, 0.0, out=place)
    np.minimum(place, grid.size - 1.000001, out=place)
    index = place.astype(np.intp)
    place -= index
    low = values[index]
    return np.asarray(low + place * (values[index + 1] - low))


def middle(values: Array) -> float:
    """Return the median (the upper of the two middle values of an even number), NaN of nothing."""
    if values.size == 0:
        return math.nan
    half = values.size // 2
    return float(np.partition(values, half)[half])
