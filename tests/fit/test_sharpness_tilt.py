"""A soft side of the frame: what the tilt of the target, known from its markers, has to do with it."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from faulty_lens import PITCH_UM, SHAPE, FaultyLens, simulated

from kitgauge.fit.sharpness.lens_faults import lens_faults
from kitgauge.fit.sharpness.target_seen import TargetSeen, target_seen

M = 1.0 / 40.0  # picture over target
TARGET = TargetSeen(1000.0 * M / PITCH_UM, 0.0, 0.1, 0.0, 0.1, 5, 18)


def of_tilt(tilt_deg: float, upright: bool = False) -> FaultyLens:
    """A flat field focused beside the target's middle, and a target tilted so that its right (lower) end is nearer.

    A place x px from the middle is x pitch / M nearer per unit slope; its picture lies M^2 times that deeper, and the
    cone of f-number N (1 + M) is that over N (1 + M) wide. A disc has a variance of its diameter squared / 16.
    """
    slope = math.tan(math.radians(tilt_deg))
    half = 0.5 * math.hypot(*SHAPE)

    def fault(n: float, x: float, y: float, _o: str, _c: str) -> float:
        depth_um = M**2 * ((y if upright else x) * half * PITCH_UM / M) * slope + 20.0
        return (depth_um / (n * (1.0 + M)) / PITCH_UM / 4.0) ** 2

    return FaultyLens(fault=fault)


def finding_of(lens: FaultyLens, target: TargetSeen | None):
    points, _ = simulated(lens)
    found = lens_faults(points, pitch_um=PITCH_UM, target=target, frame_shape=SHAPE).findings
    assert [f.kind for f in found] == ["tilt"]
    return found[0]


@pytest.mark.parametrize("upright", [False, True])
def test_a_tilted_target_is_blamed_for_what_it_does(upright: bool) -> None:
    key = "tilt_y_deg" if upright else "tilt_x_deg"
    finding = finding_of(of_tilt(3.0, upright), replace(TARGET, **{key: -3.0}))
    assert (finding.region, finding.cause) == ("bottom" if upright else "right", "target")
    assert "turned by 3.0 ± 0.1 degrees" in finding.text and "enough to explain it" in finding.text


def test_a_square_target_clears_itself() -> None:
    finding = finding_of(of_tilt(3.0), TARGET)
    assert finding.cause == "lens"
    assert "cannot make that difference: the lens or the sensor is tilted" in finding.text
    # a target tilted the other way round the frame is not to blame either
    assert finding_of(of_tilt(3.0), replace(TARGET, tilt_y_deg=3.0)).cause == "lens"


def test_a_tilt_that_may_be_a_part_of_it_is_left_open() -> None:
    finding = finding_of(of_tilt(3.0), replace(TARGET, tilt_x_deg=-1.2))
    assert finding.cause == ""
    assert "may explain a part of it or all" in finding.text


def test_without_markers_both_are_possible() -> None:
    for target in (None, replace(TARGET, tilt_x_deg=math.nan)):
        finding = finding_of(of_tilt(3.0), target)
        assert finding.cause == ""
        assert "Either the target was not square to the camera, or the lens or the sensor is tilted" in finding.text


def test_the_target_is_the_mean_of_sheets_and_frames() -> None:
    def sheet(number: int, tilt: float | None, scale: float = 10.0) -> dict:
        return {
            "sheet": number, "px_per_mm": scale, "tilt_x_deg": tilt, "tilt_x_stderr_deg": None if tilt is None else 0.2,
            "tilt_y_deg": 0.5, "tilt_y_stderr_deg": 0.2,
        }  # fmt: skip

    seen = target_seen([[sheet(1, 1.0), sheet(2, 2.0)], [], [sheet(1, None, 10.4)]])
    assert seen is not None
    assert (seen.sheets, seen.frames) == (2, 2)
    assert seen.tilt_x_deg == pytest.approx(1.5)
    assert seen.tilt_x_stderr_deg == pytest.approx(0.5)  # their scatter, 0.707 / sqrt(2), is more than 0.2 / sqrt(2)
    assert seen.tilt_y_deg == pytest.approx(0.5)
    assert seen.tilt_y_stderr_deg == pytest.approx(0.2 / math.sqrt(2.0))  # frames of one sheet err alike
    assert seen.magnification(4.0) == pytest.approx(0.04)
    assert seen.magnification(None) == 0.0
    assert target_seen([[], []]) is None
    unknown = target_seen([[sheet(1, None)]])
    assert unknown is not None and math.isnan(unknown.tilt_x_deg)
