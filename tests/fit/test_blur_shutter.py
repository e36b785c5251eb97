"""Blur against shutter time: closed forms, independent fits, coverage, and what leaving frames out does."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats
from simulated_people import LADDER, REFERENCE_S, RELATIVE, Array, Person, person

from kitgauge.errors import FitError
from kitgauge.fit.blur.blur_likelihood import Likelihood, StreakData, free_parameters
from kitgauge.fit.blur.blur_next import next_shots
from kitgauge.fit.blur.blur_shutter import BlurFit, fit_blur
from kitgauge.fit.blur.shutter_profile import limit_place
from kitgauge.fit.blur.streak_families import FAMILIES, HANDS
from kitgauge.fit.newton import derivatives, maximise


def true_limit_s(family: str, keep: float, limit_px: float, slope: float = 1.0, scale_px: float = 3.0) -> float:
    return float(REFERENCE_S * (limit_px / scale_px / RELATIVE[family].ppf(keep)) ** (1.0 / slope))


def single_time(values: Array, kind: Array) -> StreakData:
    return StreakData(np.zeros(values.size), values, np.zeros(values.size), kind.astype(np.intp), 1.0)


def best(family: str, data: StreakData, free: list[int], start: list[float]) -> Array:
    places, _, done = maximise(
        Likelihood(FAMILIES[family], data).plain,
        np.array([start]),
        np.array(free),
        np.array([-20.0, 0.0, -3.0]),
        np.array([20.0, 8.0, 3.5]),
    )
    assert done[0]
    return places[0]


def test_rayleigh_closed_form() -> None:
    """Maximum likelihood of a Rayleigh scale: s^2 = sum L^2 / (2 n) (Johnson, Kotz, Balakrishnan 1994, ch.
    18)."""
    values = np.random.default_rng(1).rayleigh(4.0, 50)
    found = best("rayleigh", single_time(values, np.zeros(50)), [0], [0.0, 0.0, 0.0])
    assert math.exp(found[0]) == pytest.approx(math.sqrt(np.sum(values**2) / 100.0), rel=1e-6)


def test_rayleigh_closed_form_with_frames_too_long() -> None:
    """Type I censoring above c: s^2 = (sum of measured L^2 + m c^2) / (2 r), as L^2 is exponential (Lawless
    2003, 4.1)."""
    values = np.random.default_rng(2).rayleigh(4.0, 60)
    kind = (values > 5.0).astype(float)
    seen = np.where(kind > 0, 5.0, values)
    found = best("rayleigh", single_time(seen, kind), [0], [0.0, 0.0, 0.0])
    expected = math.sqrt(np.sum(seen**2) / (2.0 * np.sum(kind == 0)))
    assert math.exp(found[0]) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(
    ("family", "distribution", "shape_of"),
    [
        ("weibull", stats.weibull_min, lambda p: (p[0], p[2])),
        ("gamma", stats.gamma, lambda p: (p[0], p[2])),
        ("lognormal", stats.lognorm, lambda p: (p[0], p[2])),
    ],
)
def test_against_scipy_with_censoring_on_both_sides(family, distribution, shape_of) -> None:  # type: ignore[no-untyped-def]
    """scipy.stats.CensoredData is the independent route."""
    values = RELATIVE[family].rvs(120, random_state=np.random.default_rng(3)) * 4.0
    low, high = np.quantile(values, [0.2, 0.85])
    kind = np.where(values < low, -1.0, np.where(values > high, 1.0, 0.0))
    seen = np.clip(values, low, high)
    data = stats.CensoredData(uncensored=seen[kind == 0], left=seen[kind < 0], right=seen[kind > 0])
    shape, scale = shape_of(distribution.fit(data, floc=0.0))
    found = best(family, single_time(seen, kind), [0, 2], [1.0, 0.0, math.log(FAMILIES[family].start_k)])
    assert math.exp(found[0]) == pytest.approx(scale, rel=2e-3)
    assert math.exp(found[2]) == pytest.approx(shape, rel=2e-3)


def test_lognormal_without_censoring_is_least_squares() -> None:
    """Maximum likelihood of a lognormal regression is ordinary least squares of ln L on ln t, sigma^2 = mean
    square."""
    rng = np.random.default_rng(4)
    t = np.repeat(LADDER, 6)
    streak = 3.0 * (t / REFERENCE_S) ** 0.8 * np.exp(0.5 * rng.standard_normal(t.size))
    slope, intercept = np.polyfit(np.log(t), np.log(streak), 1)
    residual = np.log(streak) - slope * np.log(t) - intercept
    data = StreakData(np.log(t), streak, np.zeros(t.size), np.zeros(t.size, np.intp), 1.0)
    theta = best("lognormal", data, [0, 1, 2], [1.0, 1.0, 0.0])
    assert theta[1] == pytest.approx(slope, rel=1e-5)
    assert theta[0] == pytest.approx(intercept, rel=1e-5)
    assert math.exp(theta[2]) == pytest.approx(math.sqrt(np.mean(residual**2)), rel=1e-4)


@pytest.mark.parametrize("family", HANDS)
def test_families_against_scipy(family: str) -> None:
    k = {"rayleigh": 1.0, "weibull": 1.5, "gamma": 2.5, "lognormal": 0.6}[family]
    u = np.array([0.05, 0.4, 1.0, 2.7, 6.0])
    z, shape = np.log(u), np.array(k)
    ours, theirs = FAMILIES[family], RELATIVE[family]
    np.testing.assert_allclose(ours.log_density(z, shape), theirs.logpdf(u), rtol=1e-9)
    np.testing.assert_allclose(ours.log_below(z, shape), theirs.logcdf(u), rtol=1e-7)
    np.testing.assert_allclose(ours.log_above(z, shape), theirs.logsf(u), rtol=1e-7)
    np.testing.assert_allclose(np.exp(ours.log_quantile(u / 7.0, shape)), theirs.ppf(u / 7.0), rtol=1e-9)


@pytest.mark.parametrize(("error", "allowed"), [(0.05, 1e-4), (0.12, 1e-3), (0.3, 0.02)])
def test_measurement_error_is_integrated_over(error: float, allowed: float) -> None:
    """P(measured variance | frame) = integral of f(L) normal(v - L^2/12), by adaptive quadrature.

    At the floor (error a quarter of the streak) seven nodes err by 1 % of one frame's likelihood.
    """
    streak, scale = 1.2, 1.5
    spread = streak * error / 6.0

    def integrand(true: float) -> float:
        density = stats.rayleigh.pdf(true, scale=scale)
        return float(density * stats.norm.pdf(streak**2 / 12.0, true**2 / 12.0, spread))

    # density in L rather than in L^2 / 12
    exact = math.log(integrate.quad(integrand, 0.0, 6.0, points=[streak])[0] * streak / 6.0)
    data = StreakData(np.zeros(1), np.array([streak]), np.array([error]), np.zeros(1, np.intp), 1.0)
    found = Likelihood(FAMILIES["rayleigh"], data).plain(np.array([[math.log(scale), 0.0, 0.0]]))
    assert found[0] == pytest.approx(exact, abs=allowed)


@pytest.mark.statistical
@pytest.mark.parametrize("family", list(RELATIVE))
def test_truth_recovered_with_many_frames(family: str) -> None:
    """5400 frames: the standard error of a lognormal quantile is sigma sqrt((1 + z^2 / 2) / n) / slope = 0.018 stops at
    keep 0.8 (least squares, closed form), a little more with the bend; 0.05 stops is the bias allowed."""
    fit = person(np.random.default_rng(5), family, frames=600, slope=0.8).fit()
    assert fit.result.value("slope") == pytest.approx(0.8, abs=0.02)
    for keep in (0.5, 0.8, 0.9):
        found = fit.limit(keep, 6.0)
        assert abs(math.log2(found.shutter_s / true_limit_s(family, keep, 6.0, 0.8))) < 0.05
        assert fit.keep_rate(found.shutter_s, 6.0) == pytest.approx(keep, abs=1e-5)


def test_the_likelihood_chooses_the_family() -> None:
    rng = np.random.default_rng(6)
    assert person(rng, "lognormal", frames=100).fit().distribution == "lognormal"
    chosen = person(rng, "rayleigh", frames=100).fit()
    assert chosen.distribution in ("rayleigh", "weibull")
    if chosen.distribution == "weibull":
        assert math.exp(chosen.result.value("ln_shape")) == pytest.approx(2.0, abs=0.2)


@pytest.mark.statistical
@pytest.mark.parametrize(
    ("family", "frames", "ladder"),
    [("rayleigh", 8, LADDER), ("weibull", 8, LADDER[1:7]), ("lognormal", 6, LADDER), ("gamma", 10, LADDER[1:7])],
)
def test_intervals_cover_and_limits_are_unbiased(family: str, frames: int, ladder: Array) -> None:
    """95 % intervals of 120 people each cover as they claim within what so many draws allow (binomial standard error
    2 %: two of them on either side); median bias of 300 people (standard error 0.013 stops) under 0.05 stops."""
    rng = np.random.default_rng(77)
    inside, errors = 0, []
    people, intervals = 300, 120
    truth = true_limit_s(family, 0.8, 6.0)
    for number in range(people):
        fit = person(rng, family, frames, ladder).fit()
        if number < intervals:
            found = fit.limit(0.8, 6.0)
            inside += found.ci_low_s < truth < found.ci_high_s
        value = fit.data.reference_s * math.exp(limit_place(fit.families, 0.8, 6.0))  # the limit without its interval
        errors.append(math.log2(value / truth))
    assert 0.91 <= inside / intervals <= 0.99
    assert abs(float(np.median(errors))) < 0.05 + 1.25 * float(np.std(errors)) / math.sqrt(people)


@pytest.mark.statistical
def test_parameter_errors_scatter_as_stated() -> None:
    rng = np.random.default_rng(8)
    scores = []
    for _ in range(120):
        fit = person(rng, "rayleigh").fit()
        result = fit.result
        if result.at_bound:
            continue
        scores.append((result.value("slope") - 1.0) / result.error("slope"))
    # 120 draws: standard error of a standard deviation 0.065
    assert 0.85 < float(np.std(scores)) < 1.2


def test_dropping_censored_frames_makes_the_same_person_look_steadier() -> None:
    """Frames too blurred to measure are the shaky ones: without them the same series claims a slower safe
    speed, here by about a stop."""
    rng = np.random.default_rng(9)
    gains = []
    for _ in range(12):
        series = person(rng, "weibull", frames=8, ladder=LADDER[:5], longest_px=14.0)
        known = np.array([kind is None for kind in series.censored])
        assert np.count_nonzero(~known) >= 5
        honest = series.fit().limit(0.8, 10.0).shutter_s
        dropped = fit_blur(
            series.shutter_s[known], series.streak_px[known], series.stderr_px[known],
            [None] * int(known.sum()), series.bound_px[known],
        ).limit(0.8, 10.0).shutter_s  # fmt: skip
        gains.append((math.log2(dropped / honest), math.log2(honest / true_limit_s("weibull", 0.8, 10.0))))
    looks_steadier, honest_error = np.array(gains).T
    assert float(np.median(looks_steadier)) > 0.5
    assert np.all(looks_steadier > 0.0)
    assert abs(float(np.median(honest_error))) < 0.15


@pytest.mark.parametrize("bursts", [None, [n // 2 for n in range(10)]], ids=["alone", "bursts"])
def test_limits_told_together_are_those_told_one_by_one(bursts: list[int] | None) -> None:
    """Each row of the one search knows its own streak and keep rate, ends far out and open ends included."""
    series = person(np.random.default_rng(26), frames=2, ladder=LADDER[2:7])
    rows = (series.shutter_s, series.streak_px, series.stderr_px, series.censored, series.bound_px)
    wanted = [(0.8, 6.0), (0.5, 1.5), (0.9, 20.0), (0.8, 60.0)]
    together = fit_blur(*rows, bursts=bursts).limits_of(wanted)
    assert any(math.isnan(found.ci_low_s) or math.isnan(found.ci_high_s) for found in together)
    for (keep, streak_px), found in zip(wanted, together, strict=True):
        alone = fit_blur(*rows, bursts=bursts).limit(keep, streak_px)
        assert (found.keep, found.streak_limit_px, found.reach) == (keep, streak_px, alone.reach)
        ends = [(one.shutter_s, one.ci_low_s, one.ci_high_s) for one in (found, alone)]
        np.testing.assert_allclose(*ends, rtol=1e-6)


@pytest.mark.parametrize(("family", "bursts"), [*((name, False) for name in HANDS), ("lognormal", True)])
def test_derivatives_by_the_chain_rule_agree_with_plain_differences(family: str, bursts: bool) -> None:
    series = person(np.random.default_rng(22), frames=4, ladder=LADDER[1:7])
    data = fit_blur(
        series.shutter_s, series.streak_px, series.stderr_px, series.censored, series.bound_px,
        bursts=[n // 3 for n in range(24)] if bursts else None,
    ).data  # fmt: skip
    likelihood = Likelihood(FAMILIES[family], data)
    theta = np.array([[0.6, 0.9, 0.3, 0.2, 0.3 * bursts], [1.0, 1.3, -0.2, -0.1, 0.6 * bursts]])
    free = free_parameters(family, bursts)
    value, gradient, hessian = likelihood.derivatives(theta)
    plain_value, plain_gradient, plain_hessian = derivatives(likelihood, theta, free)
    np.testing.assert_allclose(value, plain_value, rtol=1e-12)
    np.testing.assert_allclose(gradient[:, free], plain_gradient, rtol=1e-3, atol=1e-3)
    size = np.abs(plain_hessian).max(axis=(1, 2), keepdims=True)
    assert np.max(np.abs(hessian[:, free[:, None], free] - plain_hessian) / size) < 1e-3


@pytest.mark.parametrize("share", [1e-3, 0.5, 0.8, 0.99])
def test_quantiles_of_turning_streaks_undo_their_distribution(share: float) -> None:
    k = np.exp(np.linspace(-3.0, 3.5, 30))
    z = FAMILIES["turning"].log_quantile(share, k)
    np.testing.assert_allclose(np.exp(FAMILIES["turning"].log_below(z, k)), share, rtol=1e-10)


def test_limit_outside_the_ladder_is_marked() -> None:
    rng = np.random.default_rng(10)
    fit = person(rng, ladder=LADDER[2:6]).fit()
    assert fit.limit(0.8, 4.0).reach == "measured"
    assert fit.limit(0.8, 200.0).reach == "slower"
    assert fit.limit(0.8, 0.3).reach == "faster"


def test_no_time_is_told_far_beyond_the_ladder() -> None:
    """Streaks that hardly grow with time put a strict limit at absurd times: none is told beyond three stops."""
    rng = np.random.default_rng(12)
    t = np.repeat(LADDER[2:7], 8)
    streak = 6.0 * (t / REFERENCE_S) ** 0.15 * np.exp(rng.standard_normal(t.size))
    fit = fit_blur(t, streak, np.full(t.size, 0.05), [None] * t.size, np.full(t.size, math.nan))
    for keep in (0.5, 0.8, 0.9):
        found = fit.limit(keep, 0.9)
        assert found.reach == "faster"
        assert math.isnan(found.shutter_s)
        assert math.isnan(found.ci_low_s)
        assert math.isnan(found.ci_high_s) or found.ci_high_s >= fit.fastest_s / 8.001
    wide = person(rng, ladder=LADDER[2:6]).fit()
    for limit_px in (0.2, 0.5, 1.0, 4.0, 20.0, 60.0, 200.0):
        found = wide.limit(0.8, limit_px)
        for time in (found.shutter_s, found.ci_low_s, found.ci_high_s):
            assert math.isnan(time) or wide.fastest_s / 8.001 <= time <= wide.slowest_s * 8.001


def test_blur_that_does_not_grow_is_held_and_said() -> None:
    rng = np.random.default_rng(11)
    t = np.repeat(LADDER[:6], 6)
    streak = 3.0 * (t / REFERENCE_S) ** -0.4 * rng.rayleigh(1.0, t.size)
    fit = fit_blur(t, streak, np.full(t.size, 0.02), [None] * t.size, np.full(t.size, math.nan))
    assert fit.result.at_bound == ("slope",)
    assert np.all(np.isnan(fit.result.stderr))
    assert "do not show blur growing" in fit.result.message
    limit = fit.limit(0.8, 6.0)
    assert math.isnan(limit.shutter_s)
    assert math.isnan(limit.ci_low_s)
    assert math.isnan(limit.ci_high_s)
    assert next_shots(fit, 0.8, 6.0).shots


def test_few_frames_give_a_wide_or_open_interval() -> None:
    rng = np.random.default_rng(13)
    few = person(rng, frames=1, ladder=LADDER[2:7]).fit().limit(0.8, 6.0)
    many = person(rng, frames=40, ladder=LADDER[2:7]).fit().limit(0.8, 6.0)
    width_many = math.log2(many.ci_high_s / many.ci_low_s)
    assert (
        math.isnan(few.ci_low_s)
        or math.isnan(few.ci_high_s)
        or (math.log2(few.ci_high_s / few.ci_low_s) > 3.0 * width_many)
    )


def test_rows_left_out_and_refusals_are_told() -> None:
    t = [1 / 8, 1 / 8, 1 / 16, 1 / 32, 1 / 32, math.nan, 1 / 64]
    streak = [8.0, 6.0, 4.0, 2.0, 1.5, 3.0, math.nan]
    fit = fit_blur(t, streak, [0.1] * 7, [None] * 7, [math.nan] * 7)
    assert fit.result.points_used == 5
    assert fit.result.points_dropped == ("frame 6: shutter time unknown", "frame 7: streak not measured")
    below = ["below"] * 6
    with pytest.raises(FitError, match="slower speeds"):
        fit_blur([1 / 60] * 3 + [1 / 125] * 3, [math.nan] * 6, [math.nan] * 6, below, [0.3] * 6)
    with pytest.raises(FitError, match="faster speeds"):
        fit_blur([1 / 2] * 3 + [1 / 4] * 3, [math.nan] * 6, [math.nan] * 6, ["above"] * 6, [40.0] * 6)
    with pytest.raises(FitError, match="no frame can be used"):
        fit_blur([1 / 60], [math.nan], [math.nan], [None], [math.nan])
    with pytest.raises(FitError, match="two or more"):
        fit_blur([1 / 60] * 5, [1.0, 2.0, 3.0, 2.0, 1.0], [0.1] * 5, [None] * 5, [math.nan] * 5)
    with pytest.raises(FitError, match="criterion"):
        fit.limit(1.2, 4.0)


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    slope=st.floats(0.0, 1.6),
    time=st.floats(1e-3, 2.0),
    ratio=st.floats(1.01, 30.0),
    limit=st.floats(0.2, 60.0),
)
def test_keep_rate_is_monotone(seed: int, slope: float, time: float, ratio: float, limit: float) -> None:
    fit = person(np.random.default_rng(seed), frames=3, slope=slope, ladder=LADDER[1:7]).fit()
    here = fit.keep_rate(time, limit)
    assert 0.0 <= here <= 1.0
    assert fit.keep_rate(time * ratio, limit) <= here + 1e-9
    assert fit.keep_rate(time, limit * ratio) >= here - 1e-9


def test_expected_width_agrees_with_the_profile() -> None:
    """Two routes to the interval: expected information and profile likelihood."""
    rng = np.random.default_rng(14)
    for _ in range(4):
        fit = person(rng, frames=15).fit()
        found = fit.limit(0.8, 6.0)
        measured = math.log2(found.ci_high_s / found.ci_low_s)
        # expected and observed information differ by chance: over 24 such people by 3 % (standard deviation)
        assert next_shots(fit, 0.8, 6.0).width_now_stops == pytest.approx(measured, rel=0.12)


def test_next_shots_beat_the_same_number_spread_evenly() -> None:
    """A strict criterion puts the limit near 1/140 s, far from the middle of a 1/4 to 1/256 s ladder."""
    rng = np.random.default_rng(15)
    small, even, advised = [], [], []
    for _ in range(10):
        first = person(rng, frames=3, ladder=LADDER[1:8])
        fit = first.fit()
        asked = next_shots(fit, 0.8, 1.2, most_frames=21)
        assert sum(n for _, n in asked.shots) <= 21
        assert asked.width_then_stops < asked.width_now_stops
        assert all(math.log2(t).is_integer() for t, _ in asked.shots)
        small.append(_width(fit))
        extra = person(rng, frames=1, ladder=np.array([t for t, n in asked.shots for _ in range(n)]))
        advised.append(_width(_joined(first, extra).fit()))
        evenly = person(rng, frames=3, ladder=LADDER[1:8])
        even.append(_width(_joined(first, evenly).fit()))
    assert float(np.median(advised)) < 0.85 * float(np.median(even)) < 0.85 * float(np.median(small))


def _width(fit: BlurFit) -> float:
    found = fit.limit(0.8, 1.2)
    return math.log2(found.ci_high_s / found.ci_low_s)


def _joined(a: Person, b: Person) -> Person:
    return Person(
        np.concatenate([a.shutter_s, b.shutter_s]),
        np.concatenate([a.true_px, b.true_px]),
        np.concatenate([a.streak_px, b.streak_px]),
        np.concatenate([a.stderr_px, b.stderr_px]),
        [*a.censored, *b.censored],
        np.concatenate([a.bound_px, b.bound_px]),
    )


def test_enough_frames_ask_for_nothing_more() -> None:
    fit = person(np.random.default_rng(16), frames=120).fit()
    assert next_shots(fit, 0.8, 6.0).shots == ()


def test_limits_hold_the_asked_rate_and_plain_values() -> None:
    fit = person(np.random.default_rng(17)).fit()
    limits = fit.limits(6.0, asked=0.75)
    assert [item.keep for item in limits] == [0.5, 0.75, 0.8, 0.9]
    times = [item.shutter_s for item in limits]
    assert times == sorted(times, reverse=True)
    assert set(limits[0].as_dict()) >= {"keep", "streak_limit_px", "shutter_s", "ci_low_s", "ci_high_s"}
    low, high = fit.keep_rate_interval(1 / 64, 6.0)
    assert low < fit.families[0].rate(np.array([math.log(1 / 64 / fit.data.reference_s)]), 6.0)[0] < high
    values = fit.as_dict()
    assert values["distribution"] == fit.distribution
    assert values["counts"]["measured"] + values["counts"]["below"] + values["counts"]["above"] == 72
