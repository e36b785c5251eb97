"""Factors of digital scaling from histograms of frames that a simple sensor model makes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from trap_frames import Camera, flat_pair

from kitgauge.measure.noise.code_histogram import code_counts
from kitgauge.measure.noise.digital_scaling import code_scale

CAMERA = Camera(shape=(300, 400), k=0.5)


def counts_of(rng, after=None, level=0.3, camera=CAMERA):
    return code_counts(flat_pair(rng, camera, level, after=after)[0])


def scaled(factor, black=512, ties="even"):
    def after(dn):
        values = (np.rint(dn) - black) * factor
        return (np.rint(values) if ties == "even" else np.floor(values + 0.5)) + black

    return after


@pytest.mark.parametrize("factor", [1.01, 1.05, 1.12, 1.26, 4 / 3, 1.5, 1.587, 2.0, 2.52, 3.0, 4.0])
@pytest.mark.parametrize("ties", ["even", "up"])
def test_factor_of_a_push(factor, ties):
    found = code_scale(counts_of(np.random.default_rng(1), scaled(factor, ties=ties), level=0.2))
    assert found.factor == pytest.approx(factor, rel=5e-4)
    assert abs(found.factor - factor) < 4 * found.stderr + 1e-9
    assert not found.uneven_gaps


@pytest.mark.parametrize("factor", [0.95, 0.9, 0.891, 0.8333, 0.8, 0.79, 0.75, 0.7, 0.63, 0.45])
@pytest.mark.parametrize("ties", ["even", "up"])
def test_factor_of_a_pull(factor, ties):
    found = code_scale(counts_of(np.random.default_rng(2), scaled(factor, ties=ties)))
    assert found.factor == pytest.approx(factor, rel=5e-4)
    assert abs(found.factor - factor) < 4 * found.stderr


def test_a_pull_leaves_no_gaps_for_the_naive_count_of_empty_codes():
    counts = counts_of(np.random.default_rng(3), scaled(0.79))
    inside = counts[np.searchsorted(np.cumsum(counts), 0.05 * counts.sum()) :][:800]
    assert np.count_nonzero(inside == 0) == 0
    assert code_scale(counts).factor < 0.8


def test_half_with_ties_up_cannot_be_told_and_is_not_guessed():
    assert code_scale(counts_of(np.random.default_rng(4), scaled(0.5, ties="up"))).factor == 1.0


@pytest.mark.parametrize("steps", [4, 8, 16, 40])
def test_table_of_a_square_root_has_uneven_gaps(steps):
    def packed(dn):
        return (np.rint(np.sqrt(np.clip(dn - 512, 0, None)) * steps) / steps) ** 2 + 512

    found = code_scale(counts_of(np.random.default_rng(5), packed))
    assert found.uneven_gaps and math.isnan(found.factor)


def test_unequal_steps_of_a_converter_are_no_factor():
    # odd codes 4 % wider than even ones, a fault of real converters: the same codes occur, none holds two
    def unequal(dn):
        low = np.floor(dn)
        return np.where(dn - low > np.where(low % 2 == 0, 0.48, 0.52), low + 1, low)

    assert code_scale(counts_of(np.random.default_rng(6), unequal)).factor == 1.0


@pytest.mark.statistical
def test_factors_scatter_as_their_errors_say():
    pulls = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        factor = rng.uniform(0.6, 0.97)
        found = code_scale(counts_of(rng, scaled(factor, ties="up"), level=rng.uniform(0.2, 0.8)))
        assert math.isfinite(found.factor)
        pulls.append((found.factor - factor) / found.stderr)
    assert np.std(pulls) < 1.3  # the error allows for the pattern's other lines: not smaller than it says
    assert np.std(pulls) > 0.1


def test_few_samples_tell_nothing():
    assert math.isnan(code_scale(np.zeros(100, np.int64)).factor)
    assert math.isnan(code_scale(np.bincount([5] * 5000 + [6] * 5000).astype(np.int64)).factor)
