"""The choice of settings: exposure equation, monotony, and exhaustive search over the dials."""

from __future__ import annotations

import itertools
import math
import random

import pytest

from kitgauge.limits.entries import AcceptedLimit
from kitgauge.planner.choose import Bounds, choose, dials
from kitgauge.planner.motion import Hands, Motion
from kitgauge.planner.plan import Plan, make_plan
from kitgauge.planner.request import CameraFacts, PlanRequest

SIXTH = 1 / 6


def exposure_error_from_marks(plan: Plan) -> float:
    """How far the marked settings expose from the light asked for, from the marks alone.

    The exact value behind a mark is the power of two nearest to it in thirds of a stop (published/facts.md:
    f/5.6 is 2^(5/2), 1/60 s is 1/64 s); N^2/t = 2^EV S/100 (ISO 2720, from memory). The planner's own tables
    are not used.
    """
    settings = plan.as_dict()["settings"]
    av = round(3 * 2 * math.log2(settings["f_number"])) / 3
    tv = round(3 * -math.log2(settings["shutter_s"])) / 3
    sv = round(3 * math.log2(settings["iso"] / 100)) / 3
    request = plan.request
    return plan.light.ev100 - request.nd_stops + request.highlight_margin_stops + sv - av - tv


def random_request(rng: random.Random) -> PlanRequest:
    near = rng.choice([None, rng.uniform(0.9, 20)])
    far = None if near is None else rng.choice([near, near * rng.uniform(1, 3), math.inf])
    return PlanRequest(
        ev100=rng.uniform(-6, 18),
        focal_mm=rng.choice([None, math.exp(rng.uniform(math.log(10), math.log(800)))]),
        near_m=near,
        far_m=far,
        subject=rng.choice(["still", "moving", "fast", "0"] + (["1400"] if near else [])),
        technique=rng.choice([None, "tripod", "standing", "seated"]),
        output_mp=rng.choice([None, 2.0, 24.0]),
        keep=rng.choice([None, rng.uniform(0.05, 0.99)]),
        snr=rng.choice([None, 20.0]),
        nd_stops=rng.choice([0.0, 0.0, 3.0]),
        highlight_margin_stops=rng.choice([0.0, 0.7]),
    )


def test_exposure_equation_holds_within_a_sixth_of_a_stop_over_10000_inputs(
    kit_limits: list[AcceptedLimit], kit_camera: CameraFacts
) -> None:
    rng = random.Random(12232)
    beyond = 0
    for _ in range(10_000):
        limits = rng.choice([[], kit_limits])
        plan = make_plan(random_request(rng), limits, kit_camera)
        error = exposure_error_from_marks(plan)
        assert error == pytest.approx(plan.exposure_error_stops, abs=1e-6)
        if abs(error) > SIXTH + 1e-6:
            # only where the camera has no faster and no slower setting left, and the plan says by how much
            beyond += 1
            settings = plan.as_dict()["settings"]
            if error > 0:
                assert plan.choice.overexposed_stops == pytest.approx(error)
                assert (settings["shutter_s"], settings["iso"], settings["f_number"]) == (1 / 8000, 100, 22)
            else:
                assert plan.choice.underexposed_stops == pytest.approx(-error)
                assert (settings["shutter_s"], settings["iso"], settings["f_number"]) == (30, 51200, 1.8)
            assert any("exposed by" in text for text in plan.cautions)
    assert beyond < 500


@pytest.mark.parametrize("step", ["thirds", "halves", "whole"])
def test_every_dial_keeps_a_sixth_with_iso_in_thirds(step: str) -> None:
    rng = random.Random(1)
    camera = CameraFacts(dial_step=step)  # type: ignore[arg-type]
    for _ in range(500):
        plan = make_plan(PlanRequest(ev100=rng.uniform(0, 14), focal_mm=rng.uniform(20, 200)), (), camera)
        assert abs(plan.exposure_error_stops) <= SIXTH + 1e-6


def exhaustive(bounds: Bounds, camera: CameraFacts) -> tuple[float, float, float] | None:
    """The best admissible (time, f-number, ISO) by trying them all, in the stated order of preference.

    Admissible: exposes within a sixth of a stop, freezes, has the depth, is in the sharp range, within the
    ISO limit. Preferred: the f-number nearest above what is needed (the shutter gives way to light before
    it), the slowest time, the best exposure.
    """
    available = dials(camera)
    best: tuple[tuple[float, ...], tuple[float, float, float]] | None = None
    for t, N, S in itertools.product(available.shutter_s, available.f_number, available.iso):
        error = math.log2(t * 2**bounds.ev100 * S / (100 * N * N))
        if abs(error) > SIXTH + 1e-9 or bounds.iso_limit * (1 + 1e-9) < S or not bounds.motion.freezes(t):
            continue
        if not max(bounds.f_depth, bounds.f_sharp_low) <= N * (1 + 1e-9) or bounds.f_sharp_high * (1 + 1e-9) < N:
            continue
        rank = (N, -t, abs(error))
        if best is None or rank < best[0]:
            best = rank, (t, N, S)
    return None if best is None else best[1]


def test_no_admissible_choice_ranks_higher_and_none_is_missed() -> None:
    rng = random.Random(2720)
    camera = CameraFacts(iso_max=12800, f_min=1.4, f_max=16, shutter_fastest_s=1 / 4000, shutter_slowest_s=1).exact()
    found = 0
    for _ in range(150):
        hands = Hands(math.exp(rng.uniform(math.log(1 / 500), math.log(0.5))), 0.8, slope=rng.uniform(0.4, 1.3))
        bounds = Bounds(
            ev100=rng.uniform(1, 16),
            motion=Motion(hands, hands.slowest_s(0.8), rng.choice([1 / 64, 1 / 256, math.inf]), 0.0, 0.8),
            f_depth=rng.choice([0.0, rng.uniform(1.4, 9)]),
            f_sharp_low=rng.uniform(1.2, 4),
            f_sharp_high=11.4,
            iso_limit=math.exp(rng.uniform(math.log(200), math.log(12000))),
        )
        best = exhaustive(bounds, camera)
        choice = choose(bounds, dials(camera))
        ours = (choice.setting.shutter_s, choice.setting.f_number, choice.setting.iso)
        if best is None:
            assert choice.shortfall_stops > 0 or choice.closed or choice.overexposed_stops > 0
        else:
            found += 1
            assert ours == pytest.approx(best)
            assert choice.shortfall_stops == 0
    assert 50 < found < 150  # the search meets both cases


def test_more_light_never_raises_iso_and_never_slows_the_shutter(
    kit_limits: list[AcceptedLimit], kit_camera: CameraFacts
) -> None:
    for limits, subject, technique in itertools.product(([], kit_limits), ("still", "fast"), (None, "tripod")):
        last = None
        for step in range(-60, 200):
            request = PlanRequest(ev100=step / 10, focal_mm=50, near_m=2, far_m=3, subject=subject, technique=technique)
            plan = make_plan(request, limits, kit_camera)
            if last is not None:
                assert plan.setting.iso <= last.setting.iso
                assert plan.setting.shutter_s <= last.setting.shutter_s
                assert plan.shortfall_stops <= last.shortfall_stops
            last = plan


def test_a_higher_keep_rate_never_gives_a_slower_shutter(
    kit_limits: list[AcceptedLimit], kit_camera: CameraFacts
) -> None:
    times = []
    for keep in (0.05, 0.3, 0.5, 0.8, 0.9, 0.95, 0.99, 0.999):
        request = PlanRequest(ev100=6, focal_mm=50, subject="0", technique="standing", keep=keep)
        plan = make_plan(request, kit_limits, kit_camera)
        times.append(plan.setting.shutter_s)
        assert plan.predicted.keep_rate is not None
        assert plan.predicted.keep_rate >= keep * (1 - 1e-6)
    assert times == sorted(times, reverse=True)
    assert len(set(times)) > 4


def test_more_depth_never_lowers_the_f_number(kit_limits: list[AcceptedLimit], kit_camera: CameraFacts) -> None:
    numbers = [
        make_plan(
            PlanRequest(ev100=12, focal_mm=50, near_m=2, far_m=2 + depth), kit_limits, kit_camera
        ).setting.f_number
        for depth in (0, 0.05, 0.2, 0.5, 1, 2, 5)
    ]
    assert numbers == sorted(numbers)
    assert numbers[-1] > numbers[0]


def test_a_finer_output_never_allows_a_higher_iso_or_a_lower_f_number(
    kit_limits: list[AcceptedLimit], kit_camera: CameraFacts
) -> None:
    plans = [
        make_plan(PlanRequest(ev100=9, focal_mm=50, near_m=2, far_m=2.6, output_mp=mp), kit_limits, kit_camera)
        for mp in (1, 2, 8, 24, 60)
    ]
    for coarse, fine in itertools.pairwise(plans):
        assert fine.inputs.noise.iso_limit < coarse.inputs.noise.iso_limit
        # once no f-number has the depth, diffraction decides, and closing further would make it worse
        if fine.choice.depth_shortfall_stops == 0:
            assert fine.setting.f_number >= coarse.setting.f_number
        assert fine.choice.depth_shortfall_stops >= coarse.choice.depth_shortfall_stops
    assert plans[2].choice.depth_shortfall_stops == 0 < plans[-1].choice.depth_shortfall_stops


def test_what_was_asked_for_is_kept_wherever_there_is_no_shortfall(
    kit_limits: list[AcceptedLimit], kit_camera: CameraFacts
) -> None:
    rng = random.Random(7)
    kept = 0
    for _ in range(400):
        near = rng.uniform(1, 5)
        far = near * rng.uniform(1, 1.5)
        request = PlanRequest(ev100=rng.uniform(4, 15), focal_mm=50, near_m=near, far_m=far, technique="standing")
        plan = make_plan(request, kit_limits, kit_camera)
        if plan.shortfall_stops or plan.choice.depth_shortfall_stops:
            continue
        kept += 1
        assert plan.predicted.near_m is not None
        assert plan.predicted.far_m is not None
        assert plan.predicted.near_m <= near * (1 + 1e-6)
        assert plan.predicted.far_m >= far * (1 - 1e-6)
        assert plan.setting.shutter_s <= 1 / 60
        assert plan.setting.iso <= 4500
        assert plan.setting.f_number >= 2.8
    assert kept > 100
