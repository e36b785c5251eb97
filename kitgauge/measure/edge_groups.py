"""Which edges belong to one patch: edges that meet at a corner, or face each other, with the patch on the same side."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from kitgauge.measure.edge_strip import StripEdge

_SAME_LENGTH = 0.5  # facing edges overlap by at least this share of the shorter one


@dataclass(frozen=True)
class Membership:
    """The patch an edge belongs to; `patch` is the patch's width behind the edge in reduced pixels, NaN if unknown."""

    group: int
    patch_is_dark: bool
    patch: float


def group_edges(edges: Sequence[StripEdge], everything: Sequence[StripEdge]) -> list[Membership]:
    """Return for each of `edges` its group (numbered from 0 in order of appearance).

    `everything` also holds the refused edges: they link a patch's remaining edges and give its width. Dark patches are
    put together first, then bright ones from the edges left over; an edge with no partner is a group of its own.
    """
    every = list(everything)
    owner = list(range(len(every)))
    dark_patch = [True] * len(every)

    def root(index: int) -> int:
        while owner[index] != index:
            index = owner[index]
        return index

    linked = [False] * len(every)
    # corners tell more than faces: the gap between two bright patches looks like a dark patch without corners
    for meets in (_corner, _facing):
        for is_dark in (True, False):
            free = [index for index in range(len(every)) if not linked[index]]
            for position, first in enumerate(free):
                for second in free[position + 1 :]:
                    if meets(every[first], every[second], is_dark):
                        owner[root(second)] = root(first)
                        linked[first] = linked[second] = True
                        dark_patch[first] = dark_patch[second] = is_dark
    numbers: dict[int, int] = {}
    members: list[Membership] = []
    for edge in edges:
        index = next(k for k, other in enumerate(every) if other is edge)
        home = root(index)
        group = numbers.setdefault(home, len(numbers))
        mates = [other for k, other in enumerate(every) if k != index and root(k) == home]
        members.append(Membership(group, dark_patch[index], _width(edge, mates, dark_patch[index])))
    return members


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
