"""How figures look: quiet colours that differ in lightness, one marker and line style per series, text kept
as text.

Colour is never the only code: every series has its own marker and line style as well, so a grey print still
reads. Figures are drawn with matplotlib's object interface, without pyplot and without touching its global
settings for longer than one figure.
"""

from __future__ import annotations

import html
import io
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from kitgauge.report.data import Curve

INK = "#1d2329"
GREY = "#6b737b"
GRID = "#dfe3e6"
LIMIT = "#8c2d19"
_LONGEST_NAME = 24
_LEGEND_COLUMNS = 2
_LEGEND_ROW_IN = 0.19
_LABEL_EDGE_IN, _BELOW_TICKS_IN = 0.2, 0.29  # where labels of axes with fixed margins stand
FIGURE_SIZE_IN = (5.6, 4.1)  # 403 x 295 points: letters stay readable when the figure is 360 px wide
MARGINS_IN = (0.72, 0.12, 0.1, 0.52)  # left, right, top, bottom: room for tick labels of five letters


@dataclass(frozen=True)
class Look:
    """Colour, marker and line style of one series."""

    colour: str
    marker: str
    line: str | tuple[int, tuple[float, ...]]
    size: float = 5.0


LOOKS = (
    Look("#1f4e79", "o", "-"),
    Look("#c0741a", "s", (0, (5, 2))),
    Look("#3f7d4e", "^", (0, (1, 1.5))),
    Look("#7a4f86", "D", (0, (5, 1.5, 1, 1.5))),
    Look("#5c6670", "v", (0, (8, 2))),
    Look("#a8324a", "P", (0, (3, 1, 1, 1, 1, 1))),
    Look("#2c8a94", "X", (0, (2, 2))),
    Look("#8a7a1f", "<", (0, (6, 1, 2, 1))),
    Look("#3a3a3a", ">", (0, (4, 3))),
)

_SETTINGS: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "kitgauge",
    "font.family": "DejaVu Sans",  # ships with matplotlib, so the layout is the same on every system
    "font.size": 10,
    "figure.constrained_layout.use": False,  # a user's own settings may say otherwise
    "figure.autolayout": False,
    "axes.edgecolor": GREY,
    "axes.labelcolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.titlesize": 10.5,
    "grid.color": GRID,
    "grid.linewidth": 0.7,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "text.parse_math": False,
    "legend.frameon": False,
    "legend.fontsize": 8.5,
    "lines.linewidth": 1.5,
    "lines.markersize": 5,
    "errorbar.capsize": 2.5,
}
_FONTS = "system-ui, -apple-system, 'Segoe UI', 'DejaVu Sans', sans-serif"


@dataclass(frozen=True)
class Picture:
    """One figure of the page: inline SVG, the text for who cannot see it, and the caption below it."""

    name: str
    title: str
    caption: str
    alt: str
    svg: str


def picture(
    name: str,
    title: str,
    caption: str,
    alt: str,
    draw: Callable[[Axes], None],
    size_in: tuple[float, float] = FIGURE_SIZE_IN,
    margins_in: tuple[float, float, float, float] | None = None,
) -> Picture:
    """Draw one figure with a single set of axes and return it as inline SVG.

    `name` (letters and hyphens) keeps the figure's ids apart from those of other figures on the page.
    `margins_in` (left, right, top, bottom of the axes) spares the search for margins that fit, which takes as
    long as drawing; without it they are searched for.
    """
    with matplotlib.rc_context(_SETTINGS):
        figure = Figure(figsize=size_in, layout="constrained" if margins_in is None else None)
        axes = figure.add_subplot()
        draw(axes)
        _legend_below(figure, axes)
        if margins_in is not None:
            _place(figure, axes, margins_in, figure.get_figheight() - size_in[1])
        stream = io.StringIO()
        figure.savefig(stream, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    return Picture(name, title, caption, alt, inline_svg(stream.getvalue(), name, alt))


def _legend_below(figure: Figure, axes: Axes) -> None:
    """Put the legend under the axes, where it covers nothing, and make the figure higher by as much."""
    handles, labels = axes.get_legend_handles_labels()
    if not labels:
        return
    rows = -(-len(labels) // _LEGEND_COLUMNS)
    width, height = figure.get_size_inches()
    figure.set_size_inches(width, height + _LEGEND_ROW_IN * rows)
    if figure.get_layout_engine() is None:
        figure.legend(handles, labels, loc="lower center", ncols=_LEGEND_COLUMNS)
    else:
        figure.legend(handles, labels, loc="outside lower center", ncols=_LEGEND_COLUMNS)


def _place(figure: Figure, axes: Axes, margins_in: tuple[float, float, float, float], legend_in: float) -> None:
    """Give the axes their margins and its labels a fixed place, above a legend that is so high."""
    left, right, top, bottom = margins_in
    width, height = figure.get_size_inches()
    axes_width, axes_height = width - left - right, height - top - bottom - legend_in
    axes.set_position((left / width, (bottom + legend_in) / height, axes_width / width, axes_height / height))
    axes.yaxis.set_label_coords((_LABEL_EDGE_IN - left) / axes_width, 0.5)
    axes.xaxis.set_label_coords(0.5, -_BELOW_TICKS_IN / axes_height)


def inline_svg(source: str, name: str, alt: str) -> str:
    """Return a whole SVG file as an element for a page: no prologue, no metadata, own ids, scalable,
    described.
    """
    body = source[source.index("<svg") :]
    body = re.sub(r"<metadata>.*?</metadata>", "", body, flags=re.DOTALL)
    body = re.sub(r'\bid="([^"]+)"', rf'id="{name}-\1"', body)
    body = re.sub(r"url\(#([^)]+)\)", rf"url(#{name}-\1)", body)
    body = re.sub(r'xlink:href="#([^"]+)"', rf'href="#{name}-\1"', body)
    body = re.sub(r"'DejaVu Sans'(, [^;\"]+)?", _FONTS, body)
    box = re.search(r'viewBox="([^"]+)"', body)
    opening = f'<svg viewBox="{box.group(1) if box else ""}" role="img" aria-label="{html.escape(alt)}">'
    return re.sub(r"<svg[^>]*>", lambda _: opening, body, count=1).strip()


def drawn_letters(text: str) -> str:
    """Return a text in letters that the figure's font surely has; others as '?'."""
    return re.sub(r"[^ -~]", "?", text)


def legend_name(name: str) -> str:
    """Return a name fit for a legend: short, and only letters that the figure's font surely has."""
    plain = drawn_letters(name)
    return plain if len(plain) <= _LONGEST_NAME else f"{plain[: _LONGEST_NAME - 3]}..."


def mark_limit(axes: Axes, value: float, low: float, high: float, label: str, *, vertical: bool = True) -> None:
    """Draw a limit as a line with its interval as a hatched band (no band where the interval is not
    known).
    """
    span, line = (axes.axvspan, axes.axvline) if vertical else (axes.axhspan, axes.axhline)
    if 0 < low < high:  # the axis is logarithmic
        span(low, high, facecolor=LIMIT, alpha=0.13, edgecolor="none", zorder=0.5)
    line(value, color=LIMIT, linewidth=1.6, linestyle=(0, (7, 2)), label=label, zorder=2.5)


def draw_model(axes: Axes, curve: Curve | None, look: Look, label: str | None = None) -> None:
    """Draw a fitted model as a line with its 95 % band, where the fit gives one."""
    if curve is None:
        return
    if curve.has_band:
        axes.fill_between(curve.x, curve.low, curve.high, color=look.colour, alpha=0.16, linewidth=0, zorder=1)
    axes.plot(curve.x, curve.y, color=look.colour, linestyle=look.line, label=label, zorder=2)


def draw_points(
    axes: Axes,
    x: Sequence[float],
    y: Sequence[float],
    error: Sequence[float],
    look: Look,
    *,
    label: str | None,
    hollow: Sequence[bool] | None = None,
) -> None:
    """Draw points with error bars (none where the error is unknown); hollow ones are marked as left out of
    the fit.
    """
    marks = [False] * len(x) if hollow is None else list(hollow)
    for is_hollow in (False, True):
        chosen = [
            (a, b, e if e > 0 else 0.0)
            for a, b, e, mark in zip(x, y, error, marks, strict=True)
            if mark == is_hollow and math.isfinite(a) and math.isfinite(b)
        ]
        if not chosen:
            continue
        a, b, e = zip(*chosen, strict=True)
        face = "white" if is_hollow else look.colour
        name = None if label is None else legend_name(label)
        text = f"{name}, left out" if name and is_hollow else name
        bars = e if any(value > 0 for value in e) else None
        axes.errorbar(
            a, b, yerr=bars, linestyle="none", marker=look.marker, markersize=look.size, color=look.colour,
            markerfacecolor=face, markeredgecolor=look.colour, elinewidth=1.1, label=text, zorder=3,
        )  # fmt: skip
