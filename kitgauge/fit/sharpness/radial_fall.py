"""Sharpness falls from the centre outwards in any lens: places at different distances made comparable.

Sheets never hang quite symmetrically, and a patch may be missing at one f-number. So before corners are compared with
corners and sides with sides, each place is moved along the fall of its f-number to the mean distance of its kind
(corners; left and right; top and bottom). The fall is a straight line of ln MTF50 in the squared distance from the
centre, its slope the median over pairs of places (Theil 1950; Sen 1968, J. Am. Stat. Assoc. 63, 1379), which one odd
corner does not move.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint

Levelled = tuple[SharpnessPoint, float]  # a point, and what to add to ln MTF50

FALL_DOUBT = 0.5  # of what is added: the fall is no straight line
_SMALLEST_STEP = 0.1  # of the squared half diagonal between two places that tell a slope
_KINDS = {"left": "sides", "right": "sides", "top": "ends", "bottom": "ends", "centre": "centre"}


def squared_radius(point: SharpnessPoint, frame_shape: tuple[int, int] | None) -> float:
    """Return the squared distance from the frame's centre in half diagonals (shape unknown: of a frame of 2 : 3)."""
    rows, columns = frame_shape or (2, 3)
    x, y = (point.x_norm - 0.5) * columns, (point.y_norm - 0.5) * rows
    return (x * x + y * y) / (0.25 * (rows * rows + columns * columns))


def levelled(points: Sequence[SharpnessPoint], frame_shape: tuple[int, int] | None) -> list[Levelled]:
    """Return the points with what each must be given to stand at the mean distance of its kind."""
    radius = [squared_radius(point, frame_shape) for point in points]
    kinds = [_KINDS.get(point.region, "corners") for point in points]
    usual = {kind: float(np.mean([r for r, k in zip(radius, kinds, strict=True) if k == kind])) for kind in set(kinds)}
    groups: dict[float, list[int]] = defaultdict(list)
    for index, point in enumerate(points):
        groups[point.f_number].append(index)
    slope = {n: _slope([points[k] for k in own], [radius[k] for k in own]) for n, own in groups.items()}
    return [
        (point, slope[point.f_number] * (usual[kind] - r)) for point, r, kind in zip(points, radius, kinds, strict=True)
    ]


def _slope(points: Sequence[SharpnessPoint], radius: Sequence[float]) -> float:
    """Return the median slope of ln MTF50 in the squared radius, within each edge direction; 0 where none is told."""
    slopes = [
        (math.log(points[i].mtf50_cy_per_px) - math.log(points[j].mtf50_cy_per_px)) / (radius[i] - radius[j])
        for i in range(len(points))
        for j in range(i)
        if points[i].orientation == points[j].orientation and abs(radius[i] - radius[j]) > _SMALLEST_STEP
    ]
    return float(np.median(slopes)) if slopes else 0.0
