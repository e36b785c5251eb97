"""Figures of sharpness against f-number: MTF50 per region with model, ceiling and limits; with the maps of the frame
and the MTF curves all figures of a sharpness run.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from kitgauge.measure.edges.diffraction import GREEN_WAVELENGTH_UM, diffraction_px, system_mtf50
from kitgauge.report import wording
from kitgauge.report.axes import dial_axis
from kitgauge.report.data import Curve, mapping, number, records, sampled_curve, text
from kitgauge.report.frame_map import aspect_of, colour_map, refused_map, sharpness_map
from kitgauge.report.letter import setting_text
from kitgauge.report.plots_mtf import mtf_pictures
from kitgauge.report.regions import CORNERS, REGIONS, SIDES, Rows, region_means, regions_of, sharpest_aperture
from kitgauge.report.style import GREY, GRID, LIMIT, LOOKS, Look, Picture, draw_model, draw_points, picture

_GROUP_LOOK = LOOKS[1]
_WORST_LOOK = Look(LOOKS[5].colour, "D", LOOKS[5].line, 8.0)  # drawn first and larger: it may lie under the mean
_LIMIT_LINES: dict[str, tuple[int, tuple[float, ...]]] = {"centre": (0, (7, 2)), "whole frame": (0, (1, 1.2))}


def sharpness_pictures(
    sharpness: Mapping[str, Any], limits: Sequence[Mapping[str, Any]], kit: Mapping[str, Any] | None = None
) -> list[Picture]:
    """Return the figures of one sharpness run (`sharpness`, `limits` and `kit` of `curves.json`); none without points.

    The kit's pixel pitch gives the ceiling where no fit does, its frame size the shape of the maps.
    """
    points = [p for p in records(sharpness.get("points")) if number(p.get("f_number")) > 0]
    if not points:
        return []
    fit = mapping(sharpness.get("fit"))
    known = kit or {}
    frame_px = (number(known.get("width_px")), number(known.get("height_px")))
    optics = _optics(fit, number(known.get("pixel_pitch_um")))
    ranges = {
        text(item.get("region")) or "centre": item
        for item in limits
        if item.get("kind") == "f_number" and "picture_mtf" not in mapping(item.get("criterion"))
    }
    pictures = _curve_pictures(points, fit, {name: ranges[name] for name in _LIMIT_LINES if name in ranges}, optics)
    pictures += mtf_pictures(records(sharpness.get("mtf_curves")), *optics)
    lateral = mapping(mapping(sharpness.get("colour")).get("lateral"))
    maps = [*_maps(points, aspect_of(frame_px)), colour_map(lateral, aspect_of(frame_px))]
    maps.append(refused_map(records(sharpness.get("edges_refused")), frame_px))
    return pictures + [found for found in maps if found is not None]


def _maps(points: Rows, aspect: float) -> list[Picture | None]:
    """Return the maps of the sharpest and of the widest f-number measured, one where they are the same."""
    sharpest = sharpest_aperture(points)
    widest = min(number(point.get("f_number")) for point in points)
    where = " at the centre" if region_means(points, "centre") else ""
    maps = [sharpness_map(points, sharpest, f"the sharpest f-number measured{where}", aspect, "sharpness-map")]
    if widest != sharpest:
        maps.append(sharpness_map(points, widest, "the widest measured", aspect, "sharpness-map-widest", first=False))
    return maps


def _optics(fit: Mapping[str, Any], pitch_um: float) -> tuple[float, float]:
    """Return pixel pitch and wavelength [um] of the ceiling: those of a fit of the optics, else the kit's and green's.

    The pitch is NaN where nothing tells it.
    """
    for region in fit.values():
        found = mapping(mapping(region).get("fit"))
        evidence = mapping(found.get("evidence"))
        wavelengths = (
            number(mapping(mapping(found.get("parameters")).get("wavelength_um")).get("value")),
            number(evidence.get("wavelength_um")),
            number(evidence.get("wavelength_expected_um")),
            GREEN_WAVELENGTH_UM,
        )
        if number(evidence.get("pitch_um")) > 0:
            return number(evidence.get("pitch_um")), next(value for value in wavelengths if value > 0)
    return (pitch_um if pitch_um > 0 else math.nan), GREEN_WAVELENGTH_UM


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


def _curve_pictures(
    points: Rows, fit: Mapping[str, Any], limits: Mapping[str, Mapping[str, Any]], optics: tuple[float, float]
) -> list[Picture]:
    regions = [name for name in regions_of(points) if region_means(points, name)]
    sides = [name for name in regions if name in SIDES]
    corners = [name for name in regions if name in CORNERS]
    single = [one_region(points, fit, name) for name in regions if name not in SIDES and name not in CORNERS]
    in_corners = group_series(points, fit, corners, "corners")
    on_sides = group_series(points, fit, sides, "sides")
    main = single + in_corners or on_sides
    if not main:
        return []
    ceiling = _ceiling(main, optics)
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
        said += (
            " The hatched part lies above the ceiling that diffraction and the pixel set: no lens gets there. Points "
            "in it come from sharpened files, or from a wrong pixel pitch."
        )
    if any(_range(limit) for limit in limits.values()):
        said += " Upright lines bound the f-numbers that are sharp enough by your criterion"
        said += ": shaded in the centre, dotted over the whole frame" if len(limits) > 1 else ""
        said += "; the strip around a line is its 95 % interval."
    if any(row[3] for series in shown for row in series.rows):
        said += " Hollow points are left out of the fit."
    return said


def numbers_of(value: object) -> list[float]:
    """Return the entries of a list as numbers, none where it is no list."""
    return [number(entry) for entry in value] if isinstance(value, list) else []


def _range(limit: Mapping[str, Any]) -> tuple[float, float] | None:
    """Return the exact ends of a range of f-numbers, None where they are unknown or no range."""
    low, high = number(limit.get("f_number_low")), number(limit.get("f_number_high"))
    return (low, high) if 0 < low < high else None


def _ceiling(shown: Sequence[Series], optics: tuple[float, float]) -> Curve | None:
    """Return MTF50 against f-number of diffraction and pixel alone over what is shown, None without a pixel pitch."""
    pitch_um, wavelength_um = optics
    if not pitch_um > 0:
        return None
    given = [row[0] for series in shown for row in series.rows]
    x = np.geomspace(min(given), max(given), 60) if min(given) < max(given) else np.array(given[:1] * 2)
    mtf50 = system_mtf50(diffraction_px(x, pitch_um, wavelength_um), 0.0)
    return Curve(tuple(float(value) for value in x), tuple(float(value) for value in mtf50))


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

    top = 1.1 * highest
    if ceiling is not None:  # so much of the ceiling that its place above the sharpest point is seen
        peak = max(rows, key=lambda row: row[1])[0]
        top = max(top, min(1.06 * float(np.interp(peak, ceiling.x, ceiling.y)), 1.7 * highest))

    def draw(axes: Axes) -> None:
        for series in sorted(shown, key=lambda series: series.look is not _WORST_LOOK):
            draw_model(axes, series.curve, series.look)
            draw_points(
                axes, [r[0] for r in series.rows], [r[1] for r in series.rows], [r[2] for r in series.rows],
                series.look, label=series.label, hollow=[r[3] for r in series.rows],
            )  # fmt: skip
        if ceiling is not None:
            axes.fill_between(
                ceiling.x, ceiling.y, 1.0, facecolor="none", edgecolor=GRID, hatch="////", linewidth=0.0, zorder=0.3
            )
            axes.plot(ceiling.x, ceiling.y, color=GREY, linewidth=1.2, label="ceiling: diffraction, pixel")
        for region, (low, high) in ranges.items():
            if region == "centre":
                axes.axvspan(low, high, facecolor=LIMIT, alpha=0.08, edgecolor="none", zorder=0.4)
            said = setting_text(limits[region], "")
            for edge, label in ((low, f"{region} sharp: {said}"), (high, None)):
                axes.axvline(edge, color=LIMIT, linewidth=1.6, linestyle=_LIMIT_LINES[region], label=label, zorder=1.5)
            for key in ("f_number_low_ci", "f_number_high_ci"):
                ends = numbers_of(limits[region].get(key))
                if len(ends) == 2 and 0 < ends[0] < ends[1]:
                    axes.axvspan(*ends, facecolor=LIMIT, alpha=0.22, edgecolor="none", zorder=0.5)
        dial_axis(axes, "f_number", [*(r[0] for r in rows), *(end for ends in ranges.values() for end in ends)])
        axes.set_ylim(0, top)
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
