"""The samples around one edge, and a first look across it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.edge_candidate import EdgeCandidate
from kitgauge.measure.edges.edge_pool import middle

Array = NDArray[np.float64]


@dataclass(frozen=True)
class EdgeSamples:
    """Samples around one edge: place along (`u`) and across (`v`, dark to bright) its line [px], value [DN]."""

    u: Array
    v: Array
    value: Array
    saturated_bright: float
    saturated_dark: float


def gather_samples(
    signal: NDArray[np.float32],
    mask: NDArray[np.bool_],
    saturated: NDArray[np.bool_],
    candidate: EdgeCandidate,
    window_px: float,
) -> EdgeSamples:
    """Return the masked samples within the candidate's length and within `window_px` (or its free width) of its line.

    `signal` (row, column) [DN], `mask` and `saturated` (row, column) bool of the same shape.
    """
    rows, columns = signal.shape
    length = candidate.length_px
    along_x, along_y = (candidate.x1 - candidate.x0) / length, (candidate.y1 - candidate.y0) / length
    dark = min(window_px, candidate.half_width_dark_px)
    bright = min(window_px, candidate.half_width_bright_px)
    corners_x = [x + w * candidate.normal_x for x in (candidate.x0, candidate.x1) for w in (-dark, bright)]
    corners_y = [y + w * candidate.normal_y for y in (candidate.y0, candidate.y1) for w in (-dark, bright)]
    left, right = max(0, math.floor(min(corners_x))), min(columns, math.ceil(max(corners_x)) + 1)
    top, bottom = max(0, math.floor(min(corners_y))), min(rows, math.ceil(max(corners_y)) + 1)
    window = mask[top:bottom, left:right]
    row, column = np.nonzero(window)
    dx = column + (left - candidate.x_px)
    dy = row + (top - candidate.y_px)
    u = dx * along_x + dy * along_y
    v = dx * candidate.normal_x + dy * candidate.normal_y
    inside = (np.abs(u) <= 0.5 * length) & (v >= -dark) & (v <= bright)
    u, v = u[inside], v[inside]
    row, column = row[inside] + top, column[inside] + left
    value = signal[row, column].astype(np.float64)
    full = saturated[row, column]
    on_bright = v > 0
    bright_count = int(np.count_nonzero(on_bright))
    dark_count = v.size - bright_count
    full_bright = int(np.count_nonzero(full & on_bright))
    full_dark = int(np.count_nonzero(full)) - full_bright
    return EdgeSamples(
        u=u,
        v=v,
        value=value,
        saturated_bright=full_bright / max(bright_count, 1),
        saturated_dark=full_dark / max(dark_count, 1),
    )


def rough_profile(v: Array, value: Array) -> tuple[float, float, float, float]:
    """Return (dark level, bright level, half-level position, 10-90 % distance) from one-pixel means [DN, px].

    `v` [px] are places across the edge, `value` [DN] the samples. Position and distance are NaN where no edge is seen.
    """
    low = math.floor(float(v.min()))
    index = (v - low).astype(np.intp)
    count = np.bincount(index)
    mean = np.bincount(index, value) / np.maximum(count, 1)
    centre = np.arange(count.size) + low + 0.5
    good = count > 0
    mean, centre = mean[good], centre[good]
    quarter = max(2, mean.size // 6)
    dark, bright = middle(mean[:quarter]), middle(mean[-quarter:])
    if not bright > dark:
        return dark, bright, math.nan, math.nan
    # the light may fall across the edge: straight lines through the outer halves of both sides
    side = max(4, int(0.3 * mean.size))
    low_line = _straight(centre[:side], mean[:side], centre)
    high_line = _straight(centre[-side:], mean[-side:], centre)
    rise = high_line - low_line
    lines_serve = rise.min() > 0.3 * (bright - dark)
    share = (mean - low_line) / rise if lines_serve else (mean - dark) / (bright - dark)

    def crossing(level: float) -> float:
        below = share < level
        steps = np.nonzero(below[:-1] & ~below[1:])[0]
        if steps.size == 0:
            return math.nan
        middle = 0.5 * (centre[0] + centre[-1])
        step = int(steps[np.argmin(np.abs(centre[steps] - middle))])
        part = (level - share[step]) / (share[step + 1] - share[step])
        return float(centre[step] + part * (centre[step + 1] - centre[step]))

    half = crossing(0.5)
    width = crossing(0.9) - crossing(0.1)
    return dark, bright, half, width if width > 0 else math.nan


def _straight(x: NDArray[np.floating], y: Array, at: NDArray[np.floating]) -> Array:
    """Return the least-squares line through (x, y) at the places `at`."""
    from_middle = x - x.mean()
    slope = float(from_middle @ y) / float(from_middle @ from_middle)
    return np.asarray(y.mean() + slope * (at - x.mean()))
