"""Find the straight tilted edges of a frame by themselves: any dark or bright patch, or a lone edge, on any chart.

Route: mean of the measured colour in blocks (`search_picture`), straight segments (`edge_segments`), then each segment
is followed on the linear picture (`edge_strip`), from whose two levels, course and surroundings it is used or refused
(`edge_refusal`). Only the reduced picture is looked at, so that a search costs a fraction of decoding the frame.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.edge_candidate import (
    EdgeCandidate,
    EdgeSearch,
    Orientation,
    RefusedEdge,
    candidate_from_line,
)
from kitgauge.measure.edges.edge_ground import noise_floor
from kitgauge.measure.edges.edge_groups import Membership, group_edges
from kitgauge.measure.edges.edge_places import Foretold, foretell, near_foretold, on_sheet, place_of
from kitgauge.measure.edges.edge_refusal import SHORTEST_USABLE_PX, reason_against
from kitgauge.measure.edges.edge_segments import ALL_SCALES, COARSE_SCALES, straight_segments
from kitgauge.measure.edges.edge_strip import REACH_PX, Image, StripEdge, follow_edge
from kitgauge.measure.edges.search_picture import SearchPicture, picture_of_signal
from kitgauge.measure.edges.target_pose import ExpectedEdge, SheetSeen

__all__ = [
    "EdgeCandidate",
    "EdgeSearch",
    "Orientation",
    "RefusedEdge",
    "candidate_from_line",
    "find_edges",
    "find_edges_in",
]

_MOST_SEGMENTS = 400  # longest first: a frame full of texture must not cost minutes
_MOST_STRANGERS = 60
_CLOSED_PATCH_SIDES = 3
_LONE_LONGER = 2.0
_SQUARE = (0.75, 3.0)  # width over usable length of a short edge's patch: blur takes from the length at both ends
_NOT_OF_TARGET = ("not-of-target", "the target's markers foretell no edge here")
Place = TypeVar("Place", float, NDArray[np.float64])


def find_edges(
    signal: NDArray[np.float32],
    mask: NDArray[np.bool_],
    saturated: NDArray[np.bool_],
    *,
    shortest_px: float = SHORTEST_USABLE_PX,
) -> EdgeSearch:
    """Find every straight edge of a frame that might be measured, and say of the others why not.

    `signal` (row, column) [DN] black subtracted, `mask` (row, column) True for samples of the measured colour,
    `saturated` (row, column) True at the white level. `shortest_px`: usable length needed [px].
    """
    if signal.shape != mask.shape or signal.shape != saturated.shape:
        raise ValueError(
            f"signal, mask and saturated must have one shape, got {signal.shape}, {mask.shape}, {saturated.shape}"
        )
    return find_edges_in(picture_of_signal(signal, mask, saturated), shortest_px=shortest_px)


def find_edges_in(
    picture: SearchPicture, *, shortest_px: float = SHORTEST_USABLE_PX, sheets: Sequence[SheetSeen] = ()
) -> EdgeSearch:
    """Find the edges of a frame in its reduced picture, as `find_edges` does.

    `sheets` are those of the printed target that were seen by their markers: their edges get names (`place`, with the
    `side` on the sheet), and where a sheet's place is known well, edges that are not the target's are refused.
    """
    foretold = foretell(sheets, picture) if sheets else None
    known = foretold is not None and bool(foretold.sure.all())
    segments = straight_segments(picture.image, COARSE_SCALES if known else ALL_SCALES)
    refused: list[RefusedEdge] = []
    if foretold is not None:
        if foretold.sure.any():
            near = near_foretold(segments, foretold)
            refused += _strangers(segments[~near & ~on_sheet(segments, foretold)], picture, shortest_px)
            segments = segments[near]
        segments = np.concatenate([foretold.lines, segments])
    edges = _follow_all(picture.image, segments, REACH_PX / picture.block)
    places = [None if foretold is None else place_of(edge, foretold) for edge in edges]
    found: list[_Found] = []
    for edge, member, place in zip(edges, group_edges(edges), places, strict=True):
        of_patch = place is not None or member.sides >= _CLOSED_PATCH_SIDES
        shortest = shortest_px if place is not None else _shortest(shortest_px, edge, member)
        verdict = reason_against(edge, picture, shortest, of_patch=of_patch)
        if place is None and foretold is not None and foretold.sure.any():
            verdict = _NOT_OF_TARGET
        if verdict is None:
            found.append(_Found(edge, member, None if place is None or foretold is None else foretold.edges[place]))
        elif (edge.stop - edge.start) * picture.block >= 0.5 * shortest_px:
            refused.append(_as_refused(edge, picture, *verdict))
    if foretold is not None:
        refused += _hidden(foretold, {place for place in places if place is not None})
    return EdgeSearch(candidates=_as_candidates(found, picture), refused=tuple(refused))


@dataclass(frozen=True)
class _Found:
    """An edge to be measured, the patch it belongs to, and which of the target's edges it is."""

    edge: StripEdge
    member: Membership
    foretold: ExpectedEdge | None


def _shortest(shortest_px: float, edge: StripEdge, member: Membership) -> float:
    """Return the length needed: a short edge that is no side of a square may be a piece of anything."""
    share = member.patch / (edge.stop - edge.start)
    square = member.sides >= _CLOSED_PATCH_SIDES and (math.isnan(share) or _SQUARE[0] < share < _SQUARE[1])
    return shortest_px if square else _LONE_LONGER * shortest_px


def _strangers(segments: NDArray[np.float64], picture: SearchPicture, shortest_px: float) -> list[RefusedEdge]:
    """Return the segments long enough to be an edge as refused, longest first: they are not the target's."""
    length = np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1]) * picture.block
    return [
        RefusedEdge(*picture.in_frame(x0, y0), *picture.in_frame(x1, y1), *_NOT_OF_TARGET)
        for x0, y0, x1, y1 in segments[length >= shortest_px][:_MOST_STRANGERS].tolist()
    ]


def _hidden(foretold: Foretold, seen: set[int]) -> list[RefusedEdge]:
    """Return the target's edges that were not seen."""
    return [
        RefusedEdge(edge.x0, edge.y0, edge.x1, edge.y1, "edge-crowded", f"{edge.place}, {edge.side}: not to be seen")
        for index, edge in enumerate(foretold.edges)
        if foretold.sure[index] and index not in seen
    ]


def _follow_all(image: Image, segments: NDArray[np.float64], reach: float) -> list[StripEdge]:
    """Follow the segments in their order, leaving out those that lie on an edge already followed."""
    noise = noise_floor(image)
    edges: list[StripEdge] = []
    waiting = np.ones(len(segments), dtype=bool)
    for _ in range(_MOST_SEGMENTS):
        if not waiting.any():
            break
        index = int(np.argmax(waiting))
        waiting[index] = False
        x0, y0, x1, y1 = segments[index].tolist()
        edge = follow_edge(image, x0, y0, x1, y1, reach, noise)
        if edge is None:
            continue
        (x0, y0), (x1, y1) = edge.point(edge.start), edge.point(edge.stop)
        near = (other for other in edges if _near(edge, other))
        if any(_lies_on(other, x0, y0, x1, y1) for other in near):
            continue
        edges.append(edge)
        waiting &= ~_lies_on(edge, *segments.T)
    return edges


def _near(one: StripEdge, two: StripEdge) -> bool:
    """Tell whether two edges may touch, at little cost."""
    reach = one.stop - one.start + two.stop - two.start + 10.0
    return abs(one.x - two.x) < reach and abs(one.y - two.y) < reach


def _lies_on(edge: StripEdge, x0: Place, y0: Place, x1: Place, y1: Place) -> Any:
    """Tell of a segment, or of each of many, whether its middle half lies along an edge."""
    near = 2.0 + 0.7 * edge.rise + edge.bow
    slack = 3.0 + edge.rise
    result: Any = True
    for part in (0.3, 0.7):
        dx, dy = x0 + part * (x1 - x0) - edge.x, y0 + part * (y1 - y0) - edge.y
        along = dx * edge.along_x + dy * edge.along_y
        across = -dx * edge.along_y + dy * edge.along_x
        result &= (abs(across) <= near) & (along >= edge.start - slack) & (along <= edge.stop + slack)
    return result


def _as_refused(edge: StripEdge, picture: SearchPicture, flag: str, text: str) -> RefusedEdge:
    return RefusedEdge(*_ends(edge, picture), flag, text)


def _ends(edge: StripEdge, picture: SearchPicture) -> tuple[float, float, float, float]:
    """Return x0, y0, x1, y1 of the usable part in pixels of the frame."""
    (x0, y0), (x1, y1) = picture.in_frame(*edge.point(edge.start)), picture.in_frame(*edge.point(edge.stop))
    return float(x0), float(y0), float(x1), float(y1)


def _as_candidates(found: Sequence[_Found], picture: SearchPicture) -> tuple[EdgeCandidate, ...]:
    """Return the edges in full-size pixels; their groups are numbered from 0 without gaps."""
    numbers: dict[int | str, int] = {}
    candidates: list[EdgeCandidate] = []
    block = picture.block
    for item in found:
        edge, member, foretold = item.edge, item.member, item.foretold
        x0, y0, x1, y1 = _ends(edge, picture)
        patch = float(member.patch) * block
        is_dark = True if foretold else member.patch_is_dark
        if foretold is not None and not math.isfinite(patch):
            patch = foretold.length_px  # the target's patches are squares
        candidates.append(
            candidate_from_line(
                x0,
                y0,
                x1,
                y1,
                (-edge.along_y, edge.along_x),
                min(edge.free_dark, edge.free_bright) * block,
                group=numbers.setdefault(foretold.place if foretold else member.group, len(numbers)),
                side=foretold.side if foretold else _side(edge, is_dark),
                half_width_dark_px=edge.free_dark * block,
                half_width_bright_px=edge.free_bright * block,
                blur_px=edge.rise * block,
                contrast=edge.bright / edge.dark if edge.dark > 0 else math.nan,
                patch_px=patch,
                patch_is_dark=is_dark,
                place=foretold.place if foretold else "",
            )
        )
    return tuple(candidates)


def _side(edge: StripEdge, patch_is_dark: bool) -> str:
    """Return which side of its patch an edge is, as seen in the frame."""
    outward = (-edge.along_y, edge.along_x) if patch_is_dark else (edge.along_y, -edge.along_x)
    if abs(outward[0]) > abs(outward[1]):
        return "right" if outward[0] > 0 else "left"
    return "bottom" if outward[1] > 0 else "top"
