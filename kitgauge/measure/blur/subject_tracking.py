"""The edges of a target at rest found again on a subject that moved far and turned.

Where the markers of the printed target are seen in both frames, they tell where every edge went: the homographies of
the sheet in the two frames carry the edges over, perspective and all. Blur hides markers long before it hides the
target: then the pattern of the edges itself is searched over the whole frame and over turns, as `edge_tracking` does
for small moves. Either way `follow_edges` then finds the edges to a fraction of a pixel, starting from there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.blur.edge_tracking import FollowedEdges, follow_edges
from kitgauge.measure.edges.edge_candidate import EdgeCandidate
from kitgauge.measure.edges.edge_template import Move, find_displacement
from kitgauge.measure.edges.target_pose import SheetSeen

Array = NDArray[np.float64]

_LEAST_MARKERS = 3  # corners of fewer do not hold a sheet's perspective
_TURNS_DEG = (0.0, -7.0, 7.0, -14.0, 14.0, -21.0, 21.0)
_LARGEST_SHIFT = 0.45  # of the frame
_CLEAR_MATCH = 0.75  # with this share of the contrast at the first look no other turn is looked at
_LARGEST_SCALE = 1.5


@dataclass(frozen=True)
class FollowedSubject:
    """The edges in this frame, the sheets seen in it, whether markers told the place, and the whole move.

    `shift_x_px`, `shift_y_px`: of the mean of the edges' middles; `turn_deg` of their lines (x towards y).
    """

    edges: FollowedEdges
    by_markers: bool
    shift_x_px: float
    shift_y_px: float
    turn_deg: float


def follow_subject(
    signal: NDArray[np.float32],
    mask: NDArray[np.bool_],
    saturated: NDArray[np.bool_],
    reference: Sequence[EdgeCandidate],
    sheets_at_rest: Sequence[SheetSeen] = (),
    sheets: Sequence[SheetSeen] = (),
) -> FollowedSubject:
    """Return the `reference` edges of the frame at rest in another frame of the same size.

    Arrays as for `follow_edges`; `sheets_at_rest`, `sheets`: the printed target's sheets seen in the two frames.
    Without a sheet common to both, shifts up to 45 % of the frame and turns up to about 25 degrees are found.
    """
    carried = _by_markers(reference, sheets_at_rest, sheets)
    by_markers = carried is not None
    if carried is None:
        carried = _by_pattern(signal, mask, reference)
    followed = follow_edges(signal, mask, saturated, carried)
    return FollowedSubject(followed, by_markers, *_whole_move(reference, followed.candidates))


def px_per_mm(sheets: Sequence[SheetSeen]) -> float:
    """Return the scale of the largest sheet seen by enough markers [px per mm of the target], NaN without any."""
    good = [sheet.px_per_mm for sheet in sheets if sheet.markers >= _LEAST_MARKERS]
    return max(good, default=math.nan)


def _by_markers(
    reference: Sequence[EdgeCandidate], at_rest: Sequence[SheetSeen], now: Sequence[SheetSeen]
) -> list[EdgeCandidate] | None:
    known = {sheet.sheet: sheet for sheet in reversed(at_rest) if sheet.markers >= _LEAST_MARKERS}
    pairs = [(known[sheet.sheet], sheet) for sheet in now if sheet.sheet in known and sheet.markers >= _LEAST_MARKERS]
    if not pairs:
        return None
    before, after = max(pairs, key=lambda pair: pair[1].markers)
    matrix = np.array(after.homography) @ np.linalg.inv(np.array(before.homography))
    scale = after.px_per_mm / before.px_per_mm
    if not 1.0 / _LARGEST_SCALE < scale < _LARGEST_SCALE:
        return None
    return [_carried(edge, matrix, scale) for edge in reference]


def _carried(edge: EdgeCandidate, matrix: Array, scale: float) -> EdgeCandidate:
    """Return an edge where a homography takes its ends; the bright side stays on the same side of its way."""
    ends = np.array([[edge.x0, edge.y0, 1.0], [edge.x1, edge.y1, 1.0]]) @ matrix.T
    (x0, y0), (x1, y1) = (ends[:, :2] / ends[:, 2:]).tolist()
    length = math.hypot(x1 - x0, y1 - y0)
    normal = (-(y1 - y0) / length, (x1 - x0) / length)
    side = -(edge.y1 - edge.y0) * edge.normal_x + (edge.x1 - edge.x0) * edge.normal_y
    sign = 1.0 if side > 0 else -1.0
    return replace(
        edge,
        x0=x0,
        y0=y0,
        x1=x1,
        y1=y1,
        normal_x=sign * normal[0],
        normal_y=sign * normal[1],
        half_width_px=scale * edge.half_width_px,
        half_width_dark_px=scale * edge.half_width_dark_px,
        half_width_bright_px=scale * edge.half_width_bright_px,
    )


def _by_pattern(
    signal: NDArray[np.float32], mask: NDArray[np.bool_], reference: Sequence[EdgeCandidate]
) -> list[EdgeCandidate]:
    """Return the edges moved as a whole to where their pattern matches best over the frame and over turns."""
    x, y = (float(np.mean([getattr(edge, name) for edge in reference])) for name in ("x_px", "y_px"))
    best: tuple[float, list[EdgeCandidate]] = (-math.inf, list(reference))
    for turn in _TURNS_DEG:
        turned = [Move(x, y, turn=math.radians(turn)).edge(edge) for edge in reference]
        move, share = find_displacement(signal, mask, turned, largest_shift=_LARGEST_SHIFT)
        if share > best[0]:
            best = (share, [move.edge(edge) for edge in turned])
        if share > _CLEAR_MATCH:
            break
    return best[1]


def _whole_move(reference: Sequence[EdgeCandidate], found: Sequence[EdgeCandidate]) -> tuple[float, float, float]:
    """Return mean shift [px] in x and y and mean turn [degrees] of the edges found, NaN without any."""
    known = {(edge.group, edge.side, edge.orientation): edge for edge in reference}
    pairs = [(known[key], edge) for edge in found if (key := (edge.group, edge.side, edge.orientation)) in known]
    if not pairs:
        return math.nan, math.nan, math.nan
    shift_x = float(np.mean([edge.x_px - old.x_px for old, edge in pairs]))
    shift_y = float(np.mean([edge.y_px - old.y_px for old, edge in pairs]))
    cross = sum(old.normal_x * edge.normal_y - old.normal_y * edge.normal_x for old, edge in pairs)
    along = sum(old.normal_x * edge.normal_x + old.normal_y * edge.normal_y for old, edge in pairs)
    return shift_x, shift_y, math.degrees(math.atan2(cross, along))
