"""Measured points of a curve, and what lies between them. Pure standard library."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Mapping

Points = tuple[tuple[float, float, float], ...]  # (setting, value, standard error, NaN = not estimated), rising


def interpolated(points: Points, setting: float) -> tuple[float, float]:
    """Return value and standard error at `setting`, linear in log setting; NaN outside the points (1 % of
    slack).

    Errors of the two neighbours are independent: their weighted squares add.
    """
    if not points or not points[0][0] * 0.99 <= setting <= points[-1][0] * 1.01:
        return math.nan, math.nan
    if len(points) == 1:
        return points[0][1], points[0][2]
    index = min(max(bisect_right([point[0] for point in points], setting), 1), len(points) - 1)
    (x0, y0, e0), (x1, y1, e1) = points[index - 1], points[index]
    share = math.log(setting / x0) / math.log(x1 / x0)
    return (1 - share) * y0 + share * y1, math.hypot((1 - share) * e0, share * e1)


def between_focal_lengths(measured: Mapping[float, Points], focal_mm: float) -> Points:
    """Return a zoom's MTF50 at a focal length between two measured ones, linear in log focal length, at the f-numbers
    that both have; none outside the measured focal lengths.
    """
    below = max((focal for focal in measured if focal < focal_mm), default=None)
    above = min((focal for focal in measured if focal > focal_mm), default=None)
    if below is None or above is None:
        return ()
    share = math.log(focal_mm / below) / math.log(above / below)
    found = []
    for number in sorted({point[0] for focal in (below, above) for point in measured[focal]}):
        (first, first_error), (second, second_error) = (interpolated(measured[f], number) for f in (below, above))
        value = (1 - share) * first + share * second
        if not math.isnan(value):
            found.append((number, value, math.hypot((1 - share) * first_error, share * second_error)))
    return tuple(found)


def sorted_points(points: Iterable[tuple[float, float, float]]) -> Points:
    """Return the points in rising order of their setting, one per setting (the last one given)."""
    return tuple(sorted({point[0]: point for point in points if point[0] > 0}.values()))
