"""Speeds of a subject from frames of known speed; the closed form of Rayleigh's quantiles is the outside route."""

import math

import numpy as np
import pytest

from kitgauge.fit.blur.blur_shutter import fit_blur
from kitgauge.fit.blur.subject_speed import subject_speed

SCALE_PX_PER_S = 300.0  # of Rayleigh speeds
TIMES = np.repeat([1 / 512, 1 / 256, 1 / 128, 1 / 64, 1 / 32], 60)
FLOOR_PX, CEILING_PX = 0.5, 12.0


def frames(seed, scale=SCALE_PX_PER_S):
    streak = scale * np.random.default_rng(seed).rayleigh(1.0, TIMES.size) * TIMES
    kinds = np.where(streak < FLOOR_PX, "below", np.where(streak > CEILING_PX, "above", ""))
    bound = np.where(kinds == "below", FLOOR_PX, np.where(kinds == "above", CEILING_PX, math.nan))
    return streak, [kind or None for kind in kinds], bound


def fitted(seed, *, drop=False):
    streak, kinds, bound = frames(seed)
    keep = [i for i, kind in enumerate(kinds) if not (drop and kind)]
    known = [math.nan if kinds[i] else streak[i] for i in keep]
    return fit_blur(TIMES[keep], known, [0.02] * len(keep), [kinds[i] for i in keep], bound[keep])


def rayleigh_quantile(share):
    return SCALE_PX_PER_S * math.sqrt(-2.0 * math.log(1.0 - share))


def test_speed_at_the_keep_rate_and_its_interval():
    found = subject_speed(fitted(3), 0.8, 2.0)
    true = rayleigh_quantile(0.8)
    assert found.measured
    assert found.at_shutter_s == pytest.approx(2.0 / true, rel=0.1)
    assert found.px_per_s == pytest.approx(true, rel=0.1)
    assert found.ci_low_px_per_s < true < found.ci_high_px_per_s
    # 300 frames: an error of some 4 % (Rayleigh scale: 1 / (2 sqrt n)), more with a free shape and slope
    assert 1.05 < found.ci_high_px_per_s / found.ci_low_px_per_s < 1.4
    for share, speed in found.quantiles:
        assert speed == pytest.approx(rayleigh_quantile(share), rel=0.2)


def test_frames_left_out_for_being_censored_would_tell_another_subject():
    """Without frames too sharp to measure the slow share of frames is lost, and speeds read too high."""
    ours, naive = subject_speed(fitted(3), 0.5, 2.0), subject_speed(fitted(3, drop=True), 0.5, 2.0)
    true = rayleigh_quantile(0.5)
    assert ours.px_per_s == pytest.approx(true, rel=0.1)
    assert abs(dict(naive.quantiles)[0.1] / rayleigh_quantile(0.1) - 1) > 2 * abs(
        dict(ours.quantiles)[0.1] / rayleigh_quantile(0.1) - 1
    )


def test_a_limit_beyond_the_ladder_gives_speeds_at_its_end_and_no_interval():
    found = subject_speed(fitted(3), 0.8, 100.0)
    assert not found.measured
    assert found.at_shutter_s == pytest.approx(1 / 32)
    assert math.isnan(found.ci_low_px_per_s)
    assert found.px_per_s == pytest.approx(rayleigh_quantile(0.8), rel=0.15)
