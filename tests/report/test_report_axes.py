"""Axes in stops: ticks stand at exact settings and carry the marked ones."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from kitgauge.report.axes import dial_axis, plain_axis, stops_axis


@pytest.fixture
def axes() -> Axes:
    return Figure().add_subplot()


def ticks(axis: object) -> dict[str, float]:
    places = axis.get_majorticklocs()  # type: ignore[attr-defined]
    labels = [tick.get_text() for tick in axis.get_ticklabels()]  # type: ignore[attr-defined]
    return {label: place for label, place in zip(labels, places, strict=True) if label}


def test_shutter_ticks_stand_at_exact_times_and_show_marked_ones(axes: Axes) -> None:
    dial_axis(axes, "shutter", [1 / 500, 1 / 8])
    # marked and exact times: published/facts.md, "1/125 s is 1/128 s, 1/60 s is 1/64 s, 1/15 s is 1/16 s"
    expected = {
        "1/500": 1 / 512,
        "1/250": 1 / 256,
        "1/125": 1 / 128,
        "1/60": 1 / 64,
        "1/30": 1 / 32,
        "1/15": 1 / 16,
        "1/8": 1 / 8,
    }
    assert ticks(axes.xaxis) == pytest.approx(expected)
    assert axes.get_xscale() == "log"


def test_f_number_ticks_are_root_two_apart(axes: Axes) -> None:
    dial_axis(axes, "f_number", [1.8, 22])
    # f/5.6 is 2^(5/2), f/11 is 2^(7/2) (published/facts.md)
    found = ticks(axes.xaxis)
    assert found["5.6"] == pytest.approx(2**2.5) and found["11"] == pytest.approx(2**3.5)
    assert list(found) == ["2", "2.8", "4", "5.6", "8", "11", "16", "22"]


def test_one_stop_has_the_same_length_everywhere(axes: Axes) -> None:
    dial_axis(axes, "iso", [100, 6400])
    places = sorted(ticks(axes.xaxis).values())
    pixels = [axes.transData.transform((place, 1.0))[0] for place in places]
    steps = [b - a for a, b in pairwise(pixels)]
    assert steps == pytest.approx([steps[0]] * len(steps))


def test_many_stops_do_not_crowd_the_labels(axes: Axes) -> None:
    dial_axis(axes, "iso", [50, 409_600])
    found = ticks(axes.xaxis)
    assert len(found) <= 9
    assert set(found) <= {str(50 * 2**k) for k in range(14)}


def test_narrow_span_is_marked_in_thirds(axes: Axes) -> None:
    dial_axis(axes, "shutter", [1 / 64])
    found = ticks(axes.xaxis)
    assert {"1/50", "1/60", "1/80"} <= set(found)
    assert found["1/80"] == pytest.approx(2 ** (-19 / 3))
    assert axes.get_xlabel() == "shutter time in seconds, one mark per third of a stop"


def test_unknown_and_impossible_values_are_ignored(axes: Axes) -> None:
    low, high = dial_axis(axes, "iso", [math.nan, 0.0, -5.0, 100.0, 800.0, math.inf])
    assert 50 < low < 100 and 800 < high < 1600
    with pytest.raises(ValueError, match="at least one positive value"):
        dial_axis(axes, "iso", [math.nan, 0.0])
    with pytest.raises(ValueError, match="at least one positive value"):
        stops_axis(axes, [])


def test_stops_axis_has_one_line_per_stop_through_the_anchor(axes: Axes) -> None:
    low, high = stops_axis(axes, [3.0, 90.0], anchor=10.0)
    assert low < 3.0 and high > 90.0
    assert ticks(axes.yaxis) == pytest.approx({"2.5": 2.5, "5": 5.0, "10": 10.0, "20": 20.0, "40": 40.0, "80": 80.0})


@pytest.mark.parametrize(
    ("values", "labels"),
    [
        ([1.5, 4.7], ["1.5", "2", "3", "4", "5"]),
        ([1.2, 24.0], ["1", "2", "5", "10", "20"]),
        ([0.02, 900.0], ["0.1", "1", "10", "100", "1000"]),
        ([2.0, 70_000.0], ["10", "100", "1000", "10⁴"]),
        ([20_000.0, 70_000.0], ["2×10⁴", "3×10⁴", "4×10⁴", "5×10⁴", "7×10⁴"]),
        ([2.0, 2.1], ["1.8", "2", "2.2", "2.4"]),
    ],
)  # fmt: skip
def test_plain_axis_has_round_marks_enough_to_read_values_off(values: list[float], labels: list[str]) -> None:
    axes = Figure().add_subplot()
    low, high = plain_axis(axes, values)
    assert low < min(values) and high > max(values)
    shown = [axes.yaxis.get_major_formatter()(t, k) for k, t in enumerate(axes.yaxis.get_majorticklocs())]
    assert shown == labels
