"""Figures of sharpness against f-number: MTF50 per region with model and diffraction, and a map of the
frame.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from kitgauge.measure.diffraction import diffraction_px, system_mtf50
from kitgauge.report import wording
from kitgauge.report.axes import dial_axis
from kitgauge.report.data import Curve, mapping, number, records, sampled_curve, text
from kitgauge.report.letter import setting_text
from kitgauge.report.regions import (
    CORNERS,
    REGIONS,
    SAME_PLACE,
    SIDES,
    Rows,
    region_means,
    regions_of,
    sharpest_aperture,
)
from kitgauge.report.style import GREY, INK, LIMIT, LOOKS, Look, Picture, draw_model, draw_points, picture

_GROUP_LOOK = LOOKS[1]
_WORST_LOOK = Look(LOOKS[5].colour, "D", LOOKS[5].line, 8.0)  # drawn first and larger: it may lie under the mean
_BELOW_CIRCLE = 0.18  # on the map, where the frame is 2 high: from a circle's middle to its figures
_MAP_FOOT = 0.45  # from the middle of the lowest circles to the foot of the map
_LIMIT_LINES: dict[str, tuple[int, tuple[float, ...]]] = {"centre": (0, (7, 2)), "whole frame": (0, (1, 1.2))}
_ORIENTATIONS = ("vertical", "horizontal", "both")


def sharpness_pictures(sharpness: Mapping[str, Any], limits: Sequence[Mapping[str, Any]]) -> list[Picture]:
    """Return the figures of one sharpness run (`sharpness` and `limits` of `curves.json`); none without
    points.
    """
    points = [p for p in records(sharpness.get("points")) if number(p.get("f_number")) > 0]
    fit = mapping(sharpness.get("fit"))
    ranges = {text(item.get("region")) or "centre": item for item in limits if item.get("kind") == "f_number"}
    pictures = _curve_pictures(points, fit, {name: ranges[name] for name in _LIMIT_LINES if name in ranges})
    frame_map = _frame_map(points)
    return pictures + ([] if frame_map is None else [frame_map])


@dataclass(frozen=True)
class Series:
    """What one colour and marker stand for: measured (f-number, MTF50, stderr, left out), and a model."""

    label: str
    look: Look
    rows: tuple[tuple[float, float, float, bool], ...]
    curve: Curve | None


def one_region(points: Rows, fit: Mapping[str, Any], region: str) -> Series:
    """Return the series of one region."""
    return Series(region, region_look(region), tuple(region_means(points, region)), _model(region, fit))


def group_series(points: Rows, fit: Mapping[str, Any], names: Sequence[str], many: str) -> list[Series]:
    """Return the mean of several regions, its band reaching from the lowest to the highest of them, and the worst.

    The worst is the region with the lowest mean over the f-numbers measured in all; a lone region stands for itself.
    """
    if len(names) < 2:
        return [one_region(points, fit, name) for name in names]
    rows = {name: {row[0]: row for row in region_means(points, name)} for name in names}
    common = sorted(set.intersection(*(set(found) for found in rows.values())))
    if not common:
        return [one_region(points, fit, name) for name in names]
    worst = min(names, key=lambda name: sum(rows[name][f_number][1] for f_number in common))
    means = []
    for f_number in common:
        values = [rows[name][f_number] for name in names]
        error = math.sqrt(sum(row[2] ** 2 for row in values)) / len(values)
        means.append((f_number, sum(row[1] for row in values) / len(values), error, all(row[3] for row in values)))
    lowest = one_region(points, fit, worst)
    return [
        Series(f"{many}, mean and range", _GROUP_LOOK, tuple(means), _mean_model(names, fit)),
        Series(f"worst: {worst}", _WORST_LOOK, lowest.rows, None if lowest.curve is None else
               Curve(lowest.curve.x, lowest.curve.y)),
    ]  # fmt: skip


def _mean_model(names: Sequence[str], fit: Mapping[str, Any]) -> Curve | None:
    """Return the mean of the regions' models, from the lowest to the highest of them; None where one lacks a model."""
    curves = [curve for name in names if (curve := _model(name, fit)) is not None]
    if len(curves) < len(names):
        return None
    low, high = max(min(curve.x) for curve in curves), min(max(curve.x) for curve in curves)
    x = [value for value in curves[0].x if low <= value <= high]
    if len(x) < 2:
        return None
    values = np.array([np.interp(x, curve.x, curve.y) for curve in curves])
    columns = (values.mean(axis=0), values.min(axis=0), values.max(axis=0))
    mean, bottom, top = (tuple(float(value) for value in column) for column in columns)
    return Curve(tuple(x), mean, bottom, top)


def _curve_pictures(points: Rows, fit: Mapping[str, Any], limits: Mapping[str, Mapping[str, Any]]) -> list[Picture]:
    regions = [name for name in regions_of(points) if region_means(points, name)]
    sides = [name for name in regions if name in SIDES]
    corners = [name for name in regions if name in CORNERS]
    single = [one_region(points, fit, name) for name in regions if name not in SIDES and name not in CORNERS]
    in_corners = group_series(points, fit, corners, "corners")
    on_sides = group_series(points, fit, sides, "sides")
    main = single + in_corners or on_sides
    if not main:
        return []
    ceiling = _ceiling(regions, fit)
    caption = _caption(main, ceiling, limits)
    pictures = [
        _curve_picture("sharpness-aperture", "Sharpness against f-number", main, ceiling, limits, caption)
    ]  # fmt: skip
    if on_sides and main is not on_sides:
        centre = [series for series in single if series.label == "centre"]
        pictures.append(
            _curve_picture(
                "sharpness-sides", "The sides of the frame", centre + on_sides, ceiling, limits,
                "The same for the centre and the middle of the frame's sides.",
            )
        )  # fmt: skip
    return pictures


def _caption(shown: Sequence[Series], ceiling: Curve | None, limits: Mapping[str, Mapping[str, Any]]) -> str:
    said = (
        "Sharpness against f-number: MTF50, the frequency at which contrast has fallen to half. Bars are one "
        "standard error; both edge directions are averaged."
    )
    if any(series.curve is not None for series in shown):
        said += " Lines are the fitted model, with its 95 % band where one region is meant."
    else:
        said += " No model line: the fit gave none."
    if any(series.look is _GROUP_LOOK for series in shown):
        said += " Of the corners their mean is drawn, with a strip from the lowest to the highest, and the worst."
    if ceiling is not None:
        said += " The fine grey line is the ceiling that diffraction and the pixel set: no lens is above it."
    if any(_range(limit) for limit in limits.values()):
        said += " Upright lines bound the f-numbers that are sharp enough by your criterion"
        said += ": shaded in the centre, dotted over the whole frame." if len(limits) > 1 else "."
    if any(row[3] for series in shown for row in series.rows):
        said += " Hollow points are left out of the fit."
    return said


def _range(limit: Mapping[str, Any]) -> tuple[float, float] | None:
    """Return the exact ends of a range of f-numbers, None where they are unknown or no range."""
    low, high = number(limit.get("f_number_low")), number(limit.get("f_number_high"))
    return (low, high) if 0 < low < high else None


def _ceiling(regions: list[str], fit: Mapping[str, Any]) -> Curve | None:
    """Return MTF50 against f-number of diffraction and pixel alone, None where the fit tells no pixel
    pitch.
    """
    for region in regions:
        curve = _model(region, fit)
        constants = mapping(mapping(mapping(fit.get(region)).get("fit")).get("evidence"))
        pitch_um, wavelength_um = number(constants.get("pitch_um")), number(constants.get("wavelength_um"))
        if curve is not None and pitch_um > 0 and wavelength_um > 0:
            mtf50 = system_mtf50(diffraction_px(np.array(curve.x), pitch_um, wavelength_um), 0.0)
            return Curve(curve.x, tuple(float(value) for value in mtf50))
    return None


def _model(region: str, fit: Mapping[str, Any]) -> Curve | None:
    """Return the fitted MTF50 [cycles/pixel] of a region against f-number, with its band, None without a
    fit.
    """
    keys = ("f_number", "mtf50_cy_per_px", "mtf50_low_cy_per_px", "mtf50_high_cy_per_px")
    return sampled_curve(mapping(fit.get(region)).get("curve"), keys)


def _curve_picture(
    name: str, title: str, shown: Sequence[Series], ceiling: Curve | None,
    limits: Mapping[str, Mapping[str, Any]], caption: str,
) -> Picture:  # fmt: skip
    rows = [row for series in shown for row in series.rows]
    highest = max(row[1] + (row[2] if math.isfinite(row[2]) else 0.0) for row in rows)
    ranges = {region: ends for region, limit in limits.items() if (ends := _range(limit)) is not None}

    def draw(axes: Axes) -> None:
        for series in sorted(shown, key=lambda series: series.look is not _WORST_LOOK):
            draw_model(axes, series.curve, series.look)
            draw_points(
                axes, [r[0] for r in series.rows], [r[1] for r in series.rows], [r[2] for r in series.rows],
                series.look, label=series.label, hollow=[r[3] for r in series.rows],
            )  # fmt: skip
        if ceiling is not None:
            axes.plot(
                ceiling.x, ceiling.y, color=GREY, linewidth=1.2, linestyle=(0, (1, 1)), label="diffraction and pixel"
            )
        for region, (low, high) in ranges.items():
            if region == "centre":
                axes.axvspan(low, high, facecolor=LIMIT, alpha=0.08, edgecolor="none", zorder=0.4)
            said = setting_text(limits[region], "")
            for edge, label in ((low, f"{region} sharp: {said}"), (high, None)):
                axes.axvline(edge, color=LIMIT, linewidth=1.6, linestyle=_LIMIT_LINES[region], label=label, zorder=1.5)
        dial_axis(axes, "f_number", [*(r[0] for r in rows), *(end for ends in ranges.values() for end in ends)])
        axes.set_ylim(0, highest * 1.1)
        axes.set_ylabel("MTF50 (cycles per pixel)")

    value, f_number, where = max((row[1], row[0], series.label) for series in shown for row in series.rows)
    alt = (
        "Chart: MTF50 against f-number for " + ", ".join(series.label for series in shown) + ". The highest is "
        f"{wording.plain(value, 3)} cycles per pixel at {wording.f_number(f_number)}, {where}."
    )
    return picture(name, title, caption, alt, draw)


def region_look(region: str) -> Look:
    """Return the look of a region, the same in every figure."""
    return LOOKS[REGIONS.index(region)] if region in REGIONS else LOOKS[8]


def _frame_map(points: Rows) -> Picture | None:
    f_number = sharpest_aperture(points)
    places = [
        (
            number(p.get("x_norm")),
            number(p.get("y_norm")),
            number(p.get("mtf50_cy_per_px")),
            text(p.get("orientation")),
        )
        for p in points
        if number(p.get("f_number")) == f_number
    ]
    places = [place for place in places if 0 <= place[0] <= 1 and 0 <= place[1] <= 1 and place[2] > 0]
    if len(places) < 2:
        return None
    groups = _neighbours(places)
    best = max(group[2] for group in groups)
    worst = min(group[2] for group in groups)

    def draw(axes: Axes) -> None:
        axes.add_patch(Rectangle((0, 0), 3, 2, facecolor="#f3f5f6", edgecolor=GREY, linewidth=1.2))
        for x, y, value, lines in groups:
            axes.scatter(
                [3 * x], [2 * y], s=1150 * (value / best) ** 2, facecolor="white", edgecolor=LOOKS[0].colour,
                linewidth=2.6 if value == best else 1.2, linestyle="--" if value == worst else "-", zorder=2,
            )  # fmt: skip
            axes.text(3 * x, 2 * y, f"{100 * value / best:.0f} %", ha="center", va="center", fontsize=9, zorder=3)
            below = "\n".join(["best"] * (value == best) + ["lowest"] * (value == worst) + [lines])
            axes.text(
                3 * x,
                2 * y + _BELOW_CIRCLE,
                below,
                ha="center",
                va="top",
                fontsize=7.5,
                color=INK,
                zorder=3,
            )
        axes.set_xlim(-0.05, 3.05)
        axes.set_ylim(max(2.05, 2 * max(group[1] for group in groups) + _MAP_FOOT), -0.05)
        axes.set_aspect("equal")
        axes.set_axis_off()

    caption = (
        f"The frame at {wording.f_number(f_number)}, the sharpest f-number measured at the centre. Each "
        "circle stands "
        "where edges were measured; the percentage is MTF50 against the best place, and the circle's width "
        "goes with "
        "it. Each place is compared with the best place here, unlike the limits, which compare it with its own best "
        "f-number. The best has a thick line, the lowest a broken one. "
        "The small figures are MTF50 in cycles per pixel of near-vertical (v) and near-horizontal (h) edges."
    )
    alt = (
        f"Map of the frame at {wording.f_number(f_number)}: MTF50 at {len(groups)} places, "
        f"from {wording.plain(worst, 3)} to {wording.plain(best, 3)} cycles per pixel."
    )
    return picture("sharpness-map", "Where in the frame", caption, alt, draw, size_in=(5.6, 3.9))


def _neighbours(places: list[tuple[float, float, float, str]]) -> list[tuple[float, float, float, str]]:
    """Join the places of one target square (its orientations lie close together) into (x, y, mean MTF50,
    details).
    """
    clusters: list[list[tuple[float, float, float, str]]] = []
    for place in places:
        near = next((c for c in clusters if math.hypot(place[0] - c[0][0], place[1] - c[0][1]) < SAME_PLACE), None)
        if near is None:
            clusters.append([place])
        else:
            near.append(place)
    joined = []
    for cluster in clusters:
        number_of = len(cluster)
        details = ", ".join(
            f"{orientation[0]} {sum(values) / len(values):.3f}"
            for orientation in _ORIENTATIONS
            if (values := [c[2] for c in cluster if c[3] == orientation])
        )
        joined.append(
            (
                sum(c[0] for c in cluster) / number_of,
                sum(c[1] for c in cluster) / number_of,
                sum(c[2] for c in cluster) / number_of,
                details,
            )
        )
    return joined
