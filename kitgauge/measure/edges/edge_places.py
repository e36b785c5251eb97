"""Which edges are the printed target's: names for those that lie where its markers foretell an edge."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.edge_strip import StripEdge
from kitgauge.measure.edges.search_picture import SearchPicture
from kitgauge.measure.edges.target_pose import ExpectedEdge, SheetSeen, expected_edges

Array = NDArray[np.float64]

LEAST_MARKERS = 4  # from here on a sheet's place is known well, and an edge elsewhere is not the target's
_LARGEST_RESIDUAL = 0.02  # of a sheet's larger side, in the frame
_NEAR = 0.06  # of an edge's length: how far beside its foretold place it may lie
_NEAR_ROUGH = 0.25  # the same for a sheet of which few markers were seen
_NEAR_PX = 4.0
_LARGEST_TURN = math.sin(math.radians(6.0))


@dataclass(frozen=True)
class Foretold:
    """The edges that the target's markers foretell, in pixels of the reduced picture.

    `lines` (edge, 4) x0, y0, x1, y1 with the bright side to the right of the way, as `StripEdge` has it; `slack`
    (edge,) how far beside it may lie; `sure` (edge,): its sheet's place is known well; `outlines` (sheet, 4, 2) the
    papers' corners.
    """

    edges: tuple[ExpectedEdge, ...]
    lines: Array
    slack: Array
    sure: NDArray[np.bool_]
    outlines: Array


def foretell(sheets: Sequence[SheetSeen], picture: SearchPicture) -> Foretold:
    """Return the edges that `sheets` have in the frame."""
    edges: list[ExpectedEdge] = []
    slack: list[float] = []
    outlines: list[Array] = []
    sure: list[bool] = []
    for sheet in sheets:
        well = sheet.markers >= LEAST_MARKERS and (
            sheet.residual_px < _LARGEST_RESIDUAL * sheet.px_per_mm * max(sheet.width_mm, sheet.height_mm)
        )
        for edge in expected_edges(sheet, picture.shape):
            edges.append(edge)
            sure.append(well)
            near = (_NEAR if well else _NEAR_ROUGH) * sheet.square_mm * sheet.px_per_mm
            slack.append(max(_NEAR_PX, near) / picture.block)
        width, height = sheet.width_mm, sheet.height_mm
        corners = np.array([(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)])
        outlines.append(np.array([picture.in_picture(x, y) for x, y in sheet.to_frame(corners).tolist()]))
    return Foretold(
        edges=tuple(edges),
        lines=np.array([_line(edge, picture) for edge in edges]).reshape(-1, 4),
        slack=np.array(slack),
        sure=np.array(sure, dtype=bool),
        outlines=np.array(outlines).reshape(-1, 4, 2),
    )


def _line(edge: ExpectedEdge, picture: SearchPicture) -> list[float]:
    ends = [*picture.in_picture(edge.x0, edge.y0), *picture.in_picture(edge.x1, edge.y1)]
    along_x, along_y = ends[2] - ends[0], ends[3] - ends[1]
    bright_ahead = -along_y * edge.normal_x + along_x * edge.normal_y > 0
    return ends if bright_ahead else [*ends[2:], *ends[:2]]


def place_of(edge: StripEdge, foretold: Foretold) -> int | None:
    """Return the index of the foretold edge that this is, None where it is none of them."""
    middle = 0.5 * (edge.start + edge.stop)
    x, y = edge.point(middle)
    x0, y0, x1, y1 = foretold.lines.T
    length = np.hypot(x1 - x0, y1 - y0)
    along_x, along_y = (x1 - x0) / length, (y1 - y0) / length
    turn = along_x * edge.along_y - along_y * edge.along_x
    same_way = along_x * edge.along_x + along_y * edge.along_y > 0
    dx, dy = x - x0, y - y0
    along = dx * along_x + dy * along_y
    across = np.abs(dy * along_x - dx * along_y)
    half = 0.5 * (edge.stop - edge.start)
    fits = (
        same_way
        & (np.abs(turn) < _LARGEST_TURN)
        & (across < foretold.slack)
        & (along > 0.0)
        & (along < length)
        & (along - half > -foretold.slack - 0.1 * length)
        & (along + half < length + foretold.slack + 0.1 * length)
    )
    if not fits.any():
        return None
    return int(np.argmin(np.where(fits, across, np.inf)))


def near_foretold(segments: Array, foretold: Foretold) -> NDArray[np.bool_]:
    """Tell of each segment (segment, 4) whether its middle lies along a foretold edge."""
    middle = 0.5 * (segments[:, :2] + segments[:, 2:])
    x0, y0, x1, y1 = foretold.lines.T
    length = np.hypot(x1 - x0, y1 - y0)
    along_x, along_y = (x1 - x0) / length, (y1 - y0) / length
    dx, dy = middle[:, :1] - x0, middle[:, 1:] - y0
    along = dx * along_x + dy * along_y
    across = np.abs(dy * along_x - dx * along_y)
    way = segments[:, 2:] - segments[:, :2]
    turn = np.abs(along_x * way[:, 1:] - along_y * way[:, :1]) / np.hypot(way[:, :1], way[:, 1:])
    fits = (across < foretold.slack) & (along > 0) & (along < length) & (turn < 2 * _LARGEST_TURN)
    return np.asarray(fits.any(axis=1))


def on_sheet(segments: Array, foretold: Foretold) -> NDArray[np.bool_]:
    """Tell of each segment (segment, 4) whether its middle lies on one of the sheets' paper."""
    middle = 0.5 * (segments[:, :2] + segments[:, 2:])
    inside = np.zeros(len(segments), dtype=bool)
    for corners in foretold.outlines:
        on = np.ones(len(segments), dtype=bool)
        for (xa, ya), (xb, yb) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            on &= (xb - xa) * (middle[:, 1] - ya) - (yb - ya) * (middle[:, 0] - xa) > 0
        inside |= on
    return inside
