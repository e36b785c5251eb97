"""Distributions of streaks in the standard library against scipy's, and hands against closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from kitgauge.planner.motion import Hands, Motion
from kitgauge.planner.streaks import FAMILIES, log_quantile, share_below

SHAPES = (0.3, 0.8, 1.0, 2.0, 3.7, 9.0, 30.0)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("family", [name for name in FAMILIES if name != "turning"])
def test_agrees_with_scipy(family: str, shape: float) -> None:
    frozen = {
        "rayleigh": stats.rayleigh(),
        "weibull": stats.weibull_min(shape),
        "gamma": stats.gamma(shape),
        "lognormal": stats.lognorm(shape),
    }[family]
    for z in np.linspace(-4, 5, 73):
        assert share_below(family, shape, float(z)) == pytest.approx(frozen.cdf(np.exp(z)), rel=1e-9, abs=1e-14)
    for share in (1e-3, 0.05, 0.5, 0.8, 0.999):
        assert log_quantile(family, shape, share) == pytest.approx(np.log(frozen.ppf(share)), abs=1e-9)


@pytest.mark.parametrize("spread", [0.05, 0.12, 0.4, 2.0])
def test_to_and_fro_agrees_with_the_integral_over_phases(spread: float) -> None:
    """P(|cos a| exp(k n) <= u) is the mean over phases of a normal distribution function: by plain averaging."""
    phases = (np.arange(200_000) + 0.5) / 200_000 * math.pi / 2.0
    for z in (-3.0, -1.0, -0.3, -0.05, 0.1, 0.5):
        exact = np.mean(stats.norm.cdf((z - np.log(np.cos(phases))) / spread))
        assert share_below("turning", spread, z) == pytest.approx(exact, abs=1.5e-3)
        if exact < 0.999:
            back = share_below("turning", spread, log_quantile("turning", spread, exact))
            assert back == pytest.approx(exact, abs=1e-9)


def test_limit_gives_its_own_keep_rate_and_back() -> None:
    for family in FAMILIES:
        hands = Hands(0.02, 0.8, 0.1, family, 1.7, 0.6)
        assert hands.keep_rate(0.02) == pytest.approx(0.8)
        assert hands.slowest_s(0.8) == pytest.approx(0.02)
        assert hands.keep_rate(hands.slowest_s(0.95)) == pytest.approx(0.95)


def test_rayleigh_in_closed_form() -> None:
    # 1 - keep = exp(-c/t^2): at half the time the exponent is four times as large
    hands = Hands(0.02, 0.8)
    assert hands.keep_rate(0.01) == pytest.approx(1 - 0.2**4)
    assert hands.keep_rate(0.04) == pytest.approx(1 - 0.2**0.25)


def test_twice_the_focal_length_needs_half_the_time_for_a_steady_drift() -> None:
    assert Hands(0.02, 0.8).at_focal(50, 100).slowest_s(0.8) == pytest.approx(0.01)
    # streaks that grow with the square root of time need a quarter
    assert Hands(0.02, 0.8, slope=0.5).at_focal(50, 100).slowest_s(0.8) == pytest.approx(0.005)


def test_interval_of_the_keep_rate_is_that_of_the_time() -> None:
    hands = Hands(0.02, 0.8, stderr_stops=0.2)
    low, high = hands.interval(0.03) or (math.nan, math.nan)
    assert low == pytest.approx(hands.keep_rate(0.03 * 2**0.39199), rel=1e-4)  # 1.95996 x 0.2
    assert high == pytest.approx(hands.keep_rate(0.03 / 2**0.39199), rel=1e-4)
    assert Hands(0.02, 0.8).interval(0.03) is None


@pytest.mark.statistical
def test_hands_and_a_moving_subject_add_as_second_moments() -> None:
    """Simulated: straight hand drifts of Rayleigh length and random direction on top of a subject's own
    motion.
    """
    rng = np.random.default_rng(20260501)
    hands = Hands(0.02, 0.8)
    motion = Motion(hands, 0.02, 1 / 30, 30.0, 0.8)  # the subject alone smears one limit in 1/30 s
    shutter_s = 0.02
    scale = 1 / math.sqrt(-2 * math.log(0.2))  # Rayleigh scale in streak limits at the limit's own time
    drift = rng.rayleigh(scale * shutter_s / 0.02, 200_000)
    smear = 30.0 * shutter_s
    kept = np.mean(np.hypot(drift, smear) <= 1)
    assert motion.keep_rate(shutter_s) == pytest.approx(kept, abs=0.005)
    # ignoring the subject, or dropping frames it alone ruins, is far off
    assert abs(hands.keep_rate(shutter_s) - kept) > 0.1


@pytest.mark.statistical
def test_measured_hands_and_a_measured_subject_add_at_random() -> None:
    rng = np.random.default_rng(20260502)
    hands, subject = Hands(0.02, 0.8), Hands(0.01, 0.8, family="weibull", shape=3.0, slope=0.8)
    motion = Motion(hands, 0.02, 0.01, 0.0, 0.8, subject)
    shutter_s, n = 0.009, 400_000
    drift = rng.rayleigh(1 / math.sqrt(-2 * math.log(0.2)), n) * shutter_s / 0.02
    own = rng.weibull(3.0, n) * (-math.log(0.2)) ** (-1 / 3) * (shutter_s / 0.01) ** 0.8
    assert motion.keep_rate(shutter_s) == pytest.approx(np.mean(np.hypot(drift, own) <= 1), abs=0.006)
    assert motion.interval(shutter_s) is None


@pytest.mark.parametrize("share", [0.0, 1.0, 8.0, -0.1, math.nan, math.inf])
@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_a_share_that_none_has_is_refused_at_once(family: str, share: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        log_quantile(family, 1.5, share)
