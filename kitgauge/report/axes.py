"""Axes in photographic stops: logarithmic to base 2, marked as the camera's dials are.

A tick stands at the exact setting (1/64 s) and carries the marked value (1/60). Whole stops have labels,
third stops small ticks. Sources of the dial values: `kitgauge.exposure`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Literal

from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.ticker import FixedFormatter, FixedLocator, NullFormatter, NullLocator

from kitgauge.exposure import Dial, f_number_dial, iso_dial, shutter_dial

DialKind = Literal["iso", "f_number", "shutter"]

_LABELS: dict[DialKind, str] = {
    "iso": "ISO",
    "f_number": "f-number",
    "shutter": "shutter time in seconds",
}
_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_MOST_LABELS = 9
_FEWEST_LABELS = 4
_ROUND_MARKS: tuple[tuple[float, ...], ...] = (
    (1,),
    (1, 3),
    (1, 2, 5),
    (1, 2, 3, 5),
    (1, 1.5, 2, 3, 4, 5, 7),
    (1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 7, 8, 9),
    tuple(1 + 0.2 * k for k in range(45)),
    tuple(1 + 0.05 * k for k in range(180)),
)


def finite_positive(values: Iterable[float]) -> list[float]:
    """Return the values that can stand on a logarithmic axis."""
    return [value for value in values if math.isfinite(value) and value > 0]


def dial_label(kind: DialKind, nominal: float) -> str:
    """Return the text of a tick: '400', '5.6', '1/60', '2'."""
    if kind == "shutter" and nominal < 0.29:
        return f"1/{1 / nominal:.0f}"
    return f"{nominal:.2g}" if nominal < 10 else f"{nominal:.0f}"


def dial_axis(axes: Axes, kind: DialKind, values: Iterable[float], *, margin_stops: float = 0.4) -> tuple[float, float]:
    """Make the x axis of `axes` a dial that spans `values` (> 0; others are ignored) and return its ends.

    Raises ValueError if no value is positive and finite.
    """
    kept = finite_positive(values)
    if not kept:
        raise ValueError("a dial axis needs at least one positive value")
    thirds, whole = _dials(kind)
    factor = 2.0 ** (margin_stops / thirds.stops_per_factor)
    low, high = min(kept) / factor, max(kept) * factor
    axes.set_xscale("log", base=2)
    axes.set_xlim(low, high)
    shown = [(e, n) for e, n in zip(whole.exact, whole.nominal, strict=True) if low <= e <= high]
    step = "stop"
    if len(shown) < 2:  # a span of less than two stops: label the third stops as well
        step = "third of a stop"
        shown = [(e, n) for e, n in zip(thirds.exact, thirds.nominal, strict=True) if low <= e <= high]
    every = max(1, -(-len(shown) // _MOST_LABELS))
    labels = [dial_label(kind, n) if k % every == 0 else "" for k, (_, n) in enumerate(shown)]
    _set_ticks(axes.xaxis, [e for e, _ in shown], labels)
    if math.log2(high / low) * thirds.stops_per_factor <= 9:
        axes.xaxis.set_minor_locator(FixedLocator([e for e in thirds.exact if low <= e <= high]))
    axes.set_xlabel(f"{_LABELS[kind]}, one mark per {step}")
    return low, high


def stops_axis(
    axes: Axes, values: Iterable[float], *, anchor: float = 1.0, margin_stops: float = 0.5
) -> tuple[float, float]:
    """Make the y axis logarithmic with one line per stop through `anchor`, spanning `values`; return its
    ends.

    Raises ValueError if no value is positive and finite.
    """
    kept = finite_positive(values)
    if not kept:
        raise ValueError("an axis in stops needs at least one positive value")
    low, high = min(kept) / 2.0**margin_stops, max(kept) * 2.0**margin_stops
    axes.set_yscale("log", base=2)
    axes.set_ylim(low, high)
    first = math.ceil(math.log2(low / anchor) - 1e-9)
    last = math.floor(math.log2(high / anchor) + 1e-9)
    every = max(1, -(-(last - first + 1) // _MOST_LABELS))
    ticks = [anchor * 2.0**k for k in range(first, last + 1)]
    labels = [_plain_tick(t) if (k % every == 0) else "" for k, t in zip(range(first, last + 1), ticks, strict=True)]
    _set_ticks(axes.yaxis, ticks, labels)
    return low, high


def plain_axis(
    axes: Axes, values: Iterable[float], *, margin_stops: float = 0.3, which: Literal["x", "y"] = "y"
) -> tuple[float, float]:
    """Make one axis logarithmic, marked with round numbers close enough to read values off; return its ends.

    Raises ValueError if no value is positive and finite.
    """
    kept = finite_positive(values)
    if not kept:
        raise ValueError("an axis needs at least one positive value")
    low, high = min(kept) / 2.0**margin_stops, max(kept) * 2.0**margin_stops
    if which == "y":
        axes.set_yscale("log", base=10)
        axes.set_ylim(low, high)
    else:
        axes.set_xscale("log", base=10)
        axes.set_xlim(low, high)
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    ticks: list[float] = []
    for marks in _ROUND_MARKS:
        ticks = [m * 10.0**k for k in decades for m in marks if low <= m * 10.0**k <= high]
        if len(ticks) >= _FEWEST_LABELS:
            break
    every = max(1, -(-len(ticks) // _MOST_LABELS))
    labels = [_round_tick(tick) if k % every == 0 else "" for k, tick in enumerate(ticks)]
    _set_ticks(axes.yaxis if which == "y" else axes.xaxis, ticks, labels)
    return low, high


def _dials(kind: DialKind) -> tuple[Dial, Dial]:
    if kind == "iso":
        return iso_dial("thirds"), iso_dial("whole")
    if kind == "f_number":
        return f_number_dial("thirds"), f_number_dial("whole")
    return shutter_dial("thirds"), shutter_dial("whole")


def _set_ticks(axis: Axis, places: list[float], labels: list[str]) -> None:
    axis.set_major_locator(FixedLocator(places))
    axis.set_major_formatter(FixedFormatter(labels))
    axis.set_minor_locator(NullLocator())
    axis.set_minor_formatter(NullFormatter())


def _round_tick(value: float) -> str:
    """Return '0.2', '1000', '10⁴', '5 × 10⁴': no more than four digits, for the margin beside the axis."""
    if 1e-3 < value < 9999.5:
        return f"{value:.0f}" if value >= 999.5 else f"{value:.3g}"
    power = math.floor(math.log10(value) + 1e-9)
    mark = value / 10.0**power
    raised = str(power).translate(_RAISED)
    return f"10{raised}" if abs(mark - 1) < 1e-6 else f"{mark:.3g}×10{raised}"


def _plain_tick(value: float) -> str:
    if value >= 10 or value == int(value):
        return f"{value:.0f}"
    return f"{value:.3g}"
