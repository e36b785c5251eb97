"""Streaks in closed form, paths by an independent quadrature."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad

from kitgauge.simulate.chart_series import SampledPath
from kitgauge.simulate.hands import (
    Hands,
    draw_motion,
    pixels_per_radian,
    sample_motion,
    streak_of,
    streaks_px,
    true_shutter_limit_s,
    uniform_path,
)

FOCAL_MM, PITCH_UM = 14.0, 6.0


def path_of(x, y, nodes=400):
    time = (np.arange(nodes) + 0.5) / nodes
    return SampledPath(x(time), y(time), np.full(nodes, 1.0 / nodes))


@pytest.mark.parametrize("direction_deg", [0.0, 30.0, 90.0, 135.0])
@pytest.mark.parametrize("length_px", [0.5, 12.0, 80.0])
def test_streak_of_uniform_motion_is_its_length(length_px, direction_deg):
    """L = sqrt(12) sigma, and a uniform distribution of length L has sigma = L/sqrt(12)."""
    streak = streak_of(uniform_path(length_px, direction_deg))
    assert streak.streak_px == pytest.approx(length_px, rel=1e-12)
    assert streak.direction_deg == pytest.approx(direction_deg)
    assert streak.x_px == pytest.approx(length_px * abs(math.cos(math.radians(direction_deg))), abs=1e-9)


def test_streak_of_a_whole_swing():
    """A sine over whole periods has sigma^2 = A^2/2, so L = sqrt(6) A; a circle has twice the variance."""
    swing = streak_of(path_of(lambda t: 3.0 * np.sin(4 * np.pi * t), lambda t: 0 * t))
    assert swing.streak_px == pytest.approx(math.sqrt(6) * 3.0, rel=1e-9)
    circle = streak_of(path_of(lambda t: 3.0 * np.sin(4 * np.pi * t), lambda t: 3.0 * np.cos(4 * np.pi * t)))
    assert circle.streak_px == pytest.approx(math.sqrt(12) * 3.0, rel=1e-9)


@pytest.mark.parametrize("exposure_s", [1 / 512, 1 / 64, 1 / 8, 2.0])
def test_sampled_moments_agree_with_adaptive_quadrature(exposure_s):
    motion = draw_motion(Hands(), 1, np.random.default_rng(9))
    scale = pixels_per_radian(FOCAL_MM, PITCH_UM)
    variance = 0.0
    for axis in (0, 1):

        def position(t, axis=axis):
            return float(motion.angles_rad(np.array([t]))[0, axis, 0]) * scale

        first = quad(position, 0, exposure_s, limit=400)[0] / exposure_s
        second = quad(lambda t, p=position, m=first: (p(t) - m) ** 2, 0, exposure_s, limit=400)[0] / exposure_s
        variance += second
    assert streak_of(sample_motion(motion, exposure_s, FOCAL_MM, PITCH_UM)).streak_px == pytest.approx(
        math.sqrt(12 * variance), rel=1e-6
    )
    assert streaks_px(motion, exposure_s, FOCAL_MM, PITCH_UM)[0] == pytest.approx(math.sqrt(12 * variance), rel=1e-6)


def test_path_has_its_mean_at_zero_and_weights_of_one():
    path = sample_motion(draw_motion(Hands(), 1, np.random.default_rng(2)), 0.25, FOCAL_MM, PITCH_UM)
    assert path.weight.sum() == pytest.approx(1.0)
    assert float(path.weight @ path.x_px) == pytest.approx(0.0, abs=1e-12)


def test_very_short_exposures_streak_in_proportion_to_time():
    """Far below a tremor period every path is straight and uniform."""
    motion = draw_motion(Hands(), 500, np.random.default_rng(3))
    one, two = (streaks_px(motion, exposure_s, FOCAL_MM, PITCH_UM) for exposure_s in (1e-6, 2e-6))
    assert two == pytest.approx(2 * one, rel=1e-3)


@pytest.mark.statistical
def test_short_streaks_of_isotropic_sway_are_rayleigh():
    """Normal rates of equal size on both axes make a Rayleigh speed: quantile s sqrt(-2 ln(1 - q))."""
    hands = Hands(shake_rad=0.0, tremor_rad=0.0, jerk_rad=0.0, unevenness=0.0)
    exposure_s = 1e-4
    streaks = streaks_px(draw_motion(hands, 20_000, np.random.default_rng(4)), exposure_s, FOCAL_MM, PITCH_UM)
    scale = hands.sway_rad_per_s * exposure_s * pixels_per_radian(FOCAL_MM, PITCH_UM)
    for share in (0.2, 0.5, 0.8, 0.95):
        expected = scale * math.sqrt(-2 * math.log(1 - share))
        assert np.quantile(streaks, share) == pytest.approx(expected, rel=0.03)


@pytest.mark.statistical
@pytest.mark.parametrize("keep", [0.5, 0.8, 0.9])
def test_at_the_true_limit_the_stated_share_is_kept(keep):
    """Fresh paths, none of those that the limit was found with."""
    limit_s = true_shutter_limit_s(Hands(), 1.3, keep, FOCAL_MM, PITCH_UM)
    fresh = streaks_px(draw_motion(Hands(), 20_000, np.random.default_rng(12345)), limit_s, FOCAL_MM, PITCH_UM)
    assert (fresh <= 1.3).mean() == pytest.approx(keep, abs=5 * math.sqrt(2 * keep * (1 - keep) / 20_000))


def test_steadier_ways_of_holding_allow_slower_shutters():
    limits = [
        true_shutter_limit_s(Hands().scaled(technique), 1.3, 0.8, FOCAL_MM, PITCH_UM, paths=2000)
        for technique in ("standing", "seated", "braced")
    ]
    assert limits == sorted(limits)
    longer = true_shutter_limit_s(Hands(), 1.3, 0.8, 4 * FOCAL_MM, PITCH_UM, paths=2000)
    assert longer < limits[0] / 3.5
    with pytest.raises(KeyError):
        Hands().scaled("on one leg")


def test_hands_too_steady_for_any_limit_are_told():
    statue = replace(Hands(), sway_rad_per_s=1e-9, shake_rad=0.0, tremor_rad=0.0, jerk_rad=0.0)
    with pytest.raises(ValueError, match="no shutter time"):
        true_shutter_limit_s(statue, 1.3, 0.8, FOCAL_MM, PITCH_UM, paths=500)
