"""Shutter limits: dial rounding, sentences, and what is said where the ladder does not reach."""

from __future__ import annotations

import math

import numpy as np
import pytest

from kitgauge.errors import LimitsError
from kitgauge.exposure import exact_shutter_s
from kitgauge.fit.blur.blur_shutter import BlurFit, fit_blur
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.shutter_limit import shutter_limits

SHAPE = (4000, 6000)


def fit_of(speeds: np.ndarray, frames: int = 12, scale: float = 4.0, seed: int = 1) -> BlurFit:
    rng = np.random.default_rng(seed)
    t = np.repeat(speeds, frames)
    streak = scale * (t * 64.0) * rng.rayleigh(1.0, t.size)
    return fit_blur(t, streak, 0.02 * streak, [None] * t.size, np.full(t.size, math.nan))


def test_value_dial_and_sentence() -> None:
    fit = fit_of(2.0 ** -np.arange(3.0, 9.0))
    (limit,) = shutter_limits(fit, Criteria(keep=0.8), SHAPE, lens="Zeta 85", focal_mm=85.0, technique="standing")
    # 8 of 10 of a Rayleigh scale s: s sqrt(-2 ln 0.2) = diagonal / 1500, with s = 4 px at 1/64 s
    truth = math.hypot(*SHAPE) / 1500.0 / (4.0 * math.sqrt(-2.0 * math.log(0.2))) / 64.0
    assert abs(math.log2(limit.value["shutter_s"] / truth)) < 0.4
    assert limit.ci_low < limit.value["shutter_s"] < limit.ci_high
    exact = exact_shutter_s(limit.dial["shutter_s"])
    assert exact <= limit.value["shutter_s"] * (1.0 + 1e-6)
    assert exact > limit.value["shutter_s"] / 2.0 ** (1.0 / 3.0) * 0.999
    assert limit.criterion == {"streak_px": pytest.approx(math.hypot(*SHAPE) / 1500.0), "keep": 0.8}
    marked = f"1/{round(1.0 / limit.dial['shutter_s'])} s"
    assert limit.text.startswith(
        "With the 85 mm lens, standing: 8 of 10 frames are sharp at "
        f"1/{1.0 / limit.value['shutter_s']:.0f} s or faster (on the dial {marked}; 95 % interval 1/"
    )
    assert limit.as_dict()["kind"] == "shutter"
    assert limit.flags == ()


def test_rounding_goes_to_the_faster_side_on_every_dial() -> None:
    fit = fit_of(2.0 ** -np.arange(3.0, 9.0))
    for step in ("thirds", "halves", "whole"):
        (limit,) = shutter_limits(fit, Criteria(), SHAPE, dial_step=step)  # type: ignore[arg-type]
        assert exact_shutter_s(limit.dial["shutter_s"]) <= limit.value["shutter_s"] * (1.0 + 1e-6)


def test_slower_than_the_ladder_gives_its_slowest_speed_and_says_so() -> None:
    fit = fit_of(2.0 ** -np.arange(6.0, 11.0))
    (limit,) = shutter_limits(fit, Criteria(streak_px=25.0), SHAPE)
    assert limit.flags == ("ladder-too-fast",)
    assert limit.value["shutter_s"] == pytest.approx(1.0 / 64.0)
    assert limit.dial["shutter_s"] == pytest.approx(1.0 / 60.0)
    assert math.isnan(limit.ci_high)
    assert limit.extra["fitted_shutter_s"] > 1.0 / 64.0
    assert "the slowest speed measured" in limit.text


def test_faster_than_the_ladder_is_refused() -> None:
    fit = fit_of(2.0 ** -np.arange(1.0, 5.0))
    with pytest.raises(LimitsError, match="do not reach fast enough") as caught:
        shutter_limits(fit, Criteria(streak_px=0.5), SHAPE)
    assert "shoot faster speeds" in str(caught.value)


def test_open_interval_is_said() -> None:
    t = np.array([1 / 8, 1 / 8, 1 / 16, 1 / 16, 1 / 32])
    fit = fit_blur(t, [5.0, 9.0, 4.0, 7.0, 3.0], [0.1] * 5, [None] * 5, [math.nan] * 5)
    (limit,) = shutter_limits(fit, Criteria(streak_px=6.0, keep=0.5), SHAPE)
    assert math.isnan(limit.ci_low) or math.isnan(limit.ci_high)
    assert math.isnan(limit.stderr_stops)
    assert "shoot more frames" in limit.text


def test_absurd_times_are_not_printed() -> None:
    rng = np.random.default_rng(3)
    t = np.repeat(2.0 ** -np.arange(3.0, 8.0), 8)
    streak = 6.0 * (t * 64.0) ** 0.1 * np.exp(rng.standard_normal(t.size))
    fit = fit_blur(t, streak, 0.02 * streak, [None] * t.size, np.full(t.size, math.nan))
    with pytest.raises(LimitsError, match="a time that the frames do not tell"):
        shutter_limits(fit, Criteria(streak_px=0.9), SHAPE)
    far = fit_of(2.0 ** -np.arange(6.0, 11.0))
    (limit,) = shutter_limits(far, Criteria(streak_px=2000.0), SHAPE)
    assert "fitted_shutter_s" not in limit.extra


def test_doubts_of_the_frames_are_on_the_limit_and_in_its_sentence() -> None:
    fit = fit_of(2.0 ** -np.arange(3.0, 9.0))
    (limit,) = shutter_limits(fit, Criteria(), SHAPE, doubts=("tripod-unsteady", "constant-blur"))
    assert limit.flags == ("tripod-unsteady", "constant-blur")
    assert "on a tripod" in limit.text
    assert "folder tripod/" in limit.text


def test_frames_lost_at_any_speed_are_told() -> None:
    rng = np.random.default_rng(5)
    t = np.repeat(2.0 ** -np.arange(3.0, 9.0), 10)
    streak = 4.0 * (t * 64.0) * rng.rayleigh(1.0, t.size)
    lost = np.arange(t.size) % 4 == 0
    kinds = ["above" if spoiled else None for spoiled in lost]
    fit = fit_blur(t, streak, 0.02 * streak, kinds, np.where(lost, 60.0, math.nan))
    told = ""
    try:
        (limit,) = shutter_limits(fit, Criteria(), SHAPE)
        told = limit.text
        assert "model-misfit" in limit.flags
    except LimitsError as error:
        told = str(error)
    assert "of 60 frames are lost at any speed" in told


@pytest.mark.parametrize(
    ("streak_px", "told"),
    [
        # few frames, limit a third of a stop from an end: its interval leaves the ladder on that side
        (1.3, "did not reach far enough on the fast side: the interval goes beyond 1/250 s, the fastest speed shot, "
         "where the curve is a guess; shoot 1/500 s and 1/1000 s as well."),
        (22.0, "did not reach far enough on the slow side: the interval goes beyond 1/15 s, the slowest speed shot, "
         "where the curve is a guess; shoot 1/8 s and 1/4 s as well."),
    ],
)  # fmt: skip
def test_an_interval_that_leaves_the_ladder_says_on_which_side(streak_px: float, told: str) -> None:
    # s = 4 px at 1/64 s: 5 of 10 within 1.18 s, 1.2 px at 1/256 s; 8 of 10 within 1.79 s, 28.7 px at 1/16 s
    fit = fit_of(2.0 ** -np.arange(4.0, 9.0), frames=5, seed=3)
    (limit,) = shutter_limits(fit, Criteria(keep=0.5 if streak_px < 2.0 else 0.8, streak_px=streak_px), SHAPE)
    found = fit.limit(limit.criterion["keep"], streak_px)
    assert found.reach == "measured"
    assert told in limit.text


def test_an_interval_within_the_ladder_says_nothing_of_it() -> None:
    (limit,) = shutter_limits(fit_of(2.0 ** -np.arange(3.0, 9.0)), Criteria(keep=0.8), SHAPE)
    assert "ladder" not in limit.text
