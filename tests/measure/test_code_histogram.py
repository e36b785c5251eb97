"""Histograms built by hand, so that every expected share is known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from kitgauge.measure.noise.code_histogram import (
    clipped_share,
    code_counts,
    dark_gap_share,
    flattened_share,
    lowest_code_share,
    missing_code_share,
)


def gaussian_counts(mean, sigma, size=4096, samples=1_000_000):
    """Counts of a rounded Gaussian, cut off below code 0 and above the last."""
    edges = np.arange(size + 1) - 0.5
    edges[0], edges[-1] = -math.inf, math.inf
    below = np.array([0.5 * math.erfc(-(edge - mean) / sigma / math.sqrt(2)) for edge in edges])
    return np.round(samples * np.diff(below)).astype(np.int64)


def test_counts_of_small_and_large_planes():
    plane = np.array([[1, 1], [2, 2], [5, 1]], np.uint16)
    assert code_counts(plane).tolist() == [0, 3, 2, 0, 0, 1]
    large = np.repeat(np.arange(1000, dtype=np.uint16), 1000).reshape(1000, 1000)
    counts = code_counts(large)  # every fifth row
    assert set(counts.tolist()) == {0, 1000} and counts.sum() == 200_000


@pytest.mark.parametrize("sigma", [0.6, 1.0, 3.0, 12.0, 60.0])
@pytest.mark.parametrize("sigmas_above_zero", [0.0, 1.0, 2.0])
def test_pile_at_the_lowest_code(sigma, sigmas_above_zero):
    counts = gaussian_counts(sigmas_above_zero * sigma, sigma)
    share = counts[0] / counts.sum()
    assert share > 2e-3
    assert lowest_code_share(counts) == pytest.approx(share)


@pytest.mark.parametrize("sigma", [0.6, 1.0, 3.0, 12.0, 60.0])
@pytest.mark.parametrize("phase", [0.0, 0.25, 0.5])
def test_no_pile_where_nothing_is_cut_off(sigma, phase):
    counts = gaussian_counts(6 * sigma + 5 + phase, sigma)
    assert lowest_code_share(counts) == 0
    assert clipped_share(counts, 4095) == 0


def test_stray_samples_beyond_the_pile_are_passed_over():
    counts = gaussian_counts(512, 3.0)
    counts[0] = 20  # dead
    assert lowest_code_share(counts) == 0
    counts[4095] = 50  # hot
    assert clipped_share(counts, 4095) == pytest.approx(5e-5, rel=0.01)


def test_clipping_at_white_and_at_a_lower_ceiling():
    at_white = gaussian_counts(4095, 20.0)
    assert clipped_share(at_white, 4095) == pytest.approx(0.5, abs=0.02)
    lower = np.zeros(4096, np.int64)
    lower[:3001] = gaussian_counts(2990, 20.0, size=3001)
    assert clipped_share(lower, 4095) == pytest.approx(0.5 * math.erfc(9.5 / 20 / math.sqrt(2)), rel=0.01)


@pytest.mark.parametrize(("factor", "missing"), [(1.0, 0.0), (1.25, 0.2), (1.5, 1 / 3), (2.0, 0.5), (4.0, 0.75)])
def test_missing_codes(factor, missing):
    base = gaussian_counts(600, 40.0)
    scaled = np.zeros(4096 * 4, np.int64)
    np.add.at(scaled, np.floor(np.arange(4096) * factor).astype(int), base)
    assert missing_code_share(scaled) == pytest.approx(missing, abs=0.02)


def test_too_few_samples_or_codes_tell_nothing():
    assert math.isnan(missing_code_share(gaussian_counts(600, 200.0, samples=2000)))
    assert math.isnan(missing_code_share(gaussian_counts(600, 1.0)))
    empty = np.zeros(10, np.int64)
    assert math.isnan(missing_code_share(empty)) and math.isnan(clipped_share(empty, 9))
    assert math.isnan(lowest_code_share(empty))


@pytest.mark.parametrize("sigma", [0.4, 0.7, 1.0, 3.0, 12.0])
def test_a_flattened_middle_is_seen_and_narrow_noise_is_not_one(sigma):
    counts = gaussian_counts(512.3, sigma)
    assert flattened_share(counts) == 0
    if sigma >= 3:
        width = round(0.75 * sigma)
        cored = counts.copy()
        cored[512 - width : 513 + width] = 0
        cored[512] = counts[512 - width : 513 + width].sum()
        assert flattened_share(cored) == pytest.approx(counts[512 - width : 513 + width].sum() / counts.sum())


@pytest.mark.parametrize(("step", "share"), [(1, 0.0), (2, 0.5), (4, 0.75)])
def test_gaps_of_narrow_histograms(step, share):
    counts = gaussian_counts(512, 4.0)
    spread = np.zeros(4096 * 4, np.int64)
    spread[::step][: counts.size] = counts
    assert dark_gap_share(spread) == pytest.approx(share, abs=0.07)
    assert math.isnan(dark_gap_share(gaussian_counts(512, 0.5)))
