"""Sessions of several days: closed forms, coverage with and without scatter from day to day, and the naive way."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from kitgauge.errors import FitError
from kitgauge.fit.blur.limit_sessions import fit_sessions


def test_with_errors_far_below_the_scatter_it_is_the_ordinary_regression_of_scipy():
    rng = np.random.default_rng(4)
    month = np.array([0.0, 0.7, 1.6, 2.9, 4.4, 5.1])
    stops = 0.2 * month + 0.3 * rng.standard_normal(6)
    trend = fit_sessions(stops, [1e-4] * 6, [[1.0, m] for m in month]).effect([0.0, 1.0])
    found = stats.linregress(month, stops)
    reach = stats.t.ppf(0.975, 4) * found.stderr
    assert trend.value == pytest.approx(found.slope, rel=1e-5)
    assert (trend.low, trend.high) == pytest.approx((found.slope - reach, found.slope + reach), rel=1e-4)
    assert trend.p == pytest.approx(found.pvalue, rel=1e-3)


def test_one_mean_with_equal_errors_is_the_interval_of_students_t():
    stops = [0.1, 0.5, -0.2, 0.4]
    effect = fit_sessions(stops, [1e-4] * 4, [[1.0]] * 4).effect([1.0])
    found = stats.ttest_1samp(stops, 0.0)
    assert effect.p == pytest.approx(found.pvalue, rel=1e-3)
    assert (effect.low, effect.high) == pytest.approx(tuple(found.confidence_interval()), rel=1e-3)


def test_scatter_is_that_between_days_beyond_the_errors():
    # var of the four about their mean: 0.1 (n - 1 in the denominator); minus the error's 0.04
    stops = np.array([-1.5, -0.5, 0.5, 1.5]) * math.sqrt(0.1 * 3.0 / 5.0)
    fit = fit_sessions(stops, [0.2] * 4, [[1.0]] * 4)
    assert fit.scatter_stops == pytest.approx(math.sqrt(0.06), rel=1e-6)
    assert fit_sessions([0.0, 0.01, 0.0], [0.2] * 3, [[1.0]] * 3).scatter_stops == 0.0


@pytest.mark.statistical
@pytest.mark.parametrize("scatter", [0.0, 0.1, 0.3])
@pytest.mark.parametrize("sessions", [3, 5, 10])
def test_the_interval_of_a_trend_covers_and_luck_is_called_practice_in_5_of_100(sessions, scatter):
    rng = np.random.default_rng(sessions * 10 + round(10 * scatter))
    tries, covered, called, naive = 400, 0, 0, 0
    for _ in range(tries):
        error = rng.uniform(0.1, 0.3, sessions)
        month = np.sort(rng.uniform(0.0, 6.0, sessions))
        design = np.stack([np.ones(sessions), month], axis=1)
        luck = scatter * rng.standard_normal(sessions) + error * rng.standard_normal(sessions)
        trend = fit_sessions(0.05 * month + luck, error, design).effect([0.0, 1.0])
        covered += trend.low <= 0.05 <= trend.high
        flat = fit_sessions(luck, error, design).effect([0.0, 1.0])
        called += flat.p < 0.05
        # the naive way: a straight line by the runs' own errors only
        root = design / error[:, None]
        inverse = np.linalg.inv(root.T @ root)
        slope = (inverse @ root.T @ (luck / error))[1]
        naive += abs(slope) / math.sqrt(inverse[1, 1]) > 1.96
    # 95 % +- 3 standard deviations of a count of 400
    assert 0.917 <= covered / tries <= 0.983
    assert called / tries <= 0.083
    if scatter == 0.3:
        assert naive / tries > 0.15, "days that differ pass for practice when only the runs' own errors count"


def test_what_cannot_be_told_is_refused():
    with pytest.raises(FitError, match=r"(?s)too few sessions.*got:    2.*another day"):
        fit_sessions([0.0, 1.0], [0.1, 0.1], [[1.0, 0.0], [1.0, 1.0]])
    with pytest.raises(FitError, match="too few sessions"):
        fit_sessions([0.0, 1.0, 2.0], [0.1] * 3, [[1.0, 2.0]] * 3)  # all on one day
    with pytest.raises(FitError, match="no limit with a standard error"):
        fit_sessions([0.0, math.nan, 2.0], [0.1] * 3, [[1.0]] * 3)
