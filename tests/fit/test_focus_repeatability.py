"""Focusing frame by frame: the spread of misses, what it costs, and the lens behind it, from misses that are known."""

import math

import numpy as np
import pytest
from focus_edges import PITCH_UM, SHAPE, lens_mtf50, square
from scipy.stats import norm

from kitgauge.fit.sharpness.focus_points import refocused_points
from kitgauge.fit.sharpness.focus_repeatability import focus_repeatability, one_in
from kitgauge.fit.sharpness.sharpness_points import combine_edges

NUMBERS = (1.8, 2.8, 4.0, 5.6)


def refocused(seed: int, sigma_um: float, numbers=NUMBERS, frames: int = 6, error: float = 0.005):
    rng = np.random.default_rng(seed)
    made = {}
    for number in numbers:
        mtf50 = lens_mtf50(number, rng.normal(0.0, sigma_um, frames))
        made[number] = [square(1500, 1000, value, error, rng) for value in mtf50]
    return made


def true_lost_share(f_number: float, sigma_um: float) -> float:
    """The share of normal misses that cost a third of MTF50, by search on the lens itself."""
    misses = np.linspace(0.0, 200.0, 401)
    mtf50 = lens_mtf50(f_number, misses)
    allowed = float(np.interp(-2.0 / 3.0 * mtf50[0], -mtf50, misses))
    return 2.0 * float(norm.sf(allowed / sigma_um))


@pytest.mark.statistical
def test_intervals_cover_and_the_lens_is_found_where_mean_and_best_frame_fail() -> None:
    sigma_um, runs = 25.0, 20
    lens, lost = float(lens_mtf50(1.8, 0.0)[0]), true_lost_share(1.8, sigma_um)
    covered = covered_lost = 0
    ratios, found, means, best = [], [], [], []
    for seed in range(runs):
        result = focus_repeatability(refocused(seed, sigma_um, (1.8, 2.8, 4.0), 5), SHAPE, PITCH_UM)
        wide = result.f_numbers[0]
        covered += result.sigma_ci[0] <= sigma_um <= result.sigma_ci[1]
        covered_lost += wide.lost_share_ci[0] <= lost <= wide.lost_share_ci[1]
        ratios.append(result.sigma / sigma_um)
        found.append(wide.lens_mtf50_cy_per_px / lens - 1.0)
        means.append(wide.mean_mtf50_cy_per_px / lens - 1.0)
        best.append(wide.best_mtf50_cy_per_px / lens - 1.0)
    # of 20 intervals of 95 %, fewer than 17 cover in 1 of 60 tries
    assert covered >= 17 and covered_lost >= 17
    assert math.exp(float(np.mean(np.log(ratios)))) == pytest.approx(1.0, abs=0.12)
    assert np.mean(means) < -0.1, "the mean of the frames is no lens"
    assert np.mean(best) < -0.008, "nor is the best of five"
    assert abs(float(np.median(found))) < 0.6 * abs(float(np.mean(best))) + 0.003


def test_one_focus_error_explains_all_f_numbers() -> None:
    result = focus_repeatability(refocused(3, 20.0, frames=12), SHAPE, PITCH_UM)
    assert result.unit == "um" and result.detected and result.region == "centre"
    assert result.sigma == pytest.approx(20.0, rel=0.35)
    shares = [item.lost_share for item in result.f_numbers]
    assert shares == sorted(shares, reverse=True), "stopping down forgives"
    allowed = [item.allowed for item in result.f_numbers]
    assert allowed == sorted(allowed)
    wide = result.f_numbers[0]
    assert wide.allowed == pytest.approx(
        float(np.interp(-2 / 3, -lens_mtf50(1.8, m := np.linspace(0, 200, 401)) / lens_mtf50(1.8, 0.0), m)), rel=0.05
    )
    assert "frames at f/1.8 loses a third of its sharpness" in result.text


def test_without_a_pitch_errors_are_in_pixels() -> None:
    frames = refocused(5, 30.0, (1.8, 2.0), 8)
    result = focus_repeatability(frames, SHAPE)
    assert result.unit == "px"
    # blur discs of 30 um / N on 4 um pixels; what diffraction does at f/1.8 is small
    assert result.sigma_ci[0] < 30.0 / PITCH_UM < result.sigma_ci[1]


def test_frames_that_differ_by_noise_alone_are_not_called_misses() -> None:
    result = focus_repeatability(refocused(2, 0.0), SHAPE, PITCH_UM)
    assert not result.detected and result.sigma_ci[0] == 0.0
    assert result.sigma_ci[1] < 8.0
    assert "differ by no more than their noise" in result.text
    for item in result.f_numbers:
        assert item.lens_mtf50_cy_per_px == pytest.approx(float(lens_mtf50(item.f_number, 0.0)[0]), rel=0.012)


def test_too_few_frames_say_nothing() -> None:
    assert focus_repeatability(refocused(1, 20.0, (1.8,), 3), SHAPE, PITCH_UM) is None
    assert focus_repeatability(refocused(1, 20.0, (1.8,), 4), SHAPE, PITCH_UM) is not None
    assert focus_repeatability({2.8: [[], []]}, SHAPE, PITCH_UM) is None


def test_points_are_those_of_the_lens_in_focus() -> None:
    frames = refocused(7, 25.0, frames=6)
    result = focus_repeatability(frames, SHAPE, PITCH_UM)
    true = float(lens_mtf50(1.8, 0.0)[0])
    points = refocused_points(frames[1.8], result.at(1.8), SHAPE, pitch_um=PITCH_UM)
    naive = combine_edges(frames[1.8], 1.8, SHAPE, pitch_um=PITCH_UM)
    assert {point.orientation for point in points} == {"vertical", "horizontal"}
    for point in points:
        assert abs(point.mtf50_cy_per_px - true) < 3.0 * point.mtf50_cy_per_px_stderr
        assert point.mtf50_cy_per_px_stderr < 0.08 * true
        assert point.lp_per_mm == pytest.approx(1000.0 * point.mtf50_cy_per_px / PITCH_UM)
        assert "best-of-refocused" in point.flags and "single-frame" not in point.flags
    assert all(point.mtf50_cy_per_px < 0.93 * true for point in naive), "the mean of all frames is soft"


@pytest.mark.parametrize(
    ("share", "words"),
    [(0.2, "1 in 5"), (0.001, "fewer than 1 in 100"), (0.5, "1 in 2"), (0.66, "2 in 3"), (0.95, "more than 9 in 10"),
     (0.033, "1 in 30")],
)  # fmt: skip
def test_shares_are_counted_in_frames(share, words) -> None:
    assert one_in(share) == words
