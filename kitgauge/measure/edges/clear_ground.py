"""How far the ground on both sides of an edge stays clear, seen in a sharp frame.

The search for edges looks as far as sharpness needs. Streaks of 40 px need more: the kernel's reach on both
sides, twice, because the next structure is smeared towards the edge as well. Here each side is followed
outward until the samples leave the plateau or differ along the edge.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.edge_candidate import EdgeCandidate

FARTHEST_PX = 120.0
_BIN_PX = 3.0
_PARTS = 4  # along the edge: a structure beside one end shows in one part only
_LARGEST_STEP = 0.04  # of the contrast, from the plateau next to the edge: light fall-off stays under it
_GUARD_PX = 4.0


def widen_edges(
    signal: NDArray[np.float32],
    mask: NDArray[np.bool_],
    candidates: Sequence[EdgeCandidate],
    farthest_px: float = FARTHEST_PX,
) -> tuple[EdgeCandidate, ...]:
    """Return the candidates with their free widths followed outward to at most `farthest_px`.

    `signal` (row, column) [DN, black subtracted] of a sharp frame in which the candidates were found, `mask`
    (row, column) True where a sample has the measured colour. Widths never shrink.
    """
    return tuple(_widened(signal, mask, candidate, farthest_px) for candidate in candidates)


def _widened(
    signal: NDArray[np.float32], mask: NDArray[np.bool_], edge: EdgeCandidate, farthest_px: float
) -> EdgeCandidate:
    rows, columns = signal.shape
    length = edge.length_px
    along = ((edge.x1 - edge.x0) / length, (edge.y1 - edge.y0) / length)
    extent_x = abs(along[0]) * 0.5 * length + abs(edge.normal_x) * farthest_px
    extent_y = abs(along[1]) * 0.5 * length + abs(edge.normal_y) * farthest_px
    left, right = max(0, math.floor(edge.x_px - extent_x)), min(columns, math.ceil(edge.x_px + extent_x) + 1)
    top, bottom = max(0, math.floor(edge.y_px - extent_y)), min(rows, math.ceil(edge.y_px + extent_y) + 1)
    row, column = np.nonzero(mask[top:bottom, left:right])
    dx, dy = column + (left - edge.x_px), row + (top - edge.y_px)
    u = (dx * along[0] + dy * along[1]) / length + 0.5
    v = dx * edge.normal_x + dy * edge.normal_y
    inside = (u >= 0.0) & (u < 1.0) & (np.abs(v) < farthest_px)
    value = signal[top:bottom, left:right][row[inside], column[inside]].astype(np.float64)
    bins = math.ceil(farthest_px / _BIN_PX)
    part = np.minimum((u[inside] * _PARTS).astype(np.intp), _PARTS - 1)
    place = np.floor(v[inside] / _BIN_PX).astype(np.intp) + bins
    cell = place * _PARTS + part
    size = 2 * bins * _PARTS
    count = np.bincount(cell, minlength=size)[:size].reshape(2 * bins, _PARTS)
    total = np.bincount(cell, value, minlength=size)[:size].reshape(2 * bins, _PARTS)
    square = np.bincount(cell, value**2, minlength=size)[:size].reshape(2 * bins, _PARTS)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = total / count
        error = np.sqrt(np.maximum(square / count - mean**2, 0.0) / count)
    dark = _clear(mean[bins - 1 :: -1], error[bins - 1 :: -1], mean, bins, edge.half_width_dark_px)
    bright = _clear(mean[bins:], error[bins:], mean, bins, edge.half_width_bright_px)
    return replace(edge, half_width_dark_px=dark, half_width_bright_px=bright, half_width_px=min(dark, bright))


def _clear(
    mean: NDArray[np.float64],
    error: NDArray[np.float64],
    both: NDArray[np.float64],
    bins: int,
    known_px: float,
) -> float:
    """Return how far one side is clear: `mean` and `error` (bin outward, part), `both` the means of both
    sides."""
    first = max(1, int(known_px / _BIN_PX / 2))
    last = max(first + 1, int(known_px / _BIN_PX))
    plateau = np.nanmedian(mean[first:last], axis=0)
    near = max(2, int(known_px / _BIN_PX))
    contrast = float(np.nanmedian(both[bins + 1 : bins + near]) - np.nanmedian(both[bins - near : bins - 1]))
    if not contrast > 0:
        return known_px
    reached = known_px
    for index in range(last, mean.shape[0]):
        step = np.abs(mean[index] - plateau)
        # the step must be more than noise, and more than uneven light
        if not np.all(step < _LARGEST_STEP * contrast + 4.0 * error[index]):
            return max(known_px, reached - _GUARD_PX)
        reached = (index + 1) * _BIN_PX
    return max(known_px, reached)
