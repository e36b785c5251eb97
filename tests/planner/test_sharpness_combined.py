"""All blurs together at the viewing frequency: each factor, and their product, against independent routes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, special

from kitgauge.planner.f_numbers import compare_f_numbers, sharpest
from kitgauge.planner.focusing import Focusing
from kitgauge.planner.motion import Hands, Motion
from kitgauge.planner.optics import Optics
from kitgauge.planner.plan import Plan, make_plan
from kitgauge.planner.request import CameraFacts, PlanRequest
from kitgauge.planner.sharpness import motion_mtf, sharpness
from kitgauge.planner.viewing import WAVELENGTH_MM, Viewing, aberration_of, aberration_stderr_of

CIRCLE_MM = 0.0288


def motion_by_drawing(frequency: float, streak_mm: float) -> float:
    """Mean over directions of the transform of a straight uniform line, by plain averaging of its points."""
    along = (np.arange(4001) + 0.5) / 4001 - 0.5
    angles = (np.arange(720) + 0.5) / 720 * math.pi
    waves = np.cos(2 * np.pi * frequency * streak_mm * along[None, :] * np.cos(angles)[:, None])
    return float(waves.mean())


@pytest.mark.parametrize("lengths", [0.0, 0.1, 0.705, 1.6, 5.0, 18.0])
def test_motion_is_the_mean_of_a_line_over_all_directions(lengths: float) -> None:
    assert motion_mtf(25.0, lengths / 25.0) == pytest.approx(motion_by_drawing(25.0, lengths / 25.0), abs=2e-4)


def test_motion_of_long_streaks_is_the_integral_of_j0() -> None:
    for u in (2.0, 30.0, 61.0, 150.0, 900.0):
        exact = integrate.quad(special.j0, 0, u, limit=2000)[0] / u
        assert motion_mtf(u / math.pi, 1.0) == pytest.approx(exact, abs=2e-5)


def pupil_mtf(f_number: float, disc_mm: float, frequency: float) -> float:
    """Defocus and diffraction by the overlap of two shifted pupils on a grid (Goodman, ch. 6, from memory)."""
    s = WAVELENGTH_MM * f_number * frequency
    axis = np.linspace(-1, 1, 1201)
    x, y = np.meshgrid(axis, axis)
    overlap = ((x - s) ** 2 + y**2 <= 1) & ((x + s) ** 2 + y**2 <= 1)
    w20 = disc_mm / (8 * f_number) / WAVELENGTH_MM
    return float(np.sum(overlap * np.cos(2 * np.pi * w20 * ((x + s) ** 2 - (x - s) ** 2))) / np.sum(x**2 + y**2 <= 1))


def test_near_focus_and_far_are_the_product_of_independent_blurs() -> None:
    optics = Optics(50.0, Viewing(CIRCLE_MM), 2.4, 2.0, 3.0)
    hands = Hands(0.02, 0.8)
    motion = Motion(hands, 0.02, math.inf, 0.0, 0.8, streak_mm=0.03)
    found = sharpness(optics, 8.0, 1 / 64, motion)
    # Rayleigh: the streak that half of the frames do not exceed, from P(L <= 0.03 mm) = 0.8 at 0.02 s
    median_mm = 0.03 * math.sqrt(math.log(0.5) / math.log(0.2)) * (1 / 64) / 0.02
    moved = motion_by_drawing(optics.viewing.frequency, median_mm)
    for place, metres in (("near", 2.0), ("focus", 2.4), ("far", 3.0)):
        disc = 50 / 8 * 0.05 / (2.4 - 0.05) * abs(metres - 2.4) / metres  # similar triangles
        exact = pupil_mtf(8.0, disc, optics.viewing.frequency) * moved
        assert found.contrast[place] == pytest.approx(exact, abs=3e-3)
    assert found.motion == pytest.approx(moved, abs=1e-3)
    # adding blur circles and streaks as lengths, as is often done, is far off
    disc = 50 / 8 * 0.05 / 2.35 * 0.2
    added = 2 * special.j1(x := math.pi * (disc + median_mm) * optics.viewing.frequency) / x
    assert abs(added - found.contrast["near"]) > 0.1


def test_a_miss_of_the_focus_is_averaged_over_its_scatter() -> None:
    optics = Optics(85.0, Viewing(CIRCLE_MM), 2.0, 2.0, 2.0)
    focusing = Focusing(40.0, ((2.8, 60.0),), (30.0, 55.0), 1e-3)
    still = Motion(None, math.inf, math.inf, 0.0, 0.8, streak_mm=0.03)
    misses = 0.040 * np.random.default_rng(3).standard_normal(4000)
    drawn = np.mean([optics.viewing.mtf(2.8, abs(miss) / 2.8) for miss in misses])
    found = sharpness(optics, 2.8, 1 / 250, still, focusing)
    assert found.contrast["focus"] == pytest.approx(drawn, abs=0.006)
    assert found.contrast["focus"] < sharpness(optics, 2.8, 1 / 250, still).contrast["focus"] - 0.03
    # closing the aperture narrows the cone of light: the same misses cost less
    assert sharpness(optics, 5.6, 1 / 250, still, focusing).contrast["focus"] > found.contrast["focus"]


def test_intervals_follow_from_the_errors_of_lens_and_hands() -> None:
    points = ((4.0, 0.30, 0.010), (8.0, 0.28, 0.010))
    viewing = Viewing(CIRCLE_MM, aberration_of(tuple(p[:2] for p in points), 6.0), aberration_stderr_of(points, 6.0))
    optics = Optics(50.0, viewing, 2.0, 2.0, 2.0)
    still = Motion(None, math.inf, math.inf, 0.0, 0.8, streak_mm=0.03)
    found = sharpness(optics, 4.0, 0.01, still)
    assert found.interval is not None
    low, high = found.interval["focus"]
    # the same lens measured 1.96 standard errors softer and sharper
    ends = [
        Viewing(CIRCLE_MM, aberration_of(((4.0, 0.30 + sign * 1.96 * 0.010),), 6.0)).mtf(4.0, 0.0) for sign in (-1, 1)
    ]
    assert low == pytest.approx(ends[0], abs=0.006)
    assert high == pytest.approx(ends[1], abs=0.006)
    shaken = Motion(Hands(0.02, 0.8, stderr_stops=0.3), 0.02, math.inf, 0.0, 0.8, streak_mm=0.03)
    wider = sharpness(optics, 4.0, 0.02, shaken)
    assert wider.interval is not None
    assert wider.interval["focus"][1] - wider.interval["focus"][0] > high - low
    assert sharpness(Optics(50.0, Viewing(CIRCLE_MM), 2.0, 2.0, 2.0), 4.0, 0.01, still).interval is None


def plan(**asked: object) -> Plan:
    return make_plan(PlanRequest(**{"focal_mm": 50.0, "subject": "0", **asked}), (), CameraFacts())  # type: ignore[arg-type]


def test_f8_or_f11_has_a_computed_answer() -> None:
    """The best f-number for a depth, against the brute force of pupils on a grid at every mark of the dial."""
    made = plan(light="ev13", near_m=2.0, far_m=3.0, technique="tripod")
    best = sharpest(made)
    assert best is not None
    frequency = made.optics.viewing.frequency

    def softest(f_number: float) -> float:
        focus = 2 * 2 * 3 / 5
        discs = [50 / f_number * 0.05 / (focus - 0.05) * abs(x - focus) / x for x in (2.0, focus, 3.0)]
        return min(pupil_mtf(f_number, disc, frequency) for disc in discs)

    by_force = {number: softest(number) for number in made.available.f_number}
    winner = max(by_force, key=lambda number: by_force[number])
    assert 2 * abs(math.log2(best.f_number / winner)) <= 1 / 3 + 1e-6  # the top is flat: neighbours differ by 0.001
    assert best.sharpness.worst == pytest.approx(by_force[winner], abs=3e-3)
    rows = {round(row.f_number, 3): row for row in compare_f_numbers(made)}
    f8, f11 = rows[8.0], rows[round(2**3.5, 3)]
    assert f8.sharpness.worst == pytest.approx(by_force[8.0], abs=3e-3)
    forced = by_force[min(by_force, key=lambda number: abs(number - 2**3.5))]
    assert (f8.sharpness.worst > f11.sharpness.worst) == (by_force[8.0] > forced)
    # wide open the ends are soft, far closed all is; the best lies between
    shares = [row.sharpness.worst for row in compare_f_numbers(made)]
    top = shares.index(max(shares))
    assert 0 < top < len(shares) - 1
    assert "f/8" in made.explained() and "f/11" in made.explained()


def test_a_flat_subject_and_an_unknown_lens_tell_no_best_f_number() -> None:
    made = plan(light="ev13", distance_m=3.0)
    assert sharpest(made) is None
    assert made.as_dict()["sharpest_f_number"] is None
