"""Frames of one burst: the random factor against closed forms, and what leaving it out does to intervals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from shaken_people import LADDER, STREAK_LIMIT_PX, ShakenSeries, shoot_bursts
from simulated_people import REFERENCE_S, person

from kitgauge.fit.blur.blur_likelihood import (
    Likelihood,
    StreakData,
    log_below,
    log_quantile,
    priors,
    straightened,
    stretched,
)
from kitgauge.fit.blur.blur_shutter import BlurFit, ShutterLimit, fit_blur
from kitgauge.fit.blur.streak_families import FAMILIES


@pytest.mark.parametrize("tau", [0.05, 0.3, 0.8])
@pytest.mark.parametrize("size", [1, 3, 12])
def test_lognormal_bursts_are_a_multivariate_normal(tau: float, size: int) -> None:
    """ln L of one burst is normal with covariance k^2 I + tau^2: closed form (Johnson and Kotz)."""
    k, a, b, bend = 0.5, 1.0, 0.8, 0.1
    rng = np.random.default_rng(1)
    burst = np.repeat([0, 1, 2], size)
    x = np.repeat([-0.7, 0.0, 0.7], size)
    h = (1.0 - np.exp(-bend * x)) / bend
    log_streak = a + b * h + np.repeat(tau * rng.standard_normal(3), size) + k * rng.standard_normal(x.size)
    covariance = k**2 * np.eye(x.size) + tau**2 * (burst[:, None] == burst[None, :])
    expected = stats.multivariate_normal.logpdf(log_streak, a + b * h, covariance) - float(np.sum(log_streak))
    data = StreakData(x, np.exp(log_streak), np.zeros(x.size), np.zeros(x.size, np.intp), 1.0, burst=burst)
    theta = np.array([[a, b, math.log(k), bend, tau]])
    found = Likelihood(FAMILIES["lognormal"], data).plain(theta) - priors(theta)
    # ln L is the variable of the likelihood's density in L less ln L each
    assert found[0] == pytest.approx(expected, abs=2e-3)


@pytest.mark.parametrize("tau", [0.1, 0.5])
def test_rates_and_quantiles_include_the_factor(tau: float) -> None:
    k = np.array([0.5, 0.8])
    z = log_quantile(FAMILIES["lognormal"], 0.8, k, np.full(2, tau))
    np.testing.assert_allclose(z, stats.norm.ppf(0.8) * np.hypot(k, tau), rtol=1e-5)
    for name, family in FAMILIES.items():
        shape = np.array([family.start_k])
        z = log_quantile(family, 0.9, shape, np.array([tau]))
        assert np.exp(log_below(family, z, shape, np.array([tau])))[0] == pytest.approx(0.9, abs=1e-6), name


@pytest.mark.parametrize("bend", [-0.4, -1e-7, 0.0, 1e-7, 0.1, 0.7])
def test_the_bent_line_rises_and_is_undone(bend: float) -> None:
    x = np.linspace(-6.0, 6.0, 41)
    h = stretched(x, np.array(bend))
    assert np.all(np.diff(h) > 0)
    np.testing.assert_allclose(straightened(h, np.array(bend)), x, rtol=1e-6, atol=1e-9)
    assert np.isinf(straightened(np.array(11.0), np.array(0.1)))


def test_frames_alone_are_not_affected() -> None:
    series = person(np.random.default_rng(2), frames=4)
    rows = (series.shutter_s, series.streak_px, series.stderr_px, series.censored, series.bound_px)
    plain, alone = fit_blur(*rows), fit_blur(*rows, bursts=list(range(series.true_px.size)))
    assert alone.result.names == plain.result.names
    np.testing.assert_array_equal(alone.result.values, plain.result.values)
    assert alone.limit(0.8, 6.0) == plain.limit(0.8, 6.0)
    assert "burst_spread" in fit_blur(*rows, bursts=[n // 4 for n in range(series.true_px.size)]).result.names


def _fitted(series: ShakenSeries, bursts: list[int] | None) -> BlurFit:
    return fit_blur(
        series.shutter_s, series.streak_px, series.stderr_px, series.censored, series.bound_px,
        series.variance_px2, series.variance_stderr_px2, bursts,
    )  # fmt: skip


def _covers(found: ShutterLimit, truth: float) -> bool:
    return not (found.ci_low_s > truth or found.ci_high_s < truth)


@pytest.mark.statistical
def test_bursts_taken_for_single_frames_undercover() -> None:
    """One movement goes on through each burst of eight: intervals of independent frames are far too narrow."""
    rng = np.random.default_rng(3)
    # jerk-free hands have no precomputed truth: many single frames of the same paths, one a burst, serve
    crowd, _ = shoot_bursts(rng, 1, 1.0, LADDER, 2000, 1)
    shares = [float(np.mean(crowd.true_px[crowd.shutter_s == t] <= STREAK_LIMIT_PX)) for t in LADDER[::-1]]
    truth = math.exp(float(np.interp(-0.8, -np.array(shares), np.log(LADDER[::-1]))))
    ignored, kept = [], []
    for _ in range(16):
        series, bursts = shoot_bursts(rng, 1, 1.0, LADDER[1:], 1, 8)
        ignored.append(_covers(_fitted(series, None).limit(0.8, STREAK_LIMIT_PX), truth))
        kept.append(_covers(_fitted(series, bursts).limit(0.8, STREAK_LIMIT_PX), truth))
    assert np.mean(ignored) < 0.8
    assert np.mean(kept) >= 0.85  # 16 people: standard error 0.055


def test_the_spread_between_bursts_is_found() -> None:
    rng = np.random.default_rng(4)
    bursts = np.repeat(np.arange(60), 6)
    t = np.repeat(np.tile(2.0 ** -np.arange(3.0, 9.0), 10), 6)
    shared = np.repeat(0.4 * rng.standard_normal(60), 6)
    streak = 3.0 * t / REFERENCE_S * np.exp(shared + 0.3 * rng.standard_normal(t.size))
    fit = fit_blur(t, streak, np.zeros(t.size), [None] * t.size, np.full(t.size, math.nan), bursts=list(bursts))
    assert fit.distribution == "lognormal"
    # standard error of a standard deviation from 60 bursts: 0.04
    assert fit.result.value("burst_spread") == pytest.approx(0.4, abs=0.1)
    assert math.exp(fit.result.value("ln_shape")) == pytest.approx(0.3, abs=0.04)


@pytest.mark.parametrize("bursts", [None, [0] * 12, [n // 2 for n in range(12)]])
@pytest.mark.parametrize(
    "streak",
    [[3.0] * 12, [1e-3] * 6 + [1e3] * 6, [2.0, 4.0] * 6, [1.0] * 6 + [0.5] * 6],
    ids=["all the same", "from nothing to all", "two values", "shrinking"],
)
def test_odd_series_end_in_numbers_or_in_open_intervals(streak: list[float], bursts: list[int] | None) -> None:
    t = [1 / 250] * 6 + [1 / 15] * 6
    fit = fit_blur(t, streak, [0.01 * s for s in streak], [None] * 12, [math.nan] * 12, bursts=bursts)
    found = fit.limit(0.8, 2.5)
    assert math.isnan(found.ci_low_s) or math.isnan(found.ci_high_s) or found.ci_low_s <= found.ci_high_s
    assert math.isnan(found.shutter_s) or found.shutter_s > 0
    rates = [fit.keep_rate(time, 2.5) for time in (1 / 1000, 1 / 250, 1 / 60, 1 / 15, 1 / 4)]
    assert all(0.0 <= rate <= 1.0 for rate in rates)
    assert rates == sorted(rates, reverse=True)
    fit.flags(2.5)
