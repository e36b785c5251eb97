"""Which edges belong to one patch: edges that meet at a corner, or face each other, with the patch on the same side."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.edge_strip import StripEdge

_SAME_LENGTH = 0.5  # facing edges overlap by at least this share of the shorter one


@dataclass(frozen=True)
class Membership:
    """The patch an edge belongs to; `patch` is the patch's width behind the edge in reduced pixels, NaN if unknown.

    `sides` is how many edges of the patch were seen, this one included.
    """

    group: int
    patch_is_dark: bool
    patch: float
    sides: int


def group_edges(edges: Sequence[StripEdge]) -> list[Membership]:
    """Return for each of `edges` its group (numbered from 0 in order of appearance).

    Pass edges that cannot be measured as well: they link a patch's remaining edges and give its width. Dark patches are
    put together first, then bright ones from the edges left over; an edge with no partner is a group of its own.
    """
    owner = list(range(len(edges)))
    dark_patch = [True] * len(edges)

    def root(index: int) -> int:
        while owner[index] != index:
            index = owner[index]
        return index

    linked = [False] * len(edges)
    # corners tell more than faces: the gap between two bright patches looks like a dark patch without corners
    for meets, pairs in zip((_corner, _facing), _near_pairs(edges), strict=True):
        for is_dark in (True, False):
            taken = list(linked)
            for first, second in pairs:
                if taken[first] or taken[second] or not meets(edges[first], edges[second], is_dark):
                    continue
                owner[root(second)] = root(first)
                linked[first] = linked[second] = True
                dark_patch[first] = dark_patch[second] = is_dark
    homes = [root(index) for index in range(len(edges))]
    numbers: dict[int, int] = {}
    mates: dict[int, list[int]] = {}
    for index, home in enumerate(homes):
        numbers.setdefault(home, len(numbers))
        mates.setdefault(home, []).append(index)
    return [
        Membership(
            numbers[home],
            dark_patch[index],
            _width(edge, [edges[k] for k in mates[home] if k != index], dark_patch[index]),
            len(mates[home]),
        )
        for index, (edge, home) in enumerate(zip(edges, homes, strict=True))
    ]


def _near_pairs(edges: Sequence[StripEdge]) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """Return the pairs that may meet at a corner and those that may face each other: close enough, and so directed."""
    if len(edges) < 2:
        return [], []
    along = np.array([(edge.along_x, edge.along_y) for edge in edges])
    centre = np.array([edge.point(0.5 * (edge.start + edge.stop)) for edge in edges])
    length = np.array([edge.stop - edge.start for edge in edges])
    rise = np.array([edge.rise for edge in edges])
    gap = centre[None] - centre[:, None]
    away = np.hypot(gap[..., 0], gap[..., 1])
    both = length[:, None] + length[None]
    slack = 6.0 + 3.0 * (rise[:, None] + rise[None])
    cosine = along @ along.T
    upper = np.triu(np.ones(away.shape, dtype=bool), 1)
    corners = upper & (np.abs(cosine) < 0.6) & (away < 0.8 * both + slack)
    beside = np.abs(gap[..., 0] * along[:, None, 0] + gap[..., 1] * along[:, None, 1])
    ahead = np.abs(gap[..., 1] * along[:, None, 0] - gap[..., 0] * along[:, None, 1])
    shorter = np.minimum(length[:, None], length[None])
    facing = upper & (cosine < -0.95) & (beside < 0.5 * both) & (ahead < 2.5 * shorter)
    return _listed(corners), _listed(facing)


def _listed(pairs: NDArray[np.bool_]) -> list[tuple[int, int]]:
    return [(int(first), int(second)) for first, second in np.argwhere(pairs)]


def _inward(edge: StripEdge, is_dark: bool) -> tuple[float, float]:
    """Return the unit normal that points into the patch."""
    sign = 1.0 if is_dark else -1.0
    return sign * edge.along_y, -sign * edge.along_x


def _corner(a: StripEdge, b: StripEdge, is_dark: bool) -> bool:
    """Tell whether two edges meet at a convex corner of one patch."""
    cross = a.along_x * b.along_y - a.along_y * b.along_x
    if abs(cross) < math.sin(math.radians(55.0)):
        return False
    dx, dy = b.x - a.x, b.y - a.y
    on_a = (dx * b.along_y - dy * b.along_x) / cross
    on_b = (dx * a.along_y - dy * a.along_x) / cross
    for edge, place in ((a, on_a), (b, on_b)):
        reach = 0.12 * (edge.stop - edge.start) + 3.0 + 3.0 * edge.rise
        if not (abs(place - edge.start) < reach or abs(place - edge.stop) < reach):
            return False
    # each edge lies on the inner side of the other
    inner_a, inner_b = _inward(a, is_dark), _inward(b, is_dark)
    return dx * inner_a[0] + dy * inner_a[1] > 0 and -dx * inner_b[0] - dy * inner_b[1] > 0


def _facing(a: StripEdge, b: StripEdge, is_dark: bool) -> bool:
    """Tell whether two edges are opposite sides of one patch: parallel, facing, overlapping, about as long."""
    if a.along_x * b.along_x + a.along_y * b.along_y > -math.cos(math.radians(12.0)):
        return False
    inner = _inward(a, is_dark)
    distance = (b.x - a.x) * inner[0] + (b.y - a.y) * inner[1]
    length = min(a.stop - a.start, b.stop - b.start)
    longest = max(a.stop - a.start, b.stop - b.start)
    if not 0 < distance < 2.0 * length or longest > 1.6 * length:
        return False
    places = [(x - a.x) * a.along_x + (y - a.y) * a.along_y for x, y in (b.point(b.start), b.point(b.stop))]
    overlap = min(a.stop, max(places)) - max(a.start, min(places))
    free = min(a.free_dark, b.free_dark) if is_dark else min(a.free_bright, b.free_bright)
    # where the ground between them could be seen it must have been free to half way
    return overlap > _SAME_LENGTH * length and free > 0.35 * distance


def _width(edge: StripEdge, mates: Sequence[StripEdge], is_dark: bool) -> float:
    """Return the distance to the opposite edge of the patch, NaN where it was not found."""
    inner = _inward(edge, is_dark)
    widths = [
        distance
        for mate in mates
        if edge.along_x * mate.along_x + edge.along_y * mate.along_y < -0.9
        and (distance := (mate.x - edge.x) * inner[0] + (mate.y - edge.y) * inner[1]) > 0
    ]
    return min(widths) if widths else math.nan
