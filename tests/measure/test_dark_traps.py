"""Traps in dark frames: black that was cut off or flattened, counts of hot and cold samples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from trap_frames import Camera, any_camera, dark_pair

from kitgauge.measure.dark_pair import measure_dark_pair
from kitgauge.measure.dark_subtraction import DarkEvidence, dark_subtracted, tail_counts

CAMERA = Camera(read_dn=4.0)


@pytest.mark.parametrize("pedestal_sigmas", [0.0, 0.5, 1.0, 2.0, 3.0])
def test_part_of_the_pedestal_left_is_cut_off_black(pedestal_sigmas):
    def after(dn):
        return dn - 512 + 4.0 * pedestal_sigmas

    pair = measure_dark_pair(*dark_pair(np.random.default_rng(1), CAMERA, after=after))
    assert "clipped-black" in pair.flags
    # the share of a Gaussian below half a code
    share = 0.5 * math.erfc((4.0 * pedestal_sigmas - 0.5) / 4.0 / math.sqrt(2))
    assert pair.lowest_code_share == pytest.approx(share, rel=0.1, abs=2e-3)


@pytest.mark.parametrize("floor_dn", [2.0, 5.0, 10.0])
def test_a_noise_floor_that_was_subtracted(floor_dn):
    pair = measure_dark_pair(*dark_pair(np.random.default_rng(2), CAMERA, after=lambda dn: dn - 512 - floor_dn))
    assert "clipped-black" in pair.flags


def test_noise_around_black_that_was_set_to_black():
    def cored(dn):
        return np.where(np.abs(dn - 512) < 3, 512, dn)

    assert measure_dark_pair(*dark_pair(np.random.default_rng(3), CAMERA, after=cored)).flags == ("clipped-black",)


def test_whole_pedestal_is_fine():
    for read_dn in (0.8, 2.0, 10.0, 30.0):
        camera = Camera(read_dn=read_dn, black=8 * read_dn + 3.3)
        assert measure_dark_pair(*dark_pair(np.random.default_rng(4), camera)).flags == ()


def test_light_that_grew_is_measured():
    pair = measure_dark_pair(*dark_pair(np.random.default_rng(5), CAMERA, light=(0.0, 8.0)))
    assert pair.level_change_dn == pytest.approx(-8.0, abs=0.1)


def test_cold_and_hot_samples_are_counted():
    rng = np.random.default_rng(6)
    frame = dark_pair(rng, Camera(hot=0, read_dn=4.0))[0]
    assert tail_counts(frame) == (0, 0)
    frame.ravel()[:30] = 512 - 60
    frame.ravel()[100:120] = 512 + 60
    assert tail_counts(frame) == (30, 20)


def test_subtraction_is_not_claimed_without_evidence():
    short = DarkEvidence(1 / 8000, 512.0, 16.0, 0.1, 0, 20, False)
    long = DarkEvidence(4.0, 512.0, 32.0, 0.2, 0, 0, False)
    assert dark_subtracted([short, long], 0.5) == [False, True]
    assert dark_subtracted([long], 0.5) == [False]  # nothing to compare with
    assert dark_subtracted([short, long], math.nan) == [False, False]  # light's noise not known
    warm = DarkEvidence(4.0, 544.0, 32.0, 0.2, 0, 30, False)  # 32 DN of dark current make 16 DN^2 at 0.5 DN/e-
    assert dark_subtracted([short, warm], 0.5) == [False, False]
    unknown = DarkEvidence(math.nan, 512.0, 16.0, 0.1, 300, 300, False)
    assert dark_subtracted([unknown], 0.5) == [False]


@pytest.mark.statistical
def test_clean_darks_of_many_cameras_raise_nothing():
    counted, alarms = 60, []
    for seed in range(counted):
        rng = np.random.default_rng(80_000 + seed)
        camera, _ = any_camera(rng, (0.1, 0.4) if seed % 20 else (3.0, 4.0))
        alarms += [(seed, flag) for flag in measure_dark_pair(*dark_pair(rng, camera)).flags]
    alarms = [alarm for alarm in alarms if alarm[1] != "rounding-dominates"]
    print(f"{len(alarms)} flags on {counted} clean dark pairs: {alarms}")
    assert len(alarms) <= 1  # 1 in 200 allowed
