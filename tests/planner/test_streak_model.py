"""Bend, burst spread, errors and open ends of a blur fit, as a plan reads them, against the fit's own numbers."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from kitgauge.fit.blur.blur_shutter import BlurFit, fit_blur
from kitgauge.limits.entries import AcceptedLimit
from kitgauge.limits.model import Limit
from kitgauge.planner.kit_model import KitModel
from kitgauge.planner.plan import make_plan
from kitgauge.planner.request import CameraFacts, PlanRequest
from kitgauge.planner.steadiness import known_spread
from kitgauge.planner.streak_model import straightened, streak_spread, stretched

LIMIT_PX = 2.0


@pytest.fixture(scope="module")
def bent_fit() -> BlurFit:
    """Streaks that level off over long times, in bursts of five that share a factor."""
    rng = np.random.default_rng(41)
    times = np.repeat(2.0 ** -np.arange(1.0, 9.0), 15)
    x = np.log(times * 16)
    bursts = np.arange(times.size) // 5
    shared = np.exp(0.5 * rng.standard_normal(bursts.max() + 1))[bursts]
    streak = 4.0 * np.exp((1 - np.exp(-0.25 * x)) / 0.25) * rng.rayleigh(0.8, times.size) * shared
    error = 0.03 * streak + 0.02
    streak = streak + error * rng.standard_normal(times.size)
    seen = streak > 0.1
    censored = [None if good else "below" for good in seen]
    return fit_blur(times.tolist(), np.where(seen, streak, math.nan).tolist(), error.tolist(), censored, [0.1] * 120,
                    bursts=[str(b) for b in bursts])  # fmt: skip


def curves(fitted: BlurFit, **changes: Any) -> dict[str, Any]:
    """The blur section as JSON has it."""
    section = {"fit": fitted.as_dict(), "limits": [fitted.limit(keep, LIMIT_PX).as_dict() for keep in (0.5, 0.8)]}
    section["next"] = [{"shutter_s": 0.0167, "frames": 10}]
    return json.loads(json.dumps({**section, **changes}, default=float).replace("NaN", "null"))


def accepted(fit: BlurFit, **changes: Any) -> AcceptedLimit:
    found = fit.limit(0.8, LIMIT_PX)
    criterion = {"streak_px": LIMIT_PX, "keep": 0.8}
    limit = Limit("shutter", {"shutter_s": found.shutter_s}, {}, found.ci_low_s, found.ci_high_s, criterion, "",
                  found.stderr_stops, focal_mm=50.0, technique="standing")  # fmt: skip
    return AcceptedLimit(replace(limit, **changes), "body", "run", datetime(2026, 5, 1, tzinfo=UTC))


def model_of(fitted: BlurFit, **changes: Any) -> KitModel:
    spread = streak_spread(curves(fitted, **changes), {"technique": "standing", "focal_mm": 50.0}, "run")
    assert spread is not None
    return KitModel(streaks=(spread,), pixel_pitch_um=6.0)


def test_stretch_and_back() -> None:
    for bend in (-0.4, -1e-12, 0.0, 0.03, 0.7):
        for x in (-6.0, -0.5, 0.0, 1.0, 4.0):
            assert straightened(stretched(x, bend), bend) == pytest.approx(x, abs=1e-6)
    assert straightened(3.0, 0.5) == math.inf  # the scale comes to rest before
    assert straightened(-3.0, -0.5) == -math.inf


def test_keep_rates_between_and_beyond_the_measured_times_are_those_of_the_fit(bent_fit: BlurFit) -> None:
    hands = known_spread(accepted(bent_fit), model_of(bent_fit))
    assert hands.bend > 0.05 and hands.burst_spread > 0.2
    best = bent_fit.families[0]
    for time in 2.0 ** -np.arange(1.5, 9.0, 0.5):
        # the plan holds to the accepted limit, which weighs all families; its form is that of the best
        shift = hands.keep_rate(bent_fit.limit(0.8, LIMIT_PX).shutter_s) - 0.8
        assert abs(shift) < 1e-9
        own = float(best.rate(np.array([math.log(time / bent_fit.data.reference_s)]), LIMIT_PX)[0])
        assert hands.keep_rate(float(time)) == pytest.approx(own, abs=0.04)
    straight = replace(hands, bend=0.0, burst_spread=0.0)
    far = 0.35
    own = float(best.rate(np.array([math.log(far / bent_fit.data.reference_s)]), LIMIT_PX)[0])
    assert abs(straight.keep_rate(far) - own) > 2 * abs(hands.keep_rate(far) - own) + 0.005  # leaving them out misleads


def test_slowest_time_and_keep_rate_are_each_others_inverse(bent_fit: BlurFit) -> None:
    hands = known_spread(accepted(bent_fit), model_of(bent_fit)).slowed(0.7).supported(2)
    for keep in (0.3, 0.6, 0.9, 0.97):
        assert hands.keep_rate(hands.slowest_s(keep)) == pytest.approx(keep, abs=1e-6)
    at_rest = replace(hands, bend=0.7, allowed=50.0)  # streaks never get that long
    assert at_rest.slowest_s(0.5) > 1e5


def test_interval_widens_away_from_the_limit_as_the_fits_own_does(bent_fit: BlurFit) -> None:
    hands = known_spread(accepted(bent_fit), model_of(bent_fit))
    for time in (1 / 16, 1 / 32, 1 / 64, 1 / 128):
        low, high = bent_fit.keep_rate_interval(time, LIMIT_PX)
        ours = hands.interval(time)
        assert ours is not None
        assert ours[1] - ours[0] > 0.75 * (high - low)
    alone = replace(hands, covariance=None).interval(1 / 128)
    both = hands.interval(1 / 128)
    assert alone is not None and both is not None
    assert both[0] <= alone[0] and both[1] >= alone[1]


def test_open_intervals_and_times_beyond_the_measured_are_said(bent_fit: BlurFit) -> None:
    camera = CameraFacts(frame_width_mm=36, frame_height_mm=24, pixel_pitch_um=6.0, sensor_pixels=24e6)
    open_ended = curves(bent_fit)["limits"]
    for item in open_ended:
        item["ci_beyond"] = ["slower"]
    request = PlanRequest(light="ev6", focal_mm=50, subject="0", technique="standing")
    made = make_plan(request, [accepted(bent_fit)], camera, model_of(bent_fit, limits=open_ended))
    assert any("1/60 s" in text and "open towards slower" in text for text in made.measure_next)
    closed = make_plan(request, [accepted(bent_fit)], camera, model_of(bent_fit))
    assert not any("open towards" in text for text in closed.measure_next)
    unknown = accepted(bent_fit, stderr_stops=math.nan, ci_low=math.nan, ci_high=math.nan)
    assert make_plan(request, [unknown], camera, model_of(bent_fit)).predicted.keep_rate_interval is None
    far = make_plan(replace(request, keep=0.9999, focal_mm=400), [accepted(bent_fit)], camera, model_of(bent_fit))
    assert far.predicted.extrapolated
    assert "carried on from the measured shutter times" in " ".join(far.text().split())


def test_frames_lost_at_any_speed_cap_what_is_promised(bent_fit: BlurFit) -> None:
    fit = {**curves(bent_fit)["fit"], "lost_at_any_speed": 12}
    camera = CameraFacts(frame_width_mm=36, frame_height_mm=24, pixel_pitch_um=6.0, sensor_pixels=24e6)
    request = PlanRequest(light="ev14", focal_mm=50, subject="0", technique="standing")
    made = make_plan(request, [accepted(bent_fit)], camera, model_of(bent_fit, fit=fit))
    assert made.predicted.keep_rate == pytest.approx(1 - 12 / 120)
    assert any("lost at any shutter speed" in text for text in made.cautions)


@pytest.mark.parametrize(
    "broken",
    [
        {"covariance": [[1]]}, {"covariance": "x"}, {"covariance": None}, {"reference_shutter_s": -1},
        {"fastest_s": None},
        {"parameters": {"slope": {"value": "1"}}}, {"parameters": None}, {"distribution": "unheard-of"},
        {"points_used": 0, "lost_at_any_speed": 5}, {"lost_at_any_speed": "many"},
    ],
)  # fmt: skip
def test_a_fit_edited_by_hand_is_read_as_far_as_it_makes_sense(bent_fit: BlurFit, broken: dict[str, Any]) -> None:
    found = streak_spread({"fit": {**curves(bent_fit)["fit"], **broken}}, {}, "run")
    if found is not None:
        assert found.slope > 0 and 0 <= found.lost_share <= 0.9
    else:
        assert "parameters" in broken or "distribution" in broken
