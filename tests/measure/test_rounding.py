"""Read noise narrower than a code: recovered from how often each pair of codes occurs.

The simulation rounds Gaussian samples; nothing of the package is in it. Sheppard's correction (variance less 1/12) is
the naive route, EMVA 1288 Release 4's warning below 0.24 DN^2 is from memory.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from simulated_pairs import contrasts

from kitgauge.measure.noise.dark_pair import measure_dark_pair
from kitgauge.measure.noise.rounding import narrow_noise, rounding_excess_dn2


def rounded(rng, shape, mean, sigma, count=2, *, fixed=0.0, row=0.0, warm=0.0, hot=0, drift=0.0):
    level = mean + fixed * rng.standard_normal(shape)
    if warm:
        where = rng.random(shape) < warm
        level[where] += rng.uniform(0, 15, np.count_nonzero(where))
    level.ravel()[rng.choice(level.size, hot, replace=False)] += 3000.0
    return [
        np.round(
            level + drift * index + sigma * rng.standard_normal(shape) + row * rng.standard_normal((shape[0], 1))
        ).astype(np.uint16)
        for index in range(count)
    ]


def read_noise(pair):
    return math.sqrt(pair.variance_dn2 - 1 / 12), pair.variance_stderr_dn2 / 2 / math.sqrt(pair.variance_dn2 - 1 / 12)


@pytest.mark.parametrize("sigma", [0.3, 0.4, 0.5, 0.6])
@pytest.mark.parametrize("phase", [0.0, 0.3, 0.5])
@pytest.mark.parametrize("fixed", [0.0, 0.15, 0.6])
def test_one_percent_on_a_megapixel(sigma, phase, fixed):
    # a quarter of a megapixel: one green of a Bayer pattern
    rng = np.random.default_rng(round(100 * sigma + 10 * phase))
    pair = measure_dark_pair(*rounded(rng, (500, 500), 256.0 + phase, sigma, fixed=fixed, hot=60))
    value, error = read_noise(pair)
    assert value == pytest.approx(sigma, rel=0.01)
    assert error < 0.005 * sigma
    assert abs(value - sigma) < 3.5 * error
    assert pair.mean_dn == pytest.approx(256.0 + phase, abs=0.01)
    assert abs(pair.dsnu_dn**2 - fixed**2) < 4 * pair.dsnu_variance_stderr_dn2
    assert pair.dsnu_variance_stderr_dn2 < 0.002 + 0.01 * fixed**2
    assert pair.flags == ()


def test_sheppards_correction_fails_on_the_same_frames():
    rng = np.random.default_rng(1)
    for phase, sign in ((0.0, -1), (0.5, 1)):
        a, b = rounded(rng, (400, 400), 256.0 + phase, 0.3)
        plain = 0.5 * (a.astype(float) - b).var() - 1 / 12
        assert sign * (plain / 0.09 - 1) > 0.5
        assert read_noise(measure_dark_pair(a, b))[0] == pytest.approx(0.3, rel=0.02)


@pytest.mark.statistical
@pytest.mark.parametrize(
    ("sigma", "conditions"),
    [
        (0.2, {}),
        (0.2, {"fixed": 0.3}),
        (0.3, {"fixed": 0.05, "warm": 1e-3, "hot": 10}),
        (0.45, {"row": 0.1, "fixed": 0.1}),
        (0.62, {}),
    ],
)
def test_error_is_honest(sigma, conditions):
    seeds, pulls = 60, []
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        phase = rng.uniform(-0.25, 0.25)  # towards half way 0.2 DN is hidden, see below
        value, error = read_noise(measure_dark_pair(*rounded(rng, (120, 140), 300 + phase, sigma, **conditions)))
        pulls.append((value - sigma) / error)
    assert abs(np.mean(pulls)) < 3.5 / math.sqrt(seeds)
    assert 0.7 < np.std(pulls) < 1.3


def test_what_the_level_hides_is_not_stated():
    # 0.15 DN around a level half way between two codes: every sample is a toss between them
    pair = measure_dark_pair(*rounded(np.random.default_rng(2), (300, 300), 256.5, 0.15))
    assert "rounding-dominates" in pair.flags
    # nothing varies at all, and it is not black cut off at 0
    same = np.full((64, 64), 256, np.uint16)
    assert measure_dark_pair(same, same).flags == ("rounding-dominates",)
    assert "clipped-black" in measure_dark_pair(same * 0, same * 0).flags


def test_narrow_noise_is_no_clipped_black_and_cut_off_black_is_no_narrow_noise():
    rng = np.random.default_rng(3)
    assert measure_dark_pair(*rounded(rng, (200, 200), 256.3, 0.25)).flags == ()
    cut = [np.maximum(0.0, np.round(0.6 * rng.standard_normal((200, 200)))).astype(np.uint16) for _ in range(2)]
    assert "clipped-black" in measure_dark_pair(*cut).flags


@pytest.mark.statistical
@pytest.mark.parametrize("sigma", [0.25, 0.4])
def test_more_frames_tell_more(sigma):
    pulls, gained = [], []
    for seed in range(25):
        frames = rounded(np.random.default_rng(seed), (120, 140), 300.1, sigma, 4, fixed=0.1, drift=0.02)
        values, errors = np.array([read_noise(pair) for pair in contrasts(measure_dark_pair, frames)]).T
        weights = errors**-2.0
        pulls.append(((weights * values).sum() / weights.sum() - sigma) * math.sqrt(weights.sum()))
        gained.append(errors[0] * math.sqrt(weights.sum()))
    assert abs(np.mean(pulls)) < 3.5 / 5
    assert 0.6 < np.std(pulls) < 1.4
    assert np.mean(gained) > 1.4  # three differences instead of one: 1.7, less what the first pair knew of the level


def test_odd_patterns_widen_the_error():
    rng = np.random.default_rng(4)
    level = 256.0 + rng.laplace(0, 0.2, (300, 320))
    frames = [np.round(level + 0.35 * rng.standard_normal(level.shape)).astype(np.uint16) for _ in range(2)]
    seen = narrow_noise(*frames)
    assert abs(seen.sigma_dn - 0.35) < 3 * seen.sigma_stderr_dn
    assert seen.sigma_stderr_dn > 0.005


def test_excess_of_rounding_against_the_sum_over_codes():
    # independent route: the variance of a rounded Gaussian summed code by code
    from scipy.stats import norm

    codes = np.arange(-12, 13)
    for sigma, mean in ((0.6, 0.0), (0.65, 0.2), (0.7, 0.5)):
        p = norm.cdf(codes + 0.5, mean, sigma) - norm.cdf(codes - 0.5, mean, sigma)
        exact = (p * codes**2).sum() - (p * codes).sum() ** 2
        assert rounding_excess_dn2(sigma**2, 0.0, mean) == pytest.approx(exact - sigma**2 - 1 / 12, abs=2e-6)
