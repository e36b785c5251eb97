"""The photon-transfer plot: variance against level, with what was left out hollow."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from matplotlib.axes import Axes

from kitgauge.report import wording
from kitgauge.report.axes import finite_positive, plain_axis
from kitgauge.report.data import number, records, text
from kitgauge.report.noise_tables import in_colour, main_points
from kitgauge.report.style import FIGURE_SIZE_IN, GREY, INK, LOOKS, MARGINS_IN, Look, Picture, picture

MOST_LINES = 9
_ROUNDING_DN2 = 1.0 / 12.0  # EMVA 1288 Release 4: variance of rounding to whole DN
_FLAT, _DARK, _OUT = "o", "s", "x"
_LINE_POINTS = 40

Rows = Sequence[Mapping[str, Any]]


def photon_transfer_picture(noise: Mapping[str, Any]) -> Picture | None:
    """Return the photon-transfer plot of green (else of the colour there is), None without a flat."""
    rows = _main_rows(noise)
    flats = [r for r in rows if text(r.get("kind")) == "flat" and number(r.get("level_dn")) > 0]
    if not flats:
        return None
    isos = chosen_isos([number(r.get("iso")) for r in flats])
    looks = dict(zip(isos, LOOKS, strict=False))
    shown = [r for r in rows if number(r.get("iso")) in looks]
    points = {number(p.get("iso")): p for p in main_points(noise)}
    levels = finite_positive(number(r.get("level_dn")) for r in shown if text(r.get("kind")) == "flat")
    left = min([min(levels) / 2, *(_knee(points.get(iso)) / 4 for iso in isos if _knee(points.get(iso)) > 0)])
    right = max(levels) * 1.25
    darks = [r for r in shown if text(r.get("kind")) == "dark"]
    variances = [number(r.get("variance_dn2")) for r in shown]
    left_out = [r for r in shown if r.get("used") is False]

    def draw(axes: Axes) -> None:
        ends: list[float] = []
        for iso, look in looks.items():
            own = [r for r in shown if number(r.get("iso")) == iso]
            ends += _draw_iso(axes, own, points.get(iso), look, iso, (left, right))
        _legend(axes, bool(darks), bool(left_out), bool(ends))
        plain_axis(axes, [left, right], margin_stops=0.0, which="x")
        plain_axis(axes, [*variances, *ends], margin_stops=0.5)
        axes.set_xlabel("level above black (DN)")
        axes.set_ylabel("variance of one frame (DN²)")

    return picture(
        "photon-transfer", "Photon transfer: where the numbers come from",
        _caption(isos, rows, left_out, bool(darks), ", green" if in_colour(noise) else "",
                 any(_knee(points.get(iso)) > 0 for iso in isos)),
        _alt(isos, flats, left_out), draw, margins_in=(MARGINS_IN[0], 0.75, *MARGINS_IN[2:]),
        size_in=(FIGURE_SIZE_IN[0], FIGURE_SIZE_IN[1] + 0.3),
    )  # fmt: skip


def chosen_isos(values: Sequence[float], most: int = MOST_LINES) -> list[float]:
    """Return the ISO values to draw: all, or the lowest, the highest and what is spread evenly between them."""
    isos = sorted({value for value in values if math.isfinite(value) and value > 0})
    if len(isos) <= most:
        return isos
    return [isos[round(k * (len(isos) - 1) / (most - 1))] for k in range(most)]


def _main_rows(noise: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Return the rows of green; of both greens where they are not pooled; else of one colour."""
    rows = [r for r in records(noise.get("photon_transfer")) if number(r.get("variance_dn2")) > 0]
    colours = {text(r.get("channel")) for r in rows}
    main = {"G"} if "G" in colours else colours & {"G1", "G2"} or set(sorted(colours)[:1])
    return [r for r in rows if text(r.get("channel")) in main]


def _floor_dn2(point: Mapping[str, Any]) -> float:
    """Return the variance without light [DN²], rounding included; NaN where read noise is unknown."""
    read = number(point.get("read_noise_dn"))
    if not math.isfinite(read):
        gain = number(point.get("gain_e_per_dn"))
        read = number(point.get("read_noise_e")) / gain if gain > 0 else math.nan
    return read * read + _ROUNDING_DN2


def _knee(point: Mapping[str, Any] | None) -> float:
    """Return the level [DN] at which shot noise overtakes what is there without light; NaN if unknown."""
    if point is None:
        return math.nan
    knee = _floor_dn2(point) * number(point.get("gain_e_per_dn"))
    return knee if knee > 1e-3 else math.nan


def _draw_iso(
    axes: Axes, rows: Rows, point: Mapping[str, Any] | None, look: Look, iso: float, ends: tuple[float, float]
) -> list[float]:
    """Draw the points and the model of one ISO; return the variances at both ends of the model line."""
    for kind, marker in (("flat", _FLAT), ("dark", _DARK)):
        for used in (True, False):
            chosen = [r for r in rows if text(r.get("kind")) == kind and (r.get("used") is not False) == used]
            # a dark frame has no level: it stands at the left end of the axis
            x = [max(number(r.get("level_dn")), ends[0]) if kind == "flat" else ends[0] for r in chosen]
            y = [number(r.get("variance_dn2")) for r in chosen]
            if chosen:
                axes.plot(
                    x, y, linestyle="none", marker=marker, color=look.colour, markersize=5,
                    markerfacecolor=look.colour if used else "white", zorder=3, clip_on=False,
                )  # fmt: skip
                _bars(axes, x, y, [number(r.get("variance_stderr_dn2")) for r in chosen], look)
    gain = math.nan if point is None else number(point.get("gain_e_per_dn"))
    floor = math.nan if point is None else _floor_dn2(point)
    if not (gain > 0 and math.isfinite(floor)):
        _name(axes, iso, ends[1], max((number(r.get("variance_dn2")) for r in rows), default=math.nan))
        return []
    low, high = ends
    x = [low * (high / low) ** (k / (_LINE_POINTS - 1)) for k in range(_LINE_POINTS)]
    y = [floor + level / gain for level in x]
    axes.plot(x, y, color=look.colour, linewidth=1.2, linestyle=look.line, zorder=2)
    _name(axes, iso, high, y[-1])
    return [y[0], y[-1]]


def _bars(axes: Axes, x: Sequence[float], y: Sequence[float], error: Sequence[float], look: Look) -> None:
    """Draw error bars where they are longer than the mark."""
    seen = [(a, b, e) for a, b, e in zip(x, y, error, strict=True) if 0.05 * b < e < b]
    if seen:
        places = [place for place, _, _ in seen]
        low, high = [b - e for _, b, e in seen], [b + e for _, b, e in seen]
        axes.vlines(places, low, high, color=look.colour, linewidth=1.1)


def _name(axes: Axes, iso: float, x: float, y: float) -> None:
    if y > 0:
        axes.annotate(
            f"ISO {wording.plain(iso, 6)}", (x, y), xytext=(5, 0), textcoords="offset points", va="center",
            fontsize=8.5, annotation_clip=False,
        )  # fmt: skip


def _legend(axes: Axes, darks: bool, left_out: bool, model: bool) -> None:
    axes.plot([], [], linestyle="none", marker=_FLAT, color=INK, label="flats")
    if darks:
        axes.plot([], [], linestyle="none", marker=_DARK, color=INK, label="darks, at the left end")
    if left_out:
        axes.plot([], [], linestyle="none", marker=_FLAT, color=INK, markerfacecolor="white", label="left out")
    if model:
        axes.plot([], [], color=GREY, linewidth=1.2, label="model")


def _caption(isos: Sequence[float], rows: Rows, left_out: Rows, darks: bool, green: str, lines: bool) -> str:
    every = {number(r.get("iso")) for r in rows if number(r.get("iso")) > 0}
    parts = [
        f"How much pixels scatter (variance, between frames of the same thing) against how bright they are{green}. "
        "Both axes are logarithmic"
    ]
    if lines:
        parts[0] += (
            ", so pure light noise is a line that rises by ten for every ten: its height gives the gain. To the left "
            "the lines flatten out on the read noise, which is there without light."
        )
    else:
        parts[0] += ". No line is drawn: read noise, on which it would flatten out to the left, was not measured."
    if darks:
        parts.append("Squares at the left end are dark frames, which have no level.")
    if (most := max(map(_pairs, rows))) > 1:
        parts.append(
            f"Where there are very many pairs, a mark is the mean of those of one level, of up to {most}; each pair is "
            "in photon_transfer.npz."
        )
    if len(every) > len(isos):
        parts.append(f"{len(isos)} of {len(every)} ISO values are drawn.")
    if left_out:
        why: Counter[str] = Counter()
        for r in left_out:
            why[text(r.get("reason")) or "no reason recorded"] += _pairs(r)
        said = wording.listing([f"{reason} ({count})" for reason, count in why.most_common()], 4)
        parts.append(f"Hollow: left out, {said}.")
    parts.append("Bars are one standard error, where they are longer than the mark.")
    return " ".join(parts)


def _pairs(row: Mapping[str, Any]) -> int:
    """Return how many pairs a row is the mean of."""
    pairs = number(row.get("pairs"))
    return int(pairs) if pairs >= 1 else 1


def _alt(isos: Sequence[float], flats: Rows, left_out: Rows) -> str:
    ends = f"ISO {wording.plain(isos[0], 6)}"
    if len(isos) > 1:
        ends += f" to {wording.plain(isos[-1], 6)}"
    said = f"Chart: variance against level on logarithmic axes, {wording.count(len(flats), 'flat')} of {ends}"
    return f"{said}, {len(left_out)} left out." if left_out else f"{said}."
