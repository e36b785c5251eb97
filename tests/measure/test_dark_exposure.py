"""Level, noise and hot samples of dark pairs, from frames drawn here (nothing of the package in the simulation)."""

from __future__ import annotations

import numpy as np
import pytest

from kitgauge.measure.noise.dark_current import DarkExposure, measure_dark_exposure
from kitgauge.measure.noise.dark_pair import measure_dark_pair

SHAPE = (200, 260)
BLACK, WHITE = 512.0, 16383.0


def dark_frames(rng, *, read_dn=4.0, dark_e=0.0, dn_per_e=3.0, hot=(), glow_dn=0.0):
    """Return two frames; hot: (row, column, electrons)."""
    rate = np.full(SHAPE, dark_e)
    for row, column, electrons in hot:
        rate[row, column] += electrons
    glow = glow_dn * np.linspace(0.0, 1.0, SHAPE[1])[None, :]
    frames = [BLACK + glow + dn_per_e * rng.poisson(rate) + rng.normal(0.0, read_dn, SHAPE) for _ in range(2)]
    return [np.clip(np.rint(frame), 0, WHITE).astype(np.uint16) for frame in frames]


def measured(a, b):
    return measure_dark_exposure(a, b, measure_dark_pair(a, b), WHITE)


def test_level_and_variance_follow_the_electrons():
    a, b = dark_frames(np.random.default_rng(1), dark_e=20.0)
    found = measured(a, b)
    # Poisson: 20 e- are 60 DN and 20 * 9 DN^2; 4^2 read, 1/12 rounding
    pixels = SHAPE[0] * SHAPE[1]
    for level in (found.level_a_dn, found.level_b_dn):
        assert abs(level - (BLACK + 60.0)) < 4 * np.sqrt(196.1 / pixels)
    assert abs(found.variance_dn2 - 196.083) < 4 * found.variance_stderr_dn2
    assert found.level_stderr_dn == pytest.approx(np.sqrt(196.1 / pixels), rel=0.05)
    assert DarkExposure.from_dict(found.as_dict()) == found


def test_hot_samples_are_listed_by_place_and_a_flash_in_one_frame_is_not():
    places = [(20, 30, 100.0), (150, 200, 400.0), (77, 5, 2000.0), (199, 259, 900.0)]
    a, b = dark_frames(np.random.default_rng(2), hot=places)
    a[40, 40] = 9000  # a particle hit the first frame
    found = measured(a, b)
    listed = list(zip(found.rows, found.columns, strict=True))
    assert listed == [(77, 5), (199, 259), (150, 200), (20, 30)], "the brightest first"
    assert sum(found.candidate_samples) == 4
    for (_, _, electrons), excess in zip(sorted(places, key=lambda p: -p[2]), found.excess_dn, strict=True):
        assert excess == pytest.approx(3.0 * electrons, abs=4 * 3.0 * np.sqrt(electrons))
    # counting what stands out of one frame would take the particle for a hot sample
    assert int((a > BLACK + 5 * 4.0 + 5).sum()) > 4


def test_glow_towards_one_side_makes_no_hot_samples():
    a, b = dark_frames(np.random.default_rng(3), glow_dn=300.0, hot=[(100, 250, 300.0)])
    found = measured(a, b)
    assert list(zip(found.rows, found.columns, strict=True)) == [(100, 250)]
    # a threshold against the level of the whole frame calls half of it hot
    assert (a > BLACK + 150 + 5 * 4.0).mean() > 0.3


def test_a_sample_that_clips_says_so():
    a, b = dark_frames(np.random.default_rng(4), hot=[(10, 10, 1e5), (50, 60, 500.0)])
    found = measured(a, b)
    assert list(zip(found.rows, found.clipped, strict=True)) == [(10, True), (50, False)]


def test_plain_noise_has_no_candidates():
    counts = [
        sum(measured(*dark_frames(np.random.default_rng(seed), dark_e=5.0)).candidate_samples) for seed in range(8)
    ]
    assert counts == [0] * 8
