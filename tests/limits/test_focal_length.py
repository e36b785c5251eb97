"""The 1/focal-length rule, limits carried by angle, and the threshold of ISO 20954-1, against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from kitgauge.errors import UsageError
from kitgauge.fit.blur.blur_shutter import BlurFit, ShutterLimit, fit_blur
from kitgauge.limits.criteria import Criteria, parse_criteria
from kitgauge.limits.focal_length import beside_focal_lengths, focal_35mm, rule_beside_limit, scaled_limits
from kitgauge.limits.shutter_limit import shutter_limits
from kitgauge.simulate.hands import Hands, draw_motion, streaks_px, true_shutter_limit_s

FULL = (4000, 6000)  # at 6 um: 24 x 36 mm
KIT = {"focal_mm": 50.0, "pixel_pitch_um": 6.0, "focal_35mm": None}


def drifting(scale_px: float = 4.0, frames: int = 40, slope: float = 1.0) -> BlurFit:
    """Rayleigh streaks of scale `scale_px` at 1/64 s, at the quantiles of their distribution: no luck in them."""
    speeds = 2.0 ** -np.arange(3.0, 9.0)
    share = (np.arange(frames) + 0.5) / frames
    t = np.repeat(speeds, frames)
    streak = scale_px * (t * 64.0) ** slope * np.tile(np.sqrt(-2.0 * np.log1p(-share)), speeds.size)
    return fit_blur(t, streak, 0.01 * streak, [None] * t.size, np.full(t.size, math.nan))


def test_63_micrometres_are_63_micrometres_of_full_frame_and_scale_with_the_diagonal():
    criteria = parse_criteria(["streak_um_35mm=63"])
    # facts.md, ISO 20954-1:2019: 63 um on 24 x 36 mm; pixels of 6 um
    assert criteria.streak_limit_px(FULL) == pytest.approx(63.0 / 6.0)
    # a sensor of half the size, 12 x 18 mm, with the same number of pixels: 31.5 um of 3 um pixels
    assert criteria.streak_limit_px(FULL) * 3.0 == pytest.approx(31.5)
    # 4:3 by its diagonal: 17.3 x 13 mm, 3.33 um pixels
    assert criteria.streak_limit_px((3904, 5195)) * 3.33 == pytest.approx(63.0 * 21.64 / 43.267, rel=1e-3)
    # more than twice the default, the diagonal / 1500 = 28.8 um
    assert criteria.streak_limit_px(FULL) / Criteria().streak_limit_px(FULL) == pytest.approx(63.0 / 28.844, rel=1e-3)
    (limit,) = shutter_limits(drifting(), criteria, FULL)
    assert limit.criterion == {"streak_px": pytest.approx(10.5), "streak_um_35mm": 63.0, "keep": 0.8}
    # Rayleigh: t = 10.5 / (4 sqrt(-2 ln 0.2)) / 64 s
    assert math.log2(limit.value["shutter_s"] * 64 * 4 * math.sqrt(-2 * math.log(0.2)) / 10.5) == pytest.approx(
        0, abs=0.05
    )
    assert "streak_px" not in criteria.as_dict()


def test_a_streak_is_given_once():
    with pytest.raises(UsageError, match=r"(?s)streak is given twice.*streak_px=4 and streak_um_35mm=63"):
        parse_criteria(["streak_px=4", "streak_um_35mm=63"])
    base = parse_criteria(["streak_um_35mm=63"])
    assert parse_criteria(["streak_px=4"], base).streak_limit_px(FULL) == 4.0
    assert parse_criteria(["streak_um_35mm=30"], Criteria(streak_px=4.0)).streak_limit_px(FULL) == pytest.approx(5.0)


def test_focal_length_in_35_mm_terms():
    assert focal_35mm(KIT, FULL)[0] == pytest.approx(50.0)
    # 23.5 x 15.6 mm: factor 1.534 by the diagonals
    found = focal_35mm({"focal_mm": 35.0, "pixel_pitch_um": 3.917}, (3983, 6000))
    assert found[0] == pytest.approx(35.0 * 1.534, rel=2e-3)
    assert focal_35mm({"focal_mm": 35.0, "focal_35mm": 52.0}, FULL) == (52.0, "as the frames tell")
    assert focal_35mm({"focal_mm": 35.0}, FULL) is None


def limit_at(shutter_s: float, low: float, high: float, reach: str = "measured") -> ShutterLimit:
    return ShutterLimit(0.8, 4.8, shutter_s, low, high, 0.1, reach)


def test_the_rule_is_told_beside_the_limit_in_stops():
    faster = rule_beside_limit(limit_at(1 / 200, 1 / 240, 1 / 160), KIT, FULL)
    assert faster["rule_s"] == pytest.approx(1 / 50)
    assert faster["stops"] == pytest.approx(-2.0)
    assert (faster["ci_low_stops"], faster["ci_high_stops"]) == pytest.approx(
        (math.log2(50 / 240), math.log2(50 / 160))
    )
    assert "your limit is 2.00 stops faster: the rule is not enough for you" in faster["text"]
    slower = rule_beside_limit(limit_at(1 / 12.5, 1 / 16, 1 / 10), KIT, FULL)
    assert "2.00 stops slower: the rule is stricter than you need" in slower["text"]
    agrees = rule_beside_limit(limit_at(1 / 55, 1 / 70, 1 / 40), KIT, FULL)
    assert "agrees with it within its interval" in agrees["text"]
    beyond = rule_beside_limit(limit_at(1.0, 0.5, math.nan, "slower"), KIT, FULL)
    assert math.isnan(beyond["stops"])
    assert "slower than the slowest speed measured" in beyond["text"]
    assert rule_beside_limit(limit_at(1 / 50, 1 / 60, 1 / 40), {"focal_mm": 50.0}, FULL) is None


def test_limits_scale_by_angle_as_the_closed_form_says():
    fit = drifting(scale_px=2.7, slope=1.0)
    own = fit.limit(0.8, 4.8).shutter_s
    rows = {row["focal_mm"]: row for row in scaled_limits(fit, 0.8, 4.8, 50.0)}
    assert 50.0 not in rows
    assert all(row["scaled"] and row["from_focal_mm"] == 50.0 for row in rows.values())
    # streaks in proportion to time: time in inverse proportion to the focal length
    assert rows[105.0]["shutter_s"] == pytest.approx(own * 50.0 / 105.0, rel=0.02)
    assert rows[24.0]["shutter_s"] == pytest.approx(own * 50.0 / 24.0, rel=0.02)
    assert all(row["ci_low_s"] < row["shutter_s"] < row["ci_high_s"] for row in rows.values())
    times = [rows[mm]["shutter_s"] for mm in sorted(rows)]
    assert times == sorted(times, reverse=True)
    # a stabiliser that works against drift: streaks grow as the root of time, so the focal length counts squared,
    # where taking times in proportion would be a whole stop off at twice the focal length
    stabilised = drifting(scale_px=1.5, slope=0.5)
    (row,) = scaled_limits(stabilised, 0.8, 4.8, 50.0, [100.0])
    assert row["shutter_s"] == pytest.approx(stabilised.limit(0.8, 4.8).shutter_s / 4.0, rel=0.03)


def test_nothing_is_scaled_beyond_the_measured_speeds_or_without_a_focal_length():
    fit = drifting()
    assert scaled_limits(fit, 0.8, 4.8, 50.0, [5000.0]) == []
    assert scaled_limits(fit, 0.8, 4.8, None) == []
    found = beside_focal_lengths(fit, 0.8, 4.8, KIT, FULL, hands=False)
    assert found["rule"] is None
    assert found["scaled"]


def shaken(times_s: np.ndarray, frames: int, focal_mm: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Times and true streaks [px of 6 um] of simulated hands, by integrating their motion."""
    rng = np.random.default_rng(seed)
    streaks = [streaks_px(draw_motion(Hands(), frames, rng), float(t), focal_mm, 6.0) for t in times_s]
    return np.repeat(times_s, frames), np.concatenate(streaks)


def test_limits_carried_by_angle_are_those_of_the_motion_itself():
    # true streaks of the same kind of hands behind a lens of 100 mm, from the paths, by no formula of ours
    t, streak = shaken(2.0 ** -np.arange(2.0, 9.0), 120, 50.0, 3)
    fit = fit_blur(t, streak, 0.01 * streak, [None] * t.size, np.full(t.size, math.nan))
    for focal_mm in (28.0, 100.0):
        (row,) = scaled_limits(fit, 0.8, 4.8, 50.0, [focal_mm])
        true = true_shutter_limit_s(Hands(), 4.8, 0.8, focal_mm, 6.0)
        assert row["ci_low_s"] < true < row["ci_high_s"]
        assert abs(math.log2(row["shutter_s"] / true)) < 0.25


def test_simulated_hands_agree_with_published_handheld_studies():
    """Outside checks by what `facts.md` tells of the studies; they give no streaks to compare sizes with.

    Handheld 35 mm cameras, 32 people, 1/60 to 1/8 s: 1/60 significantly best, 1/8 worst (vtechworks.lib.vt.edu). In 207
    measurements sharpness falls linearly with shutter time (core.ac.uk/works/7961107): the streak grows about in
    proportion to it, so that the fit's slope is near 1.
    """
    speeds = 1.0 / np.array([64.0, 32.0, 16.0, 8.0])
    t, streak = shaken(speeds, 32, 50.0, 5)
    means = [float(np.mean(streak[t == time])) for time in speeds]
    assert means == sorted(means)
    assert stats.mannwhitneyu(streak[t == speeds[0]], streak[t == speeds[1]], alternative="less").pvalue < 0.01
    assert stats.mannwhitneyu(streak[t == speeds[2]], streak[t == speeds[3]], alternative="less").pvalue < 0.01
    fit = fit_blur(t, streak, 0.01 * streak, [None] * t.size, np.full(t.size, math.nan))
    slope = dict(zip(fit.result.names, fit.result.values, strict=True))["slope"]
    assert 0.75 < slope < 1.25
