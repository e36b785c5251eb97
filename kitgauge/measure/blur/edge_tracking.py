"""The reference edges found again in another frame: moved, slightly turned, perhaps heavily blurred.

The handheld frame shows the same target somewhere else. Searching it for edges from scratch fails just where
blur is long, so the edges of the tripod frame are carried over: a template made of them (a strip on each
bright side minus one on each dark side) is correlated with the logarithm of a reduced picture, which gives
the displacement whatever the blur and the exposure; then a shift, a turn and a scale are fitted to where the
profiles across each edge have their centroid, which motion moves as a whole; last, each edge follows its own
profile. Blur also eats the free ground around an edge: the segments are shortened by the blur along them, the
windows by that across.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.edge_candidate import EdgeCandidate, RefusedEdge
from kitgauge.measure.edges.edge_profile import shifted_line
from kitgauge.measure.edges.edge_template import Move, expected_log_contrast, find_displacement

Array = NDArray[np.float64]

_REACH_PX = 90.0
_ROUNDS = 3
_ENOUGH_EDGES = 16
_LEAST_LENGTH_PX = 14.0
_LEAST_PLATEAU_PX = 6.0  # between the blurred edge and the border of the frame
_LEAST_BLUR_PX = 5.0  # less is within the coarseness of the profiles here, and within the room left at corners
_LEAST_SHARE = 0.4  # of an edge's length that must be left
_LEAST_MODULATION = 0.35  # of the log contrast that the reference shows
# With at least this match of the whole target, edges that have lost their contrast are blurred, not absent: they are
# handed on, to be counted as too blurred. Leaving out the shakiest frames would make everyone look steadier.
_LEAST_MATCH = 0.15
_LEAST_EDGES = 0.25  # with less than that match and fewer edges than this share, what is there is not the target
_BLUR_REACH = 0.9  # half the support of a motion over its 10-90 % distance: 0.63 uniform, 0.84 curved


class _HasCandidate(Protocol):
    @property
    def candidate(self) -> EdgeCandidate: ...


@dataclass(frozen=True)
class FollowedEdges:
    """Reference edges in another frame.

    `candidates` keep group, side and orientation of the reference; `refused` lists those not found, with the
    reason. A reference point p (x, y) lies at centre + scale R(turn) (p - centre) + shift in this frame, R
    turning x towards y. `blur_px`: 10-90 % distances across vertical and horizontal edges.
    """

    candidates: tuple[EdgeCandidate, ...]
    refused: tuple[RefusedEdge, ...]
    shift_x_px: float
    shift_y_px: float
    turn_deg: float
    scale: float
    blur_px: tuple[float, float]


def follow_edges(
    signal: NDArray[np.float32],
    mask: NDArray[np.bool_],
    saturated: NDArray[np.bool_],
    reference: Sequence[_HasCandidate] | Sequence[EdgeCandidate],
) -> FollowedEdges:
    """Return the reference edges as candidates in another frame of the same size.

    `signal` (row, column) [DN, black subtracted], `mask` (row, column) True where a sample has the measured
    colour, `saturated` (row, column) bool. `reference`: measurements (or candidates) of a tripod frame.
    Shifts up to 22 % of the frame and turns up to about 4 degrees are found. Nothing is raised: an edge that
    is not found is refused with flag "moved-target" (out of the frame), "no-edge" (nothing like it there) or
    "edge-clipped".
    """
    edges = [item if isinstance(item, EdgeCandidate) else item.candidate for item in reference]
    nothing = FollowedEdges((), (), math.nan, math.nan, math.nan, math.nan, (math.nan, math.nan))
    if not edges:
        return nothing
    move, share = find_displacement(signal, mask, edges)
    blur = (math.nan, math.nan)
    # The move needs a few edges only; an odd step takes all sides of the patches in turn.
    some = edges[:: len(edges) // _ENOUGH_EDGES | 1]
    for _ in range(_ROUNDS):
        lines, profiles, good = _look(signal, mask, saturated, some, move, blur)
        blur = _typical_blur(some, profiles, good)
        move = _refined(move, lines, profiles, good)
    lines, profiles, good = _look(signal, mask, saturated, edges, move, blur)
    blur = _typical_blur(edges, profiles, good)
    absent = share < _LEAST_MATCH and sum(good) < _LEAST_EDGES * len(edges)
    candidates, refused = [], []
    for moved, profile, ok in zip(lines, profiles, good, strict=True):
        if profile is None:
            refused.append(_refusal(moved, "moved-target", "lies out of this frame"))
        elif profile.fault:
            refused.append(_refusal(moved, "edge-clipped", "samples beside the edge are clipped"))
        elif absent or (not ok and share < _LEAST_MATCH):
            refused.append(_refusal(moved, "no-edge", "no such edge at its place in this frame"))
        else:
            across = blur[0] if moved.orientation == "vertical" else blur[1]
            final = _trimmed(_own_line(moved, profile), signal.shape, _known(across))
            if final is None:
                refused.append(_refusal(moved, "edge-short", "too little of the edge is left clear of blur or border"))
            else:
                candidates.append(final)
    return FollowedEdges(
        tuple(candidates), tuple(refused), move.shift_x, move.shift_y, math.degrees(move.turn), move.scale, blur
    )


def _look(
    signal: NDArray[np.float32],
    mask: NDArray[np.bool_],
    saturated: NDArray[np.bool_],
    edges: Sequence[EdgeCandidate],
    move: Move,
    blur: tuple[float, float],
) -> tuple[list[EdgeCandidate], list[_Profiles | None], list[bool]]:
    """Return where the moved edges lie, what is seen across them, and whether it is an edge like the reference's."""
    lines = [_shortened(move.edge(edge), blur) for edge in edges]
    profiles = [_edge_profiles(signal, mask, saturated, line) for line in lines]
    good = [
        seen is not None and not seen.fault and seen.log_contrast > _LEAST_MODULATION * expected_log_contrast(edge)
        for edge, seen in zip(edges, profiles, strict=True)
    ]
    return lines, profiles, good


def _typical_blur(
    edges: Sequence[EdgeCandidate], profiles: Sequence[_Profiles | None], good: Sequence[bool]
) -> tuple[float, float]:
    """Return the median extra 10-90 % distance [px] across vertical and across horizontal edges, NaN without any."""
    found = []
    for orientation in ("vertical", "horizontal"):
        widths = [
            math.sqrt(max(profile.width**2 - _known(edge.blur_px) ** 2, 0.0))
            for edge, profile, ok in zip(edges, profiles, good, strict=True)
            if ok and profile is not None and edge.orientation == orientation and math.isfinite(profile.width)
        ]
        found.append(float(np.median(widths)) if widths else math.nan)
    return found[0], found[1]


def _known(value: float) -> float:
    return value if math.isfinite(value) else 0.0


def _refusal(edge: EdgeCandidate, flag: str, text: str) -> RefusedEdge:
    return RefusedEdge(edge.x0, edge.y0, edge.x1, edge.y1, flag, text)


@dataclass(frozen=True)
class _Profiles:
    """Centroids of both halves of an edge across its line [px], its 10-90 % width, ln contrast, and a
    fault."""

    offsets: tuple[float, float]
    width: float
    log_contrast: float
    fault: bool


def _edge_profiles(
    signal: NDArray[np.float32], mask: NDArray[np.bool_], saturated: NDArray[np.bool_], edge: EdgeCandidate
) -> _Profiles | None:
    """Return what the samples across a predicted edge show, None where it is out of the frame."""
    rows, columns = signal.shape
    length = edge.length_px
    along = ((edge.x1 - edge.x0) / length, (edge.y1 - edge.y0) / length)
    reach = max(8.0, min(_REACH_PX, edge.half_width_px))
    half = 0.5 * length
    extent_x = abs(along[0]) * half + abs(edge.normal_x) * reach
    extent_y = abs(along[1]) * half + abs(edge.normal_y) * reach
    left, right = max(0, math.floor(edge.x_px - extent_x)), min(columns, math.ceil(edge.x_px + extent_x) + 1)
    top, bottom = max(0, math.floor(edge.y_px - extent_y)), min(rows, math.ceil(edge.y_px + extent_y) + 1)
    if right - left < 4 or bottom - top < 4:
        return None
    row, column = np.nonzero(mask[top:bottom, left:right])
    dx, dy = column + (left - edge.x_px), row + (top - edge.y_px)
    u = dx * along[0] + dy * along[1]
    v = dx * edge.normal_x + dy * edge.normal_y
    inside = (np.abs(u) <= half) & (np.abs(v) <= reach)
    # at least this share of the samples that the whole strip would have
    if np.count_nonzero(inside) < 0.5 * float(mask[top:bottom, left:right].mean()) * 2.0 * reach * length:
        return None
    value = signal[top:bottom, left:right][row[inside], column[inside]].astype(np.float64)
    full = float(np.mean(saturated[top:bottom, left:right][row[inside], column[inside]])) > 0.01
    u, v = u[inside], v[inside]
    centre, mean = _means(v, value)
    if centre.size < 8:
        return None
    edge_bins = max(2, centre.size // 8)
    dark, bright = float(np.median(mean[:edge_bins])), float(np.median(mean[-edge_bins:]))
    if not bright > dark:
        return _Profiles((math.nan, math.nan), math.nan, 0.0, full)
    contrast = math.log(bright / dark) if dark > 0 else math.inf
    level = np.convolve((mean - dark) / (bright - dark), np.ones(3) / 3.0, mode="same")[1:-1]
    inner = centre[1:-1]
    low, high = np.flatnonzero(level < 0.1), np.flatnonzero(level > 0.9)
    width = float(inner[high[0]] - inner[low[-1]]) if low.size and high.size else math.nan
    if not width > 0:
        width = float(inner[-1] - inner[0])
    offsets = tuple(_centroid(*_means(v[part], value[part]), dark, bright) for part in (u < 0, u >= 0))
    return _Profiles((offsets[0], offsets[1]), width, contrast, full)


def _means(v: Array, value: Array) -> tuple[Array, Array]:
    """Return one-pixel bin centres and means."""
    index = np.floor(v).astype(np.intp)
    low = int(index.min()) if index.size else 0
    count = np.bincount(index - low) if index.size else np.zeros(0, np.intp)
    filled = count > 0
    if not filled.any():
        return np.zeros(0), np.zeros(0)
    mean = np.bincount(index - low, value)[filled] / count[filled]
    return np.asarray(np.flatnonzero(filled) + low + 0.5, dtype=np.float64), np.asarray(mean, dtype=np.float64)


def _centroid(centre: Array, mean: Array, dark: float, bright: float) -> float:
    """Return the centroid of the line spread: the far end minus the area under the normalised profile."""
    if centre.size < 4:
        return math.nan
    level = (mean - dark) / (bright - dark)
    return float(centre[-1] - np.sum(0.5 * (level[1:] + level[:-1]) * np.diff(centre)))


def _refined(
    move: Move, lines: Sequence[EdgeCandidate], profiles: Sequence[_Profiles | None], good: Sequence[bool]
) -> Move:
    """Return the move corrected by the offsets seen across the edges (linearised; robust by reweighting)."""
    rows, values, weights = [], [], []
    for moved, profile, ok in zip(lines, profiles, good, strict=True):
        if profile is None or not ok:
            continue
        for part, centroid in zip((0.25, 0.75), profile.offsets, strict=True):
            if not math.isfinite(centroid):
                continue
            x = moved.x0 + part * (moved.x1 - moved.x0) - move.x - move.shift_x
            y = moved.y0 + part * (moved.y1 - moved.y0) - move.y - move.shift_y
            n = (moved.normal_x, moved.normal_y)
            rows.append([n[0], n[1], -n[0] * y + n[1] * x, n[0] * x + n[1] * y])
            values.append(centroid)
            weights.append(moved.length_px)
    if not rows:
        return move
    design, offset, weight = np.array(rows), np.array(values), np.array(weights)
    weight = weight / weight.max()
    # without edges in both directions, or far apart, the priors hold what the edges do not tell: [px, px, rad, 1]
    prior = np.diag(1.0 / np.array([30.0, 30.0, 0.03, 0.02]) ** 2)
    solution = np.zeros(4)
    robust = np.ones_like(offset)
    for _ in range(8):
        factor = weight * robust
        solution = np.linalg.solve(design.T @ (design * factor[:, None]) + prior, design.T @ (factor * offset))
        residual = np.abs(offset - design @ solution)
        robust = np.minimum(1.0, max(1.0, 2.0 * float(np.median(residual))) / np.maximum(residual, 1e-9))
    return replace(
        move,
        shift_x=move.shift_x + float(solution[0]),
        shift_y=move.shift_y + float(solution[1]),
        turn=move.turn + float(solution[2]),
        scale=move.scale * (1.0 + float(solution[3])),
    )


def _own_line(edge: EdgeCandidate, profile: _Profiles) -> EdgeCandidate:
    """Return the edge moved to where its own profiles lie (lens distortion moves edges by themselves)."""
    first, second = profile.offsets
    if not (math.isfinite(first) and math.isfinite(second)):
        return edge
    # the halves' centroids sit a quarter of the length from the ends
    start, end = 1.5 * first - 0.5 * second, 1.5 * second - 0.5 * first
    if max(abs(start), abs(end)) > 0.5 * edge.half_width_px:
        return edge
    return shifted_line(edge, start, end)


def _shortened(edge: EdgeCandidate, blur: tuple[float, float]) -> EdgeCandidate:
    """Return the edge without its ends, which blur along it mixes with what lies beyond the corners.

    Never shorter than what must be left: a frame that is too blurred has to be seen as such.
    """
    along = _known(blur[1] if edge.orientation == "vertical" else blur[0])
    if along <= _LEAST_BLUR_PX:
        return edge
    cut = min(_BLUR_REACH * along / edge.length_px, 0.5 * (1.0 - _LEAST_SHARE) - 1e-6)
    step_x, step_y = cut * (edge.x1 - edge.x0), cut * (edge.y1 - edge.y0)
    return replace(edge, x0=edge.x0 + step_x, y0=edge.y0 + step_y, x1=edge.x1 - step_x, y1=edge.y1 - step_y)


def _trimmed(edge: EdgeCandidate, shape: tuple[int, ...], across: float) -> EdgeCandidate | None:
    """Return the edge without the part beyond the frame, its windows without what blur smears in from beyond them.

    None where too little is left: of the length, or of clear ground between the blurred edge and the frame's border.
    """
    length = edge.length_px
    low, high = 0.0, 1.0
    rows, columns = shape[0], shape[1]
    for start, end, most in ((edge.x0, edge.x1, columns - 1.0), (edge.y0, edge.y1, rows - 1.0)):
        if end == start:
            if not 0.0 <= start <= most:
                return None
            continue
        first, last = sorted(((0.0 - start) / (end - start), (most - start) / (end - start)))
        low, high = max(low, first), min(high, last)
    if high - low < _LEAST_SHARE or (high - low) * length < _LEAST_LENGTH_PX:
        return None
    ends = [(edge.x0 + part * (edge.x1 - edge.x0), edge.y0 + part * (edge.y1 - edge.y0)) for part in (low, high)]
    eaten = _BLUR_REACH * across if across > _LEAST_BLUR_PX else 0.0
    free = []
    for sign, known in ((-1.0, edge.half_width_dark_px), (1.0, edge.half_width_bright_px)):
        border = min(
            ((most - at) / step if step > 0 else at / -step)
            for x, y in ends
            for at, step, most in ((x, sign * edge.normal_x, columns - 1.0), (y, sign * edge.normal_y, rows - 1.0))
            if step != 0.0
        )
        if border < known and border < eaten + _LEAST_PLATEAU_PX:
            return None
        free.append(max(known - eaten, 0.5 * known))
    return replace(
        edge,
        x0=ends[0][0], y0=ends[0][1], x1=ends[1][0], y1=ends[1][1],
        half_width_dark_px=free[0], half_width_bright_px=free[1], half_width_px=min(free), blur_px=math.nan,
    )  # fmt: skip
