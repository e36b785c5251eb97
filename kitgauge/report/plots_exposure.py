"""Figures against exposure: SNR in stops below saturation, and departure from a straight line; and the noise's
spectrum where it is not white.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from matplotlib.axes import Axes

from kitgauge.exposure import MIDGREY_FRACTION_OF_SATURATION
from kitgauge.report import wording
from kitgauge.report.axes import finite_positive, stops_axis
from kitgauge.report.data import Curve, mapping, number, records, sampled_curve, text
from kitgauge.report.plots_photon_transfer import chosen_isos
from kitgauge.report.style import GREY, LIMIT, LOOKS, MARGINS_IN, Picture, draw_model, draw_points, picture

_MOST_LINES = 4
_MOST_SERIES = 6
_HIGHEST_SNR = 1e4
_LOWEST_SNR = 0.9  # below it there is nothing to see in one pixel; a curve that ends at 1 is drawn to its end
_MIDGREY_STOPS = -math.log2(MIDGREY_FRACTION_OF_SATURATION)  # ISO 12232: 10/78 of saturation

Rows = Sequence[Mapping[str, Any]]


def exposure_picture(noise: Mapping[str, Any], snr_pixel: float) -> Picture | None:
    """Return SNR against exposure for a few ISO values, None where the run does not hold it.

    `snr_pixel` is the SNR that one pixel needs for the criterion, NaN where there is no limit.
    """
    keys = ("stops_below_saturation", "snr", "low", "high")
    sampled = {
        number(row.get("iso")): curve
        for row in records(noise.get("snr_against_exposure"))
        if number(row.get("iso")) > 0 and (curve := _above(sampled_curve(row, keys))) is not None
    }
    isos = chosen_isos(list(sampled), _MOST_LINES)
    if not isos:
        return None
    needed = snr_pixel if _LOWEST_SNR < snr_pixel < _HIGHEST_SNR else math.nan

    def draw(axes: Axes) -> None:
        for iso, look in zip(isos, LOOKS, strict=False):
            draw_model(axes, sampled[iso], look, f"ISO {wording.plain(iso, 6)}")
        deepest = max(max(sampled[iso].x) for iso in isos)
        axes.axvline(_MIDGREY_STOPS, color=GREY, linewidth=1, linestyle=(0, (2, 2)), label="mid-grey")
        if math.isfinite(needed):
            axes.axhline(needed, color=LIMIT, linewidth=1, linestyle=(0, (1, 2)), label="SNR needed per pixel")
        axes.set_xlim(max(deepest, 1.0), 0.0)
        stops_axis(axes, finite_positive([*(v for iso in isos for v in sampled[iso].y), needed]), anchor=10.0)
        axes.set_xlabel("exposure in stops below saturation")
        axes.set_ylabel("SNR of one pixel (ratio)")

    caption = (
        "Signal-to-noise ratio of one pixel against exposure: saturation is at the right end, each step to the "
        "left is a stop less light, and each line of the grid upward a stop more ratio. "
    )
    if any(sampled[iso].has_band for iso in isos):
        caption += "Shaded, where wide enough to be seen: the 95 % band. "
    if math.isfinite(needed):
        caption += (
            "Where a line falls below the dotted one, that tone is noisier than your criterion allows at mid-grey. "
        )
    caption += (
        "On the right it is the light's own noise that counts, and two stops of light give one of ratio; on the left "
        "read noise makes the lines fall twice as fast."
    )
    alt = f"Chart: signal-to-noise ratio of one pixel falls with exposure, {wording.count(len(isos), 'ISO value')}."
    return picture("noise-exposure", "Noise from highlights to shadows", caption, alt, draw, margins_in=MARGINS_IN)


def _above(curve: Curve | None) -> Curve | None:
    """Return the part of a curve that can be drawn: from saturation down, SNR of `_LOWEST_SNR` and more."""
    if curve is None:
        return None
    rows = list(zip(curve.x, curve.y, curve.low or curve.y, curve.high or curve.y, strict=True))
    kept = [r for r in rows if 0 <= r[0] < 40 and _LOWEST_SNR <= r[1] < _HIGHEST_SNR]
    if len(kept) < 2:
        return None
    x, y, low, high = zip(*kept, strict=True)
    banded = curve.has_band and min(low) > 0
    return Curve(x, y, low, high) if banded else Curve(x, y)


def linearity_picture(noise: Mapping[str, Any]) -> Picture | None:
    """Return the departure from a straight line against level, None where there are no levels."""
    given = [row for row in records(noise.get("linearity")) if len(_departures(row)) >= 2]
    colours = {text(row.get("channel")) for row in given}
    if "G" in colours:
        given = [row for row in given if text(row.get("channel")) == "G"]
    isos = chosen_isos([number(row.get("iso")) for row in given], _MOST_SERIES)
    shown = [row for row in given if number(row.get("iso")) in isos][:_MOST_SERIES]
    if not shown:
        return None

    def draw(axes: Axes) -> None:
        for row, look in zip(shown, LOOKS, strict=False):
            points = sorted(_departures(row))
            x, y, error = (list(column) for column in zip(*points, strict=True))
            axes.plot(x, y, color=look.colour, linewidth=0.9, linestyle=look.line)
            draw_points(axes, x, y, error, look, label=_series_name(row, shown))
        axes.axhline(0.0, color=GREY, linewidth=1)
        axes.set_xlim(left=0.0)
        axes.set_xlabel("level above black (DN)")
        axes.set_ylabel("departure (% of full range)")

    worst = [row for row in shown if math.isfinite(number(row.get("error_max")))]
    caption = (
        "How far levels lie from a straight line through them, against the level. A raw file should be straight; a "
        "bend towards the right end says that the last part of the range is not to be relied on for measuring. Bars "
        "are one standard error. "
    )
    if worst:
        row = max(worst, key=lambda r: abs(number(r.get("error_max"))))
        size = wording.with_error(100 * number(row["error_max"]), 100 * number(row.get("error_max_stderr")), "%")
        caption += f"Largest: {size} of full range at ISO {wording.plain(number(row.get('iso')), 6)}."
    alt = f"Chart: departure from linearity against level, {wording.count(len(shown), 'series', 'series')}."
    return picture("noise-linearity", "Linearity", caption, alt, draw, margins_in=MARGINS_IN)


def _departures(row: Mapping[str, Any]) -> list[tuple[float, float, float]]:
    """Return (level [DN], departure [% of full range], its standard error [%]) of each level that has both."""
    columns = [row.get(key) for key in ("level_dn", "departure", "departure_stderr")]
    level, departure, error = ([number(v) for v in c] if isinstance(c, list) else [] for c in columns)
    if len(error) != len(level):
        error = [math.nan] * len(level)
    if len(departure) != len(level):
        return []
    return [
        (x, 100 * y, 100 * e)
        for x, y, e in zip(level, departure, error, strict=True)
        if x > 0 and math.isfinite(y) and abs(y) < 10
    ]


def _series_name(row: Mapping[str, Any], rows: Rows) -> str:
    name = f"ISO {wording.plain(number(row.get('iso')), 6)}"
    several = len({text(r.get("channel")) for r in rows}) > 1
    return f"{name}, {text(row.get('channel'))}" if several else name


def spectrum_picture(noise: Mapping[str, Any]) -> Picture | None:
    """Return the noise's spectrum of the ISO values at which it is not white, None where it is white throughout.

    That of raw frames is power up to each frequency; that of developed pictures is power around each.
    """
    keys = ("frequency_cy_per_px", "relative_power", "", "")
    around = records(mapping(noise.get("developed")).get("spectrum"))
    given = [
        (row, curve)
        for row in around or records(noise.get("spectrum"))
        if row.get("white") is False and (curve := sampled_curve(mapping(row), keys)) is not None and min(curve.y) >= 0
    ]
    main = next((name for name in ("G", "Y") if any(text(row.get("channel")) == name for row, _ in given)), None)
    given = [(row, curve) for row, curve in given if main in (None, text(row.get("channel")))]
    isos = chosen_isos([number(row.get("iso")) for row, _ in given], _MOST_SERIES)
    shown = [(row, curve) for row, curve in given if number(row.get("iso")) in isos][:_MOST_SERIES]
    if not shown:
        return None

    def draw(axes: Axes) -> None:
        for (row, curve), look in zip(shown, LOOKS, strict=False):
            axes.plot(
                curve.x, curve.y, color=look.colour, linestyle=look.line, marker=look.marker, markersize=3.5,
                label=_series_name(row, [r for r, _ in shown]),
            )  # fmt: skip
        axes.axhline(1.0, color=GREY, linewidth=1, linestyle=(0, (4, 2)), label="white noise")
        axes.set_xlim(left=0.0)
        axes.set_ylim(0.0, 1.15 * max(1.0, *(v for _, curve in shown for v in curve.y)))
        axes.set_xlabel(f"spatial frequency (cycles per {'' if around else 'sensor '}pixel)")
        axes.set_ylabel(f"noise power {'there' if around else 'up to there'} (1 where white)")

    caption = (
        f"Noise power {'around' if around else 'up to'} each spatial frequency, against that of white noise of the "
        "same size; ISO values at which it is white are left out. Above 1 to the left: the noise is blotchy, and "
        "making the picture smaller removes less of it. The limit is worked out with this spectrum."
    )
    alt = f"Chart: noise power against spatial frequency, {wording.count(len(shown), 'series', 'series')} not white."
    return picture("noise-spectrum", "Noise that is not white", caption, alt, draw, margins_in=MARGINS_IN)
