"""Traps in dark frames: black that was cut off or flattened, counts of hot and cold samples."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from trap_frames import Camera, any_camera, dark_pair

from kitgauge.measure.noise.dark_pair import measure_dark_pair
from kitgauge.measure.noise.dark_subtraction import DarkEvidence, dark_subtracted, nothing_left, tail_counts

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
@pytest.mark.parametrize("factor", [1.26, 2.0])
def test_gain_that_changed_between_two_darks(factor):
    # noise before the amplifier, and a fixed pattern of the same size, grow with the gain
    def after(gain):
        return lambda dn: 512 + (dn - 512) * gain

    changed, steady = [], []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        camera = Camera(read_dn=3.0, row_dn=1.0, column_dn=1.0)
        pattern = rng.normal(0.0, 3.0, camera.shape)
        frames = [camera.expose(rng, 0.0) + pattern for _ in range(3)]
        a, b, other = (camera.stored(dn) for dn in (frames[0], frames[1], after(factor)(frames[2])))
        mean = ((a.astype(np.float32) + b) / 2).astype(np.float32)
        changed += [measure_dark_pair(a, other), measure_dark_pair(other, a)]
        changed += [measure_dark_pair(other, mean, reference_frames=2)]
        same = camera.stored(frames[2])
        steady += [measure_dark_pair(a, b), measure_dark_pair(same, mean, reference_frames=2)]
    assert all("iso-changed" in pair.flags for pair in changed)
    assert not any("iso-changed" in pair.flags for pair in steady)


def test_noise_of_half_a_padded_code_is_behind_rounding_and_no_cut_off_black():
    def padded(dn):
        return np.rint(dn / 4) * 4

    narrow = measure_dark_pair(*dark_pair(np.random.default_rng(7), Camera(read_dn=2.0), after=padded))
    assert narrow.flags == ("rounding-dominates",)
    wide = measure_dark_pair(*dark_pair(np.random.default_rng(7), Camera(read_dn=5.0), after=padded))
    assert wide.flags == ()


def evidence_of(frames, exposure_s=2.0):
    """What one colour of a dark pair tells."""
    pair = measure_dark_pair(*frames)
    return DarkEvidence(
        exposure_s,
        pair.mean_dn,
        pair.variance_dn2,
        pair.variance_stderr_dn2,
        pair.cold_samples,
        pair.hot_samples,
        "clipped-black" in pair.flags,
        pair.dsnu_dn**2,
        pair.dsnu_variance_stderr_dn2,
        math.sqrt(pair.variance_dn2 / pair.samples),
    )


@pytest.mark.statistical
@pytest.mark.parametrize("hot_share", [1e-4, 3e-4])
def test_subtraction_in_a_single_dark_pair_with_few_hot_samples(hot_share):
    # four colours; dark current [e-] of each sample by itself, hot samples exponentially spread; 0.5 DN/e-
    rng = np.random.default_rng(11)
    shape, k, black = (350, 500), 0.5, 512.0
    found = {"subtracted": 0, "plain": 0, "short": 0}
    for _ in range(6):
        planes = {"subtracted": [], "plain": []}
        for _ in range(4):
            hot = (rng.random(shape) < hot_share) * rng.exponential(5000.0, shape)
            current = rng.lognormal(0, 0.5, shape) + hot
            offset = rng.normal(0.0, 1.0, shape)

            def frame(current=current, offset=offset):
                electrons = rng.poisson(current) + offset + rng.normal(0.0, 5.0, shape)
                return np.clip(np.rint(k * electrons + black), 0, 16383)

            plain = [frame().astype(np.uint16) for _ in range(2)]
            less_dark = [np.clip(frame() - frame() + black, 0, 16383).astype(np.uint16) for _ in range(2)]
            planes["plain"].append(evidence_of(plain))
            planes["subtracted"].append(evidence_of(less_dark))
        found["plain"] += nothing_left(planes["plain"])
        found["subtracted"] += nothing_left(planes["subtracted"])
        found["short"] += nothing_left([replace(one, exposure_s=1 / 8000) for one in planes["subtracted"]])
    assert found == {"subtracted": 6, "plain": 0, "short": 0}


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
