"""Astigmatism told with a centre and four corners: the centre is what vibration reaches and the lens's fault does not.

Truth: `faulty_lens` (Goodman's diffraction x pixel x a normal blur that differs along and across the radius).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from faulty_lens import BOTH, F_NUMBERS, PITCH_UM, PLACES, SHAPE, Errors, FaultyLens, simulated

from kitgauge.fit.sharpness.lens_faults import lens_faults
from kitgauge.fit.sharpness.sharpness_contrasts import Finding

FIVE = ("centre", "top-left", "top-right", "bottom-left", "bottom-right")
CORNERS = FIVE[1:]
WIDE_OPEN = F_NUMBERS[0]


def found(lens: FaultyLens, errors: Errors, seed: int, regions: tuple[str, ...] = FIVE) -> list[Finding]:
    points, _ = simulated(lens, errors, seed)
    own = [p for p in points if p.region in regions]
    return list(lens_faults(own, pitch_um=PITCH_UM, frame_shape=SHAPE).findings)


def corners_astigmatic(size: float) -> FaultyLens:
    """Vertical edges lose as the square of the distance, as lines across the long side's diagonals do."""

    def fault(n: float, x: float, y: float, orientation: str, _colour: str) -> float:
        return size * (x * x + y * y) / n**2 if orientation == "vertical" else 0.0

    return FaultyLens(fault=fault)


def lost(lens: FaultyLens, region: str) -> float:
    """True per cent by which vertical edges are softer than horizontal ones, wide open."""
    return 100.0 * (1.0 - lens.mtf50(WIDE_OPEN, region, "vertical") / lens.mtf50(WIDE_OPEN, region, "horizontal"))


@pytest.mark.statistical
@pytest.mark.parametrize("errors", [Errors(), Errors(print_scatter=0.007), Errors(shake=0.01)])
def test_corners_that_agree_do_not_accuse_the_centre(errors: Errors) -> None:
    """All corners alike 15 % softer in vertical edges: named with their size; the centre, where it is 0, is not.

    The median of all places, which the corners rule, calls the centre 15 % softer in horizontal edges.
    """
    lens = corners_astigmatic(2.3)
    assert lost(lens, "centre") == 0.0 and 10.0 < lost(lens, "top-left") < 25.0
    points, _ = simulated(lens, errors, 1)
    value = {(p.region, p.orientation): p.mtf50_cy_per_px for p in points if p.f_number == WIDE_OPEN}
    d = {r: math.log(value[r, "vertical"] / value[r, "horizontal"]) for r in FIVE}
    assert d["centre"] - np.median([d[r] for r in CORNERS]) > 0.1  # the naive way
    runs = [found(lens, errors, seed) for seed in range(10)]
    assert {f.region for run in runs for f in run} <= set(CORNERS)
    told = [f for run in runs for f in run]
    assert len(told) > 30  # of 40
    assert all(f.kind == "astigmatism" and "vertical edges" in f.text for f in told)
    for region in CORNERS:
        sizes = [f.size for f in told if f.region == region]
        error = np.mean([f.size_stderr for f in told])
        assert abs(np.mean(sizes) - lost(lens, region)) < max(1.5 * error, 1.5)


@pytest.mark.statistical
def test_what_the_centre_shows_too_is_not_the_corners() -> None:
    """One direction is 8 % softer everywhere: that is said of the whole frame, and no corner is accused."""
    lens = FaultyLens(factor=lambda _n, _region, orientation: 0.92 if orientation == "vertical" else 1.0)
    for seed in range(6):
        (finding,) = found(lens, Errors(), seed)
        assert (finding.kind, finding.region) == ("astigmatism", "whole frame")
        assert finding.size == pytest.approx(8.0, abs=2.0)
        assert "vibration" in finding.text and "cannot be told" not in finding.text


@pytest.mark.statistical
def test_a_centre_that_differs_alone_is_named() -> None:
    lens = FaultyLens(factor=lambda _n, region, o: 0.9 if (region, o) == ("centre", "vertical") else 1.0)
    for seed in range(6):
        (finding,) = [f for f in found(lens, Errors(), seed) if f.kind == "astigmatism"]
        assert finding.region == "centre" and finding.size == pytest.approx(10.0, abs=2.0)


@pytest.mark.statistical
def test_without_a_centre_it_is_said_what_cannot_be_told() -> None:
    lens = corners_astigmatic(2.3)
    (finding,) = found(lens, Errors(), 3, (*CORNERS, "left"))
    assert (finding.kind, finding.region) == ("astigmatism", "whole frame")
    assert "cannot be told apart" in finding.text


@pytest.mark.statistical
@pytest.mark.parametrize(
    "errors",
    [Errors(), Errors(stated=0.8), Errors(shake=0.02), Errors(shake=0.05), Errors(print_scatter=0.01)],
    ids=["as stated", "errors a fifth too small", "shake 2 %", "shake 5 %", "print"],
)
def test_no_finding_on_a_perfect_lens_at_five_places(errors: Errors) -> None:
    """At most 1 run in 20. Of 40 runs 6 or more has a probability of 1.4 % at 1 in 20."""
    runs = [found(FaultyLens(), errors, seed) for seed in range(40)]
    assert sum(bool(run) for run in runs) < 6, [(f.kind, f.region) for run in runs for f in run]
    assert set(PLACES) >= set(FIVE) and len(BOTH) == 2
