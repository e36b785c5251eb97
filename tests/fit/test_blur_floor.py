"""Frames at and near the floor of what can be measured: they enter the fit with their own error."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats
from simulated_people import REFERENCE_S, RELATIVE

from kitgauge.fit.blur.blur_likelihood import Likelihood, StreakData
from kitgauge.fit.blur.blur_shutter import fit_blur
from kitgauge.fit.blur.streak_families import FAMILIES


@pytest.mark.parametrize("variance", [-0.03, 0.0, 0.01, 0.05, 0.12])
@pytest.mark.parametrize("family", list(RELATIVE))
def test_frames_near_the_floor_enter_with_their_error(family: str, variance: float) -> None:
    """Integral of f(L) normal(variance; L^2 / 12, error) over L, by adaptive quadrature, above and below the floor."""
    error, scale = 0.02, 0.6
    k = {"rayleigh": 1.0, "weibull": 1.5, "gamma": 2.5, "lognormal": 0.6}[family]

    def integrand(true: float) -> float:
        return float(RELATIVE[family].pdf(true / scale) / scale * stats.norm.pdf(variance, true**2 / 12.0, error))

    exact = math.log(integrate.quad(integrand, 0.0, 4.0, limit=400, epsabs=1e-14)[0])
    below = variance < 2.0 * error
    value = math.sqrt(24.0 * error) if below else math.sqrt(12.0 * variance)
    spread = np.array([0.0 if below else 6.0 * error / value])
    kind = np.array([-1 if below else 0], dtype=np.intp)
    data = StreakData(np.zeros(1), np.array([value]), spread, kind, 1.0, np.array([variance]), np.array([error]))
    found = Likelihood(FAMILIES[family], data).plain(np.array([[math.log(scale), 0.0, math.log(k)]]))
    # the Gaussian's constant is left out of the likelihood
    assert found[0] - 0.5 * math.log(2.0 * math.pi) == pytest.approx(exact, abs=2e-3)


@pytest.mark.statistical
def test_noise_near_the_floor_does_not_bias_the_fit() -> None:
    """Half the frames at or under the floor: their variances with errors give back scale and slope. Measured streaks
    alone, lifted over the floor by their noise, give a slope that is too flat."""
    rng = np.random.default_rng(41)
    noise, ladder, scores, low = 0.02, 2.0 ** -np.arange(5.0, 9.0), [], []
    for _ in range(50):
        t = np.repeat(ladder, 10)
        variance = (3.0 * (t / REFERENCE_S) * rng.rayleigh(1.0, t.size)) ** 2 / 12.0
        variance = variance + noise * rng.standard_normal(t.size)
        below = variance < 2.0 * noise
        streak = np.where(below, math.nan, np.sqrt(12.0 * np.abs(variance)))
        bound = np.where(below, np.sqrt(12.0 * (np.maximum(variance, 0.0) + 2.0 * noise)), math.nan)
        rows = (t, streak, 6.0 * noise / streak, ["below" if b else None for b in below], bound)
        fit = fit_blur(*rows, variance, np.full(t.size, noise))
        theta = next(item.theta for item in fit.families if item.name == "rayleigh")
        centre = math.log(3.0 * fit.data.reference_s / REFERENCE_S)
        scores.append((theta[0] - centre, theta[1] - 1.0))
        alone = fit_blur(
            t[~below], streak[~below], 6.0 * noise / streak[~below], [None] * t[~below].size, bound[~below]
        )
        low.append(next(item.theta for item in alone.families if item.name == "rayleigh")[1] - 1.0)
    errors = np.array(scores)
    sem = np.std(errors, axis=0) / math.sqrt(len(errors))
    assert np.all(np.abs(np.mean(errors, axis=0)) < 3.0 * sem)
    assert np.mean(low) < -0.1
