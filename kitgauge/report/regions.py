"""Sharpness by region of the frame: which regions there are, their means, and how the corners compare."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from kitgauge.exposure import exact_f_number
from kitgauge.report.data import number, numbers, text

Rows = Sequence[Mapping[str, Any]]

SIDES = ("left", "right", "top", "bottom")
CORNERS = ("top-left", "top-right", "bottom-left", "bottom-right")
SAME_PLACE = 0.12  # of the frame: the edges of one target square lie closer together than this
REGIONS = ("centre", *SIDES, *CORNERS)


def regions_of(points: Rows) -> list[str]:
    """Return the regions measured, centre first, in a fixed order."""
    present = {text(point.get("region")) for point in points}
    return [name for name in REGIONS if name in present] + sorted(present - set(REGIONS) - {""})


def region_means(points: Rows, region: str) -> list[tuple[float, float, float, bool]]:
    """Return (f-number, MTF50, stderr, doubtful) of a region, one per f-number, orientations averaged.

    Both orientations count equally, as sharpness of a region is asked for whatever the direction; the
    standard error is that of a plain mean, NaN where a part of it is unknown. Where a point "both" is there,
    it is taken instead.
    """
    groups: dict[float, list[Mapping[str, Any]]] = {}
    for point in points:
        if text(point.get("region")) == region and math.isfinite(number(point.get("mtf50_cy_per_px"))):
            groups.setdefault(exact_f_number(number(point.get("f_number"))), []).append(point)
    means = []
    for f_number, rows in sorted(groups.items()):
        pooled = [row for row in rows if row.get("orientation") == "both"] or rows
        values = numbers(pooled, "mtf50_cy_per_px")
        errors = numbers(pooled, "mtf50_cy_per_px_stderr")
        error = math.sqrt(sum(e * e for e in errors)) / len(errors)
        left_out = all(bool(row.get("excluded")) for row in pooled)
        means.append((f_number, sum(values) / len(values), error, left_out))
    return means


def sharpest_aperture(points: Rows) -> float:
    """Return the measured f-number with the highest mean MTF50 (over the centre if it was measured), NaN if
    none.
    """
    region = "centre" if region_means(points, "centre") else None
    best = (-math.inf, math.nan)
    for f_number in sorted({number(p.get("f_number")) for p in points}):
        values = [
            value
            for p in points
            if number(p.get("f_number")) == f_number
            and (region is None or p.get("region") == region)
            and (value := number(p.get("mtf50_cy_per_px"))) > 0
        ]
        if values:
            best = max(best, (sum(values) / len(values), f_number), key=lambda pair: pair[0])
    return best[1]


def _outermost(points: Rows, region: str) -> Rows:
    """Return the points of a region at the place farthest from the frame's centre; all where places are unknown."""
    own = [point for point in points if text(point.get("region")) == region]
    away = [math.hypot(number(p.get("x_norm")) - 0.5, number(p.get("y_norm")) - 0.5) for p in own]
    farthest = max((a for a in away if math.isfinite(a)), default=math.nan)
    near = [point for point, a in zip(own, away, strict=True) if a > farthest - SAME_PLACE]
    return near or own


def corner_share(points: Rows) -> tuple[float, float]:
    """Return the f-number that is sharpest in the centre, and the mean MTF50 there of the outermost place in each
    corner as a share of the centre's; NaN where either was not measured.
    """
    usable = [p for p in points if number(p.get("f_number")) > 0]
    f_number = sharpest_aperture(usable)
    there = [p for p in usable if number(p.get("f_number")) == f_number]
    centre = [row[1] for row in region_means(there, "centre")]
    corners = [row[1] for name in CORNERS for row in region_means(_outermost(there, name), name)]
    if not centre or not corners or not centre[0] > 0:
        return f_number, math.nan
    return f_number, sum(corners) / len(corners) / centre[0]
