"""The samples around one edge, and a first look across it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edge_candidate import EdgeCandidate

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
    # in the order of distance: later look-ups along the edge spread are several times faster
    order = np.flatnonzero(inside)
    order = order[np.argsort(v[order])]
    u, v = u[order], v[order]
    value = signal[top:bottom, left:right][window][order].astype(np.float64)
    full = saturated[top:bottom, left:right][window][order]
    on_bright = v > 0
    return EdgeSamples(
        u=u,
        v=v,
        value=value,
        saturated_bright=float(full[on_bright].mean()) if on_bright.any() else 0.0,
        saturated_dark=float(full[~on_bright].mean()) if (~on_bright).any() else 0.0,
    )


def rough_profile(samples: EdgeSamples) -> tuple[float, float, float, float]:
    """Return (dark level, bright level, half-level position, 10-90 % distance) from one-pixel means [DN, px].

    Position and distance are NaN where no edge is seen.
    """
    low = math.floor(float(samples.v.min()))
    index = np.floor(samples.v).astype(np.intp) - low
    count = np.bincount(index)
    mean = np.bincount(index, samples.value) / np.maximum(count, 1)
    centre = np.arange(count.size) + low + 0.5
    good = count > 0
    mean, centre = mean[good], centre[good]
    quarter = max(2, mean.size // 6)
    dark, bright = float(np.median(mean[:quarter])), float(np.median(mean[-quarter:]))
    if not bright > dark:
        return dark, bright, math.nan, math.nan
    # the light may fall across the edge: straight lines through the outer halves of both sides
    side = max(4, int(0.3 * mean.size))
    low_line = np.polynomial.Polynomial.fit(centre[:side], mean[:side], 1)(centre)
    high_line = np.polynomial.Polynomial.fit(centre[-side:], mean[-side:], 1)(centre)
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
