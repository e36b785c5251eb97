"""Figures of sharpness against f-number: MTF50 per region with model and diffraction, and a map of the
frame.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from kitgauge.measure.diffraction import diffraction_px, system_mtf50
from kitgauge.report import wording
from kitgauge.report.axes import dial_axis, finite_positive
from kitgauge.report.data import Curve, mapping, number, numbers, records, sampled_curve, text
from kitgauge.report.regions import CORNERS, REGIONS, SAME_PLACE, SIDES, Rows, region_means, regions_of, sharpest_aperture
from kitgauge.report.style import GREY, INK, LIMIT, LOOKS, Look, Picture, draw_model, draw_points, picture

_ORIENTATIONS = ("vertical", "horizontal", "both")


def sharpness_pictures(sharpness: Mapping[str, Any], limits: Sequence[Mapping[str, Any]]) -> list[Picture]:
    """Return the figures of one sharpness run (`sharpness` and `limits` of `curves.json`); none without
    points.
    """
    points = [p for p in records(sharpness.get("points")) if number(p.get("f_number")) > 0]
    fit = mapping(sharpness.get("fit"))
    centre_limit = next(
        (item for item in limits if item.get("kind") == "f_number" and text(item.get("region")) in ("", "centre")),
        None,
    )
    pictures = _curve_pictures(points, fit, centre_limit)
    frame_map = _frame_map(points)
    return pictures + ([] if frame_map is None else [frame_map])


def _curve_pictures(points: Rows, fit: Mapping[str, Any], limit: Mapping[str, Any] | None) -> list[Picture]:
    regions = [name for name in regions_of(points) if region_means(points, name)]
    centre = [name for name in regions if name == "centre"]
    sides = [name for name in regions if name in ("left", "right", "top", "bottom")]
    corners = [name for name in regions if name not in centre and name not in sides]
    if not regions:
        return []
    main = centre + corners if len(centre + corners) > 0 else sides
    pictures = [
        _curve_picture(
            "sharpness-aperture", "Sharpness against f-number", main, points, fit, limit,
            _caption(main, points, fit, limit),
        )
    ]  # fmt: skip
    if sides and main is not sides:
        pictures.append(
            _curve_picture(
                "sharpness-sides", "The sides of the frame", centre + sides, points, fit, limit,
                "The same for the centre and the middle of the frame's sides.",
            )
        )  # fmt: skip
    return pictures


def _caption(regions: list[str], points: Rows, fit: Mapping[str, Any], limit: Mapping[str, Any] | None) -> str:
    said = (
        "Sharpness against f-number: MTF50, the frequency at which contrast has fallen to half. Bars are one "
        "standard "
        "error; both edge directions are averaged."
    )
    if any(_model(region, fit) for region in regions):
        said += " Lines are the fitted model, the strips its 95 % band."
    else:
        said += " No model line: the fit gave none."
    if _ceiling(regions, fit) is not None:
        said += " The dotted line is the ceiling that diffraction and the pixel set: no lens is above it."
    if 0 < number((limit or {}).get("f_number_low")) < number((limit or {}).get("f_number_high")):
        said += " The shaded range between the broken lines is sharp enough by your criterion."
    if any(row[3] for region in regions for row in region_means(points, region)):
        said += " Hollow points are left out of the fit."
    return said


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
    name: str, title: str, regions: list[str], points: Rows, fit: Mapping[str, Any],
    limit: Mapping[str, Any] | None, caption: str,
) -> Picture:  # fmt: skip
    means = {region: region_means(points, region) for region in regions}
    curves = {region: _model(region, fit) for region in regions}
    ceiling = _ceiling(regions, fit)
    f_numbers = [row[0] for rows in means.values() for row in rows]
    highest = max(row[1] + (row[2] if math.isfinite(row[2]) else 0.0) for rows in means.values() for row in rows)
    low, high = (number((limit or {}).get(key)) for key in ("f_number_low", "f_number_high"))

    def draw(axes: Axes) -> None:
        if ceiling is not None:
            axes.plot(
                ceiling.x,
                ceiling.y,
                color=GREY,
                linewidth=1.2,
                linestyle=(0, (1, 1)),
                label="diffraction and pixel",
            )
        if 0 < low < high:
            axes.axvspan(low, high, facecolor=LIMIT, alpha=0.08, edgecolor="none", zorder=0.4)
            for k, edge in enumerate((low, high)):
                axes.axvline(
                    edge, color=LIMIT, linewidth=1.4, linestyle=(0, (7, 2)),
                    label="sharp range (centre)" if k == 0 else None,
                )  # fmt: skip
        for region in regions:
            look = region_look(region)
            draw_model(axes, curves[region], look)
            rows = means[region]
            draw_points(
                axes, [r[0] for r in rows], [r[1] for r in rows], [r[2] for r in rows], look,
                label=region, hollow=[r[3] for r in rows],
            )  # fmt: skip
        dial_axis(axes, "f_number", [*f_numbers, *finite_positive([low, high])])
        axes.set_ylim(0, highest * 1.18)
        axes.set_ylabel("MTF50 (cycles per pixel)")
        axes.legend(loc="best", ncols=2)

    best = max(((row[1], row[0], region) for region, rows in means.items() for row in rows), default=None)
    alt = "Chart: MTF50 against f-number for " + ", ".join(regions) + "."
    if best is not None:
        value, f_number, region = wording.plain(best[0], 3), wording.f_number(best[1]), best[2]
        alt += f" The highest is {value} cycles per pixel at {f_number}, {region}."
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
            down = 1 if y < 0.75 else -1  # away from the frame's lower edge
            axes.text(
                3 * x,
                2 * y + 0.21 * down,
                below,
                ha="center",
                va="top" if down > 0 else "bottom",
                fontsize=7.5,
                color=INK,
                zorder=3,
            )
        axes.set_xlim(-0.05, 3.05)
        axes.set_ylim(2.05, -0.05)
        axes.set_aspect("equal")
        axes.set_axis_off()

    caption = (
        f"The frame at {wording.f_number(f_number)}, the sharpest f-number measured at the centre. Each "
        "circle stands "
        "where edges were measured; the percentage is MTF50 against the best place, and the circle's width "
        "goes with "
        "it. The best has a thick line, the lowest a broken one. "
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
