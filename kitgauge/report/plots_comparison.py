"""The figure of a comparison: one line per run, limits with their intervals on one axis of dial speeds."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from matplotlib.axes import Axes

from kitgauge.report import wording
from kitgauge.report.axes import dial_axis, finite_positive
from kitgauge.report.comparison_text import limit_words
from kitgauge.report.data import number, text
from kitgauge.report.style import FIGURE_SIZE_IN, LIMIT, LOOKS, Picture, drawn_letters, picture

_LINE_IN, _BETWEEN_IN, _FRAME_IN = 0.16, 0.16, 1.0
_LEAST_ROW_IN = 0.46
_LABEL_LETTERS, _LABEL_LINES = 22, 5


def comparison_picture(runs: Sequence[Mapping[str, Any]]) -> Picture | None:
    """Return the figure of the `runs` of a comparison, None where none has a limit or a bound."""
    rows = [
        row for row in runs if finite_positive([number(row.get(k)) for k in ("shutter_s", "ci_low_s", "ci_high_s")])
    ]
    if not rows:
        return None
    values = [number(row.get(key)) for row in rows for key in ("shutter_s", "ci_low_s", "ci_high_s")]

    labels = _labels(rows)

    def draw(axes: Axes) -> None:
        low, high = dial_axis(axes, "shutter", values)
        for place, row in enumerate(rows):
            _draw_run(axes, len(rows) - 1 - place, row, low, high)
        reference = number(rows[0].get("shutter_s"))
        if reference > 0:
            axes.axvline(reference, color=LIMIT, linewidth=1.2, linestyle=(0, (7, 2)), zorder=1)
        axes.set_ylim(-0.6, len(rows) - 0.4)
        axes.set_yticks(range(len(rows)), labels[::-1], fontsize=8.5)
        axes.grid(visible=False, axis="y")
        axes.tick_params(axis="y", length=0)

    caption = (
        "The slowest shutter time of each run at the same criterion, with its 95 % interval; slower is to the right. "
        "The broken line is the run that the others are compared with. "
    )
    if any(row.get("scaled") for row in rows):
        caption += "Hollow squares are scaled by angle from another focal length. "
    if any(not number(row.get("shutter_s")) > 0 for row in rows):
        caption += "An arrow without a point: the limit lies beyond the speeds measured, on the side it points to. "
    alt = "Chart: limits with intervals: " + "; ".join(f"{text(row.get('label'))}, {limit_words(row)}" for row in rows)
    lines = max(label.count("\n") + 1 for label in labels)
    row_in = max(_LEAST_ROW_IN, _LINE_IN * lines + _BETWEEN_IN)
    size = (FIGURE_SIZE_IN[0], _FRAME_IN + row_in * max(2, len(rows)))
    return picture("comparison", "Side by side", caption, alt + ".", draw, size_in=size)


def _draw_run(axes: Axes, height: int, row: Mapping[str, Any], left: float, right: float) -> None:
    value, low, high = (number(row.get(key)) for key in ("shutter_s", "ci_low_s", "ci_high_s"))
    scaled = bool(row.get("scaled"))
    look = LOOKS[1 if scaled else 0]
    start, end = (low if low > 0 else left), (high if high > 0 else right)
    axes.plot([start, end], [height, height], color=look.colour, linewidth=2.0, solid_capstyle="butt", zorder=2)
    for edge, known, marker in ((start, low > 0, 8), (end, high > 0, 9)):  # carets to the left and to the right
        if known:
            axes.plot([edge], [height], marker="|", markersize=9, color=look.colour, markeredgewidth=1.6, zorder=3)
        else:
            axes.plot([edge], [height], marker=marker, markersize=8, color=look.colour, clip_on=False, zorder=3)
    if value > 0:
        axes.plot(
            [value], [height], marker=look.marker, markersize=8, color=look.colour,
            markerfacecolor="white" if scaled else look.colour, markeredgewidth=1.6, zorder=4,
        )  # fmt: skip
        axes.annotate(
            wording.exact_shutter(value), (value, height), xytext=(0, 7), textcoords="offset points", ha="center",
            va="bottom", fontsize=8.5, bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.5},
            zorder=3.5,
        )  # fmt: skip


def _labels(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return how each run is called, with its day where the days differ."""
    days = [text(row.get("taken_at"))[:10] for row in rows]
    labels = []
    for row, day in zip(rows, days, strict=True):
        lines = textwrap.wrap(drawn_letters(text(row.get("label"))), _LABEL_LETTERS)
        if len(lines) > _LABEL_LINES:  # the end tells more than the middle
            lines = [*lines[: _LABEL_LINES - 2], "...", lines[-1]]
        labels.append("\n".join([*lines, day] if day and len(set(days)) > 1 else lines))
    return labels
