"""Maps of the frame: how sharp each place is, how red and blue lie against green, and which edges were refused."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from kitgauge.report import wording
from kitgauge.report.data import flag_of, number, records, text, texts
from kitgauge.report.regions import SAME_PLACE, Rows
from kitgauge.report.style import GREY, INK, LOOKS, Picture, picture

_HEIGHT = 2.0  # of the frame on the map, whatever its shape
_USUAL_ASPECT = 1.5
_BELOW_CIRCLE = 0.16  # from a circle's middle to its figures
_FOOT = 0.42  # from the middle of the lowest circles to the foot of the map
_CROWDED = 0.15  # places nearer together than this leave no room for the figures of both directions
_STROKES = {"vertical": "│", "horizontal": "─", "both": "┼"}
_LONGEST_ARROW = 0.26
_BELOW_ARROWS = 0.29  # from a place to the figures under its arrows
_CENTRE = 0.05  # of the diagonal: as in `fit.lateral_colour`
_LETTERS = "abcdefghijklmnopqrstuvwxyz"
_MOST_MARKS = 60


@dataclass(frozen=True)
class Place:
    """One place of the frame, 0 to 1 from the left and the top: MTF50, and that of each edge direction."""

    x: float
    y: float
    mtf50: float
    figures: str


def sharpness_map(
    points: Rows, f_number: float, why: str, aspect: float, name: str, *, first: bool = True
) -> Picture | None:
    """Return the map of one measured f-number, None with fewer than two places. `why` tells why it is shown,
    `first` that the caption has to explain it all."""
    places = places_of(points, f_number)
    if len(places) < 2:
        return None
    best = max(places, key=lambda place: place.mtf50)
    worst = min(places, key=lambda place: place.mtf50)
    crowded = _nearest(places) < _CROWDED

    def draw(axes: Axes) -> None:
        width = _frame(axes, aspect)
        for place in places:
            x, y = width * place.x, _HEIGHT * place.y
            share = place.mtf50 / best.mtf50
            axes.scatter(
                [x], [y], s=(500 if crowded else 1050) * share**2, facecolor="white", edgecolor=LOOKS[0].colour,
                linewidth=2.8 if place is best else 1.6 if place is worst else 0.9,
                linestyle="--" if place is worst else "-", zorder=2,
            )  # fmt: skip
            axes.text(x, y, f"{100 * share:.0f}", ha="center", va="center", fontsize=11, zorder=3)
            said = ["best"] * (place is best) + ["lowest"] * (place is worst)
            below = "\n".join([*said, *([] if crowded else [place.figures])])
            axes.text(x, y + _BELOW_CIRCLE, below, ha="center", va="top", fontsize=9.5, color=INK, zorder=3)
        _finish(axes, width, max(place.y for place in places))

    setting = wording.f_number(f_number)
    caption = (
        f"The frame at {setting}, {why}. Each circle stands where edges were measured; the number in it is MTF50 in "
        "per cent of the best place here, and its width goes with it. The best has a thick line, the lowest a "
        "broken one."
    )
    if not first:
        caption = f"The same at {setting}, {why}: per cent of the best place at this f-number."
    elif not crowded:
        caption += (
            " Below: MTF50 in cycles per pixel of near-vertical (│) and near-horizontal (─) edges. Where the two "
            "differ, detail is drawn out in one direction."
        )
    alt = (
        f"Map of the frame at {setting}: MTF50 at {len(places)} places, from {wording.plain(worst.mtf50, 3)} "
        f"(x {worst.x:.2f}, y {worst.y:.2f}) to {wording.plain(best.mtf50, 3)} cycles per pixel "
        f"(x {best.x:.2f}, y {best.y:.2f})."
    )
    return picture(name, f"Where in the frame, {setting}", caption, alt, draw, size_in=(5.6, 4.0))


def places_of(points: Rows, f_number: float) -> list[Place]:
    """Return the places measured at one f-number, both edge directions of a target square joined."""
    found: list[list[tuple[float, float, float, str]]] = []
    for p in points:
        x, y, value = number(p.get("x_norm")), number(p.get("y_norm")), number(p.get("mtf50_cy_per_px"))
        if number(p.get("f_number")) != f_number or not (0 <= x <= 1 and 0 <= y <= 1 and value > 0):
            continue
        near = next((c for c in found if math.hypot(x - c[0][0], y - c[0][1]) < SAME_PLACE), None)
        row = (x, y, value, text(p.get("orientation")))
        if near is None:
            found.append([row])
        else:
            near.append(row)
    return [_joined(cluster) for cluster in found]


def _joined(cluster: list[tuple[float, float, float, str]]) -> Place:
    """Return the mean of one place's points, each direction counting alike."""
    means = {
        stroke: sum(values) / len(values)
        for orientation, stroke in _STROKES.items()
        if (values := [c[2] for c in cluster if c[3] == orientation])
    }
    overall = list(means.values()) or [c[2] for c in cluster]
    count = len(cluster)
    figures = " ".join(f"{stroke}{value:.3f}"[0:6].replace("0.", ".", 1) for stroke, value in means.items())
    return Place(
        sum(c[0] for c in cluster) / count, sum(c[1] for c in cluster) / count, sum(overall) / len(overall), figures
    )


def _nearest(places: Sequence[Place]) -> float:
    return min(math.hypot(a.x - b.x, a.y - b.y) for k, a in enumerate(places) for b in places[:k])


def colour_map(lateral: Mapping[str, Any], aspect: float) -> Picture | None:
    """Return the map of the shifts of red and blue against green, None where none is known.

    lateral : channel ("R", "B") -> fit, with `places[]`: `x_norm`, `y_norm`, and the shift [px] outwards from the
    centre (`radial_px`) and across (`tangential_px`).
    """
    known = [
        (channel, *_shift(place, aspect)) for channel in ("R", "B") for place in records(_fit_of(lateral, channel))
    ]
    arrows = [a for a in known if all(math.isfinite(value) for value in a[1:])]
    if not arrows:
        return None
    longest = max(math.hypot(a[3], a[4]) for a in arrows)
    step = _round_up(longest)
    looks: dict[str, tuple[str, Any]] = {"R": (LOOKS[5].colour, "-"), "B": (LOOKS[0].colour, (0, (3, 1.2)))}

    def draw(axes: Axes) -> None:
        width = _frame(axes, aspect)
        for channel, x_norm, y_norm, dx, dy in arrows:
            colour, line = looks[channel]
            x, y = width * x_norm, _HEIGHT * y_norm
            size = math.hypot(dx, dy)
            tip = (x + _LONGEST_ARROW * dx / step, y + _LONGEST_ARROW * dy / step)
            axes.annotate(
                "", xy=tip, xytext=(x, y), zorder=3,
                arrowprops={"arrowstyle": "-|>" if channel == "R" else "->", "color": colour, "linestyle": line,
                            "linewidth": 1.5, "shrinkA": 0, "shrinkB": 0},
            )  # fmt: skip
            side, place = (-0.02, "right") if channel == "R" else (0.02, "left")
            axes.text(
                x + side, y + _BELOW_ARROWS, f"{channel} {size:.2f}", ha=place, va="center", fontsize=9, color=colour,
                zorder=4,
            )  # fmt: skip
        for x_norm, y_norm in {(a[1], a[2]) for a in arrows}:
            axes.plot([width * x_norm], [_HEIGHT * y_norm], ".", color=GREY, markersize=4, zorder=2)
        foot = max(_HEIGHT, _HEIGHT * max(a[2] for a in arrows) + _BELOW_ARROWS) + 0.16
        axes.plot([0, _LONGEST_ARROW], [foot, foot], color=INK, linewidth=2)
        axes.text(_LONGEST_ARROW + 0.06, foot, f"{wording.plain(step, 2)} px", va="center", fontsize=9)
        axes.set_xlim(-0.08, width + 0.08)
        axes.set_ylim(foot + 0.12, -0.1)
        axes.set_aspect("equal")
        axes.set_axis_off()

    caption = (
        "How far red (R, full line) and blue (B, broken line) lie from green, and in which direction, in pixels; the "
        f"bar at the foot is {wording.plain(step, 2)} px long. Arrows that point outwards or inwards and grow "
        "towards the corners are lateral colour, which raw developers take out; arrows that all point one way, or "
        "are long in the centre, are not."
    )
    alt = f"Map of the frame: shifts of red and blue against green of up to {wording.plain(longest, 2)} px."
    return picture("sharpness-colour-map", "Red and blue against green", caption, alt, draw, size_in=(5.6, 4.1))


def _fit_of(lateral: Mapping[str, Any], channel: str) -> object:
    found = lateral.get(channel)
    return found.get("places") if isinstance(found, Mapping) else None


def _shift(place: Mapping[str, Any], aspect: float) -> tuple[float, float, float, float]:
    """Return (x_norm, y_norm, shift to the right, shift down [px]) of a place.

    In the centre, where no direction is outwards, the two parts of the shift are given as right and down.
    """
    x, y = number(place.get("x_norm")), number(place.get("y_norm"))
    out_x, out_y = (x - 0.5) * aspect, y - 0.5
    length = math.hypot(out_x, out_y)
    out_x, out_y = (1.0, 0.0) if length < _CENTRE * math.hypot(aspect, 1.0) else (out_x / length, out_y / length)
    radial, tangential = number(place.get("radial_px")), number(place.get("tangential_px"))
    return x, y, radial * out_x - tangential * out_y, radial * out_y + tangential * out_x


def _round_up(value: float) -> float:
    """Return the next of 1, 2, 5 times a power of ten: a length that reads well on a scale."""
    if not value > 0:
        return 0.1
    power = 10.0 ** math.floor(math.log10(value))
    return next(power * mark for mark in (1, 2, 5, 10) if power * mark >= value * 0.999)


def refused_map(refused: Rows, frame_px: tuple[float, float]) -> Picture | None:
    """Return where edges were seen and not measured, a letter per reason; None without any, or without a frame size.

    `frame_px` : width and height of the frame.
    """
    width_px, height_px = frame_px
    if not (width_px > 0 and height_px > 0):
        return None
    reasons: dict[str, str] = {}
    marks: dict[tuple[int, int, str], tuple[float, float, int]] = {}
    for edge in refused:
        x, y = number(edge.get("x_px")) / width_px, number(edge.get("y_px")) / height_px
        if not (-0.02 <= x <= 1.02 and -0.02 <= y <= 1.02):
            continue
        name = (texts(edge.get("flags")) or ("",))[0]
        flag = flag_of(name)
        letter = reasons.setdefault(flag.text if flag is not None else name or wording.UNKNOWN, "")
        if not letter:
            letter = reasons[flag.text if flag is not None else name or wording.UNKNOWN] = _LETTERS[
                (len(reasons) - 1) % len(_LETTERS)
            ]
        key = (round(x / 0.05), round(y / 0.05), letter)
        at = marks.get(key, (x, y, 0))
        marks[key] = (at[0], at[1], at[2] + 1)
    if not marks:
        return None
    shown = sorted(marks.items(), key=lambda item: -item[1][2])[:_MOST_MARKS]

    def draw(axes: Axes) -> None:
        width = _frame(axes, width_px / height_px)
        for (_, _, letter), (x, y, count) in shown:
            said = letter if count == 1 else f"{letter} {count}"
            axes.plot([width * x], [_HEIGHT * y], "x", color=LOOKS[5].colour, markersize=5, zorder=3)
            axes.text(
                width * min(max(x, 0.03), 0.97), _HEIGHT * y + 0.05, said, ha="center", va="top", fontsize=9, zorder=3
            )
        axes.set_xlim(-0.08, width + 0.08)
        axes.set_ylim(_HEIGHT + 0.16, -0.1)
        axes.set_aspect("equal")
        axes.set_axis_off()

    told = "; ".join(f"{letter}: {why}" for why, letter in reasons.items())
    caption = (
        "Where edges were seen and not measured, over all frames; a letter tells the reason, a number how often. "
        f"{told}. Edges of other things in the picture are refused rightly; only refused edges of your target need "
        "another shot."
    )
    alt = f"Map of the frame: {wording.count(len(refused), 'refused edge')}. {told}."
    return picture("sharpness-refused-map", "Edges seen and not measured", caption, alt, draw, size_in=(5.6, 3.9))


def aspect_of(frame_px: tuple[float, float]) -> float:
    """Return width over height of the frame, that of a usual one where the size is unknown or odd."""
    width_px, height_px = frame_px
    ratio = width_px / height_px if width_px > 0 and height_px > 0 else math.nan
    return ratio if 0.3 <= ratio <= 4 else _USUAL_ASPECT


def _frame(axes: Axes, aspect: float) -> float:
    """Draw the frame and return its width on the map."""
    width = _HEIGHT * aspect
    axes.add_patch(Rectangle((0, 0), width, _HEIGHT, facecolor="#f3f5f6", edgecolor=GREY, linewidth=1.2))
    return width


def _finish(axes: Axes, width: float, lowest: float) -> None:
    axes.set_xlim(-0.05, width + 0.05)
    axes.set_ylim(max(_HEIGHT + 0.05, _HEIGHT * lowest + _FOOT), -0.05)
    axes.set_aspect("equal")
    axes.set_axis_off()
