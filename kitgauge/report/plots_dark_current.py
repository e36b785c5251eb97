"""Figures of dark current: what heat adds against exposure time, by both routes, and hot pixels against time."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from matplotlib.axes import Axes

from kitgauge.report import wording
from kitgauge.report.axes import finite_positive, plain_axis
from kitgauge.report.data import number, numbers, records
from kitgauge.report.style import GREY, LOOKS, MARGINS_IN, Look, Picture, draw_points, picture

_WIDE = 8.0  # counts that differ by more stand on a logarithmic axis
# where both routes agree one mark hides the other: the one below is larger
_LOOKS = (Look(LOOKS[0].colour, "o", LOOKS[0].line, 8.5), Look(LOOKS[1].colour, "s", LOOKS[1].line, 4.0))

Points = Sequence[Mapping[str, Any]]


def dark_current_pictures(dark: Mapping[str, Any]) -> list[Picture]:
    """Return the figures of one dark-current series (`noise.dark_current` of `curves.json`)."""
    points = sorted(
        (p for p in records(dark.get("points")) if number(p.get("exposure_s")) > 0),
        key=lambda p: number(p["exposure_s"]),
    )
    found = [_signal_picture(dark, points), _hot_picture(points)]
    return [item for item in found if item is not None]


def _signal_picture(dark: Mapping[str, Any], points: Points) -> Picture | None:
    """Return the dark signal against time: in electrons by both routes, in DN by level where the gain is unknown."""
    gain = number(dark.get("gain_e_per_dn"))
    known = gain > 0
    scale = gain if known else 1.0
    routes = [
        _route(points, "level_dn", "level_stderr_dn", number(dark.get("level_slope_dn_per_s")), scale),
        _route(points, "variance_dn2", "variance_stderr_dn2", number(dark.get("variance_slope_dn2_per_s")), scale**2)
        if known
        else None,
    ]
    shown = [
        (name, look, route)
        for name, look, route in zip(("from the level", "from the noise"), _LOOKS, routes, strict=True)
        if route is not None
    ]
    if not shown:
        return None
    longest = max(numbers(points, "exposure_s"))

    def draw(axes: Axes) -> None:
        for name, look, (x, y, error, slope) in shown:
            axes.plot([0.0, longest], [0.0, slope * longest], color=look.colour, linestyle=look.line, linewidth=1.2)
            draw_points(axes, x, y, error, look, label=name)
        axes.axhline(0.0, color=GREY, linewidth=1)
        axes.set_xlim(0.0, 1.04 * longest)
        axes.set_xlabel("exposure time (seconds)")
        axes.set_ylabel("electrons added per pixel" if known else "level added (DN)")

    caption = (
        "What heat adds to each pixel with the lens capped, against exposure time. Points are measured, lines are the "
        "straight line fitted through them; both start at 0 by definition. Bars are one standard error. "
    )
    if known:
        caption += (
            "Squares count the same electrons by the noise that they bring: where circles lie lower, the camera takes "
            "the level away, but not the noise. "
        )
    else:
        caption += "Without a gain it cannot be told in electrons. "
    end = wording.plain(shown[0][2][3] * longest, 3)
    unit = "electrons" if known else "DN"
    alt = f"Chart: dark signal against exposure time, {end} {unit} added at {wording.plain(longest, 3)} seconds."
    return picture("dark-signal", "Dark current", caption.strip(), alt, draw, margins_in=MARGINS_IN)


def _route(
    points: Points, key: str, error_key: str, slope: float, scale: float
) -> tuple[list[float], list[float], list[float], float] | None:
    """Return times, what was added by then, its standard error, and the slope per second, all times `scale`.

    What is there at no exposure is where the fitted line meets it: the weighted mean of value less slope times time.
    """
    rows = [
        (t, value, error)
        for t, value, error in zip(
            numbers(points, "exposure_s"), numbers(points, key), numbers(points, error_key), strict=True
        )
        if t > 0 and math.isfinite(value)
    ]
    if len(rows) < 2 or not math.isfinite(slope):
        return None
    weights = [1 / error**2 if error > 0 else math.nan for _, _, error in rows]
    if not all(1e-30 < weight < 1e30 for weight in weights):
        weights = [1.0] * len(rows)
    start = sum(w * (v - slope * t) for w, (t, v, _) in zip(weights, rows, strict=True)) / sum(weights)
    times = [t for t, _, _ in rows]
    return times, [scale * (v - start) for _, v, _ in rows], [scale * e for _, _, e in rows], scale * slope


def _hot_picture(points: Points) -> Picture | None:
    rows = [p for p in points if number(p.get("hot_pixels_per_mp")) > 0]
    if len(rows) < 2:
        return None
    times = numbers(rows, "exposure_s")
    counts = numbers(rows, "hot_pixels_per_mp")
    look = Look(LOOKS[5].colour, "^", "-")

    def draw(axes: Axes) -> None:
        axes.plot(times, counts, color=look.colour, marker=look.marker, linewidth=1)
        plain_axis(axes, times, which="x")
        if max(counts) > _WIDE * min(counts):
            plain_axis(axes, finite_positive(counts))
        else:
            axes.set_ylim(0.0, 1.15 * max(counts))
        axes.set_xlabel("exposure time (seconds)")
        axes.set_ylabel("hot pixels per megapixel")

    caption = (
        "Pixels that stand out of their neighbours in both frames of a pair, against exposure time: a count, so there "
        "are no error bars. A dark frame of the same exposure time or the raw developer takes most hot pixels out. "
    )
    none = sum(1 for p in points if number(p.get("hot_pixels_per_mp")) == 0)
    if none:
        caption += f"At {wording.count(none, 'shorter time')} there was none."
    alt = (
        f"Chart: hot pixels per megapixel go from {wording.plain(counts[0], 3)} at {wording.shutter(times[0])} to "
        f"{wording.plain(counts[-1], 3)} at {wording.shutter(times[-1])}."
    )
    return picture("dark-hot", "Hot pixels", caption.strip(), alt, draw, margins_in=MARGINS_IN)
