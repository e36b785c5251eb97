"""Figures of a noise run. Those against ISO are drawn here: SNR at mid-grey with the limit, and read noise with its two
gain stages.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from matplotlib.axes import Axes

from kitgauge.exposure import exact_iso
from kitgauge.report import wording
from kitgauge.report.axes import dial_axis, finite_positive, plain_axis, stops_axis
from kitgauge.report.data import mapping, number, numbers, records, sampled_curve, text
from kitgauge.report.letter import setting_text
from kitgauge.report.plots_dark_current import dark_current_pictures
from kitgauge.report.plots_exposure import exposure_picture, linearity_picture, spectrum_picture
from kitgauge.report.plots_photon_transfer import photon_transfer_picture
from kitgauge.report.style import (
    GREY,
    INK,
    LIMIT,
    LOOKS,
    MARGINS_IN,
    Look,
    Picture,
    draw_model,
    draw_points,
    mark_limit,
    picture,
)

CHANNELS = ("R", "G", "G1", "G2", "B", "Y")
_CHANNEL_LOOKS: dict[str, Look] = {
    "G": Look(LOOKS[2].colour, "o", "-"),
    "R": Look(LOOKS[5].colour, "^", "--"),
    "B": Look(LOOKS[0].colour, "s", ":"),
    "G1": LOOKS[3],
    "G2": LOOKS[4],
    "Y": Look(LOOKS[8].colour, "o", "-"),
}
_ROUNDING_MATTERS = 0.25
_ASIDE_STOPS = 0.1  # colours stand side by side at each ISO, or equal values would hide one another

Points = Sequence[Mapping[str, Any]]


def noise_pictures(noise: Mapping[str, Any], limits: Sequence[Mapping[str, Any]]) -> list[Picture]:
    """Return the figures of one noise run (`noise` and `limits` of `curves.json`); none where there are no
    points.
    """
    points = records(noise.get("points"))
    fit = mapping(noise.get("fit"))
    limit = next((item for item in limits if item.get("kind") == "iso" and number(item.get("iso")) > 0), None)
    pictures = [
        _snr_picture(points, fit, limit),
        exposure_picture(noise, number((limit or {}).get("snr_pixel"))),
        _read_noise_picture(points, fit),
        photon_transfer_picture(noise),
        linearity_picture(noise),
        spectrum_picture(noise),
    ]
    dark = dark_current_pictures(mapping(noise.get("dark_current")))
    return [*dark, *(item for item in pictures if item is not None)]


def shown_channels(points: Points) -> list[str]:
    """Return the colours to draw: pooled green for the two greens where it is there, in a fixed order."""
    present = {text(point.get("channel")) for point in points}
    if "G" in present:
        present -= {"G1", "G2"}
    return [name for name in CHANNELS if name in present] + sorted(present - set(CHANNELS))


def _of(points: Points, channel: str) -> Points:
    return sorted(
        (p for p in points if text(p.get("channel")) == channel and number(p.get("iso")) > 0),
        key=lambda p: number(p.get("iso")),
    )


def _several_isos(points: Points) -> bool:
    return len(set(finite_positive(numbers(points, "iso")))) > 1


def exact_isos(points: Points) -> list[float]:
    """Return the exact ISO of points with the ISO that the camera marks; points without one are left out."""
    return [exact_iso(iso) for iso in finite_positive(numbers(points, "iso"))]


def _aside(rows: Points, points: Points) -> list[float]:
    """Return the ISO values of one colour's rows, moved a little so that the colours stand side by side."""
    channels = shown_channels(points)
    place = channels.index(text(rows[0].get("channel"))) - (len(channels) - 1) / 2 if rows else 0.0
    return [iso * 2.0 ** (_ASIDE_STOPS * place) for iso in exact_isos(rows)]


def _look(channel: str) -> Look:
    return _CHANNEL_LOOKS.get(channel, LOOKS[8])


def _snr_picture(points: Points, fit: Mapping[str, Any], limit: Mapping[str, Any] | None) -> Picture | None:
    values = finite_positive(numbers(points, "snr_midgrey"))
    if not values or (limit is None and not _several_isos(points)):
        return None
    curve = sampled_curve(mapping(fit.get("curves")).get("snr_midgrey"))
    needed = number((limit or {}).get("snr_pixel"))
    green = " (green)" if len(shown_channels(points)) > 1 else ""
    isos = finite_positive([*exact_isos(points), *([] if limit is None else numbers([limit], "iso"))])

    def draw(axes: Axes) -> None:
        for channel in shown_channels(points):
            rows = _of(points, channel)
            draw_points(
                axes, _aside(rows, points), numbers(rows, "snr_midgrey"), numbers(rows, "snr_midgrey_stderr"),
                _look(channel), label=channel_name(channel) if green else "measured",
                hollow=[bool(r.get("excluded")) for r in rows],
            )  # fmt: skip
        draw_model(axes, curve, _look("G"), f"model{green}, 95 % band")
        if limit is not None:
            mark_limit(
                axes, number(limit["iso"]), number(limit.get("ci_low")), number(limit.get("ci_high")),
                f"limit {setting_text(limit, '')} (on the dial {setting_text(limit)})",
            )  # fmt: skip
        if math.isfinite(needed):
            axes.axhline(needed, color=LIMIT, linewidth=1, linestyle=(0, (1, 2)), label="SNR needed per pixel")
        dial_axis(axes, "iso", isos)
        stops_axis(axes, [*values, *finite_positive([needed])], anchor=10.0)
        axes.set_ylabel("SNR of one pixel at mid-grey (ratio)")

    beside = ", and the colours stand side by side at each ISO" if len(shown_channels(points)) > 1 else ""
    caption = (
        f"Signal-to-noise ratio of one pixel at mid-grey against ISO; each line of the grid is one stop{beside}. Bars "
        "are one standard error where it was estimated. "
    )
    if "Y" in shown_channels(points):
        caption += "Of developed pictures: brightness in linear light, for this picture style only. "
    elif curve is None:
        caption += "No model line: the fit gave none. "
    if limit is not None:
        caption += "The broken vertical line is your limit, the shaded strip its 95 % interval."
    if math.isfinite(needed):
        caption += " The dotted line is the ratio one pixel needs for your criterion at your picture's size."
    alt = f"Chart: signal-to-noise ratio at mid-grey falls from {_ends(points, 'snr_midgrey')}."
    if limit is not None:
        alt += f" The limit stands at ISO {wording.plain(number(limit['iso']), 3)}."
    return picture("noise-snr", "Noise against ISO", caption, alt, draw, margins_in=MARGINS_IN)


def _read_noise_picture(points: Points, fit: Mapping[str, Any]) -> Picture | None:
    values = finite_positive(numbers(points, "read_noise_e"))
    if not values or not _several_isos(points):
        return None
    curve = sampled_curve(mapping(fit.get("curves")).get("read_noise_e"))
    second_stage = number(fit.get("dual_gain_iso"))
    invariance = number(fit.get("invariance_iso"))
    green = " (green)" if len(shown_channels(points)) > 1 else ""
    isos = exact_isos(points)
    rounding = _rounding(points)
    mattering = [noise for _, noise, matters in rounding if matters]

    def draw(axes: Axes) -> None:
        for channel in shown_channels(points):
            rows = _of(points, channel)
            draw_points(
                axes,
                _aside(rows, points),
                numbers(rows, "read_noise_e"),
                numbers(rows, "read_noise_e_stderr"),
                _look(channel),
                label=channel_name(channel) if green else "measured",
                hollow=[bool(r.get("excluded")) for r in rows],
            )
        draw_model(axes, curve, _look("G"), f"model{green}, 95 % band")
        if mattering:
            axes.plot(
                [iso for iso, _, _ in rounding], [noise for _, noise, _ in rounding], color=INK, linewidth=1,
                linestyle=(0, (1, 2)), marker="_", label=f"rounding to whole DN{green}",
            )  # fmt: skip
        if second_stage > 0:
            axes.axvline(
                second_stage, color=GREY, linewidth=1.2, linestyle=(0, (2, 2)),
                label=f"second gain stage from {wording.iso(second_stage)}",
            )  # fmt: skip
        if invariance > 0 and invariance != second_stage:
            axes.axvline(
                invariance, color=GREY, linewidth=1.2, linestyle=(0, (8, 3, 1, 3)),
                label=f"little gained above ISO {wording.plain(invariance, 3)}",
            )  # fmt: skip
        dial_axis(axes, "iso", isos)
        plain_axis(axes, [*values, *mattering])
        axes.set_ylabel("read noise (electrons)")

    caption = (
        "Read noise against ISO: what the camera adds in the dark, counted in electrons at the sensor"
        f"{'; the colours stand side by side at each ISO' if green else ''}. Bars are one standard error. "
    )
    if mattering:
        caption += (
            "The finely dotted line is what rounding to whole numbers adds to it (not in the points): there the file's "
            "steps are coarse. "
        )
    if second_stage > 0:
        caption += f"The sensor changes to a second gain stage at {wording.iso(second_stage)}. "
    elif curve is not None:
        caption += "No second gain stage was found. "
    else:
        caption += "No model line: the fit gave none. "
    if remark := text(fit.get("invariance_text")):
        caption += f"{remark[0].upper()}{remark[1:]}."
    elif invariance > 0:
        caption += (
            f"Above ISO {wording.plain(invariance, 3)}, raising ISO in the camera cleans the shadows little more."
        )
    alt = f"Chart: read noise goes from {_ends(points, 'read_noise_e', ' electrons')}."
    return picture("noise-read", "Read noise", caption, alt, draw, margins_in=MARGINS_IN)


def _rounding(points: Points) -> list[tuple[float, float, bool]]:
    """Return (exact ISO, noise of rounding to whole DN [e-], whether it matters) of green.

    Rounding has a variance of 1/12 DN² (EMVA 1288 Release 4); from a quarter of the read noise on it adds 3 %.
    """
    channels = shown_channels(points)
    if not channels:
        return []
    return [
        (exact_iso(number(p.get("iso"))), noise := gain / math.sqrt(12), noise >= _ROUNDING_MATTERS * read)
        for p in _of(points, "G" if "G" in channels else channels[0])
        if (gain := number(p.get("gain_e_per_dn"))) > 0 and (read := number(p.get("read_noise_e"))) > 0
    ]


def channel_name(channel: str) -> str:
    """Return a colour in words."""
    names = {"R": "red", "G": "green", "G1": "green 1", "G2": "green 2", "B": "blue", "Y": "brightness"}
    return names.get(channel, channel or "unnamed")


def _ends(points: Points, key: str, unit: str = "") -> str:
    channel = shown_channels(points)
    rows = [p for p in _of(points, "G" if "G" in channel else channel[0]) if math.isfinite(number(p.get(key)))]
    if not rows:
        return "values that are unknown for green"
    first, last = rows[0], rows[-1]
    return " to ".join(
        f"{wording.plain(number(p.get(key)), 3)}{unit} at ISO {wording.plain(number(p.get('iso')), 6)}"
        for p in (first, last)
    )
