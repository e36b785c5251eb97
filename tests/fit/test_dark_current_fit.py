"""Dark current by level and by variance, from points made here by EMVA 1288's two equations."""

from __future__ import annotations

import math

import numpy as np
import pytest

from kitgauge.errors import FitError
from kitgauge.fit.noise.dark_current import DarkPoint, fit_dark_current, rate_text, subtracted_from_s

TIMES = (1 / 128, 1.0, 4.0, 16.0, 32.0)
GAIN = 0.4  # e-/DN


def points(
    rate,
    *,
    times=TIMES,
    rng=None,
    level_noise=0.02,
    frame_noise=0.0,
    variance_noise=0.004,
    held=0.0,
    warming=0.0,
    subtracted_from=math.inf,
):
    """Return one pair per time. warming: growth of the rate per second; held: share of the level taken away."""
    made, clock = [], 0.0
    for time in times:
        levels, variances, starts = [], [], []
        for _ in range(2):
            electrons = rate * (1.0 + warming * clock) * time
            variance = 25.0 + electrons / GAIN**2
            level = 512.0 + (1.0 - held) * electrons / GAIN
            if time >= subtracted_from:
                variance, level = 2.0 * variance, 512.0
            levels.append(level)
            variances.append(variance)
            starts.append(clock)
            clock += time + 2.0
        variance, stderr = float(np.mean(variances)), variance_noise * float(np.mean(variances))
        if rng is not None:
            levels = [level + rng.normal(0.0, math.hypot(level_noise, frame_noise)) for level in levels]
            variance += rng.normal(0.0, stderr)
        made.append(DarkPoint(time, *levels, level_noise, variance, stderr, float(np.mean(starts))))
    return made


def test_both_routes_give_the_rate_of_exact_points():
    fit = fit_dark_current(points(0.3), GAIN, 0.0)
    assert fit.rate_e_per_s == pytest.approx(0.3)
    assert fit.rate_from_variance_e_per_s == pytest.approx(0.3)
    assert fit.route == "level" and not fit.differ and "agree" in fit.text
    assert fit.change == pytest.approx(0.0, abs=1e-6)


def test_an_error_of_the_gain_counts_once_for_the_level_and_twice_for_the_noise():
    exact, loose = (fit_dark_current(points(0.3), GAIN, error) for error in (0.0, 0.02 * GAIN))
    assert math.sqrt(loose.rate_stderr**2 - exact.rate_stderr**2) == pytest.approx(0.02 * 0.3)
    grown = math.sqrt(loose.rate_from_variance_stderr**2 - exact.rate_from_variance_stderr**2)
    assert grown == pytest.approx(0.04 * 0.3)


def test_a_camera_that_holds_its_level_is_seen_by_its_noise():
    fit = fit_dark_current(points(0.3, held=1.0), GAIN, 0.002)
    assert fit.rate_e_per_s == pytest.approx(0.0, abs=1e-9), "the level alone says: no dark current"
    assert fit.route == "variance" and fit.best[0] == pytest.approx(0.3)
    assert "masked pixels" in fit.text


def test_a_level_that_rises_without_noise_is_not_dark_current():
    drifting = [
        DarkPoint(p.exposure_s, p.level_a_dn + 2 * p.exposure_s, p.level_b_dn + 2 * p.exposure_s, 0.02,
                  p.variance_dn2, p.variance_stderr_dn2, p.taken_s)
        for p in points(0.3)
    ]  # fmt: skip
    fit = fit_dark_current(drifting, GAIN, 0.0)
    assert fit.rate_e_per_s == pytest.approx(0.3 + 2 * GAIN)
    assert fit.route == "variance" and "offset moves" in fit.text


def test_too_small_to_see_is_an_upper_bound():
    fit = fit_dark_current(points(0.0), GAIN, 0.0)
    assert "too small to see: below" in fit.text


def test_without_a_gain_rates_stay_unknown():
    fit = fit_dark_current(points(0.3), math.nan, math.nan)
    assert math.isnan(fit.rate_e_per_s) and math.isnan(fit.rate_from_variance_e_per_s)
    assert fit.level_slope_dn_per_s == pytest.approx(0.3 / GAIN)
    assert "0.75" in fit.text and "without the gain" in fit.text


@pytest.mark.parametrize("times", [(), (1.0,), (1.0, 1.0), (20.0, 30.0)])
def test_times_too_alike_are_refused(times):
    with pytest.raises(FitError, match="several exposure times") as caught:
        fit_dark_current(points(0.3, times=times), GAIN, 0.0)
    assert caught.value.fix


def test_a_sensor_that_warms_up_is_told_and_its_rate_is_that_of_the_middle():
    made = points(0.3, times=(*TIMES, 60.0, 120.0), warming=0.002)
    fit = fit_dark_current(made, GAIN, 0.0)
    first, last = made[0].taken_s, made[-1].taken_s
    assert fit.temperature_changed
    assert fit.change == pytest.approx(0.002 * (last - first) / (1 + 0.002 * first), rel=1e-6)
    middle = 0.3 * (1 + 0.002 * 0.5 * (first + last))
    assert (fit.rate_e_per_s, fit.rate_from_variance_e_per_s) == pytest.approx((middle, middle), rel=1e-6)
    assert not fit.differ
    assert not fit_dark_current(points(0.3, times=(*TIMES, 60.0, 120.0)), GAIN, 0.0).temperature_changed


def test_exposure_times_off_their_marks_are_no_change_of_temperature():
    # 16 and 32 s that really last 15 and 30 s
    real = points(0.3, times=(1 / 128, 1.0, 4.0, 15.0, 30.0))
    marked = [
        DarkPoint(time, p.level_a_dn, p.level_b_dn, p.level_stderr_dn, p.variance_dn2, p.variance_stderr_dn2, p.taken_s)
        for time, p in zip(TIMES, real, strict=True)
    ]
    assert not fit_dark_current(marked, GAIN, 0.0).temperature_changed


def test_a_dark_frame_taken_away_by_the_camera_shows_as_a_jump_of_the_noise():
    assert subtracted_from_s(points(0.05, subtracted_from=1.0)) == 1.0
    assert subtracted_from_s(points(0.05, subtracted_from=16.0)) == 16.0
    for rate in (0.0, 0.05, 5.0):
        assert subtracted_from_s(points(rate)) == math.inf
        assert subtracted_from_s(points(rate, warming=0.003)) == math.inf
        assert subtracted_from_s(points(rate, held=1.0)) == math.inf


@pytest.mark.statistical
def test_errors_are_as_large_as_they_say_when_whole_frames_wander():
    rng = np.random.default_rng(7)
    pulls, naive, by_noise, inside = [], [], [], []
    for _ in range(300):
        made = points(0.1, rng=rng, frame_noise=0.3)
        fit = fit_dark_current(made, GAIN, 0.0)
        pulls.append((fit.rate_e_per_s - 0.1) / fit.rate_stderr)
        by_noise.append((fit.rate_from_variance_e_per_s - 0.1) / fit.rate_from_variance_stderr)
        # what a straight line with the errors of the samples alone would claim
        t = np.array(TIMES)
        claimed = GAIN * 0.02 / math.sqrt(2) / math.sqrt(((t - t.mean()) ** 2).sum())
        naive.append((fit.rate_e_per_s - 0.1) / claimed)
        inside.append(abs(pulls[-1]) < 1.96)
    assert abs(np.mean(pulls)) < 3.5 * np.std(pulls) / math.sqrt(300)
    # errors from five pairs scatter themselves (Student's t with 4 degrees of freedom has a standard deviation of 1.4)
    assert 0.8 < np.std(pulls) < 1.45
    assert np.mean(inside) > 0.87
    assert np.std(naive) > 5, "the errors of the samples alone are far too small"
    assert 0.7 < np.std(by_noise) < 1.1


def test_rates_are_written_to_the_digits_of_their_errors():
    assert rate_text(0.051234, 0.00131) == "0.0512 ± 0.0013 e-/s"
    assert rate_text(12.3, 1.4) == "12.3 ± 1.4 e-/s"
    assert rate_text(math.nan, math.nan) == "unknown"
