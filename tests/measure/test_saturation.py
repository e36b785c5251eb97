"""Where flats stop: a converter's last code, or a full well below it; nothing of the package in the simulation."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from simulated_pairs import dark_pair, flat_pair, frame, shading

from kitgauge.measure.noise.dark_pair import measure_dark_pair
from kitgauge.measure.noise.full_well import bound_by_full_well
from kitgauge.measure.noise.noise_points import PlanePairs, noise_points
from kitgauge.measure.noise.photon_transfer import measure_flat_pair
from kitgauge.measure.noise.saturation import pile_level, saturation_level

BLACK, WHITE = 512.0, 16383.0
SHAPE = (240, 260)


def full_well_pair(rng, level_e, full_well_e, gain, read_e, falloff=0.0):
    """Electrons stop at the full well, read noise comes after it."""
    frames = []
    for _ in range(2):
        electrons = np.minimum(rng.poisson(level_e * shading(SHAPE, falloff)), full_well_e)
        dn = (electrons + read_e * rng.standard_normal(SHAPE)) / gain + BLACK
        frames.append(np.clip(np.round(dn), 0, WHITE).astype(np.uint16))
    return frames


def point_of(flats, darks, white=WHITE):
    pairs = tuple(measure_flat_pair(*pair, BLACK, white) for pair in flats)
    [point] = noise_points(100, [PlanePairs("G", pairs, (measure_dark_pair(*darks),))])
    return point, pairs


@pytest.mark.parametrize(
    ("top", "level_e"), [(16383, 34_000), (16383, 60_000), (15000, 34_000), (13584, 27_500), (13584, 60_000)]
)
def test_converter_stops_below_the_stated_white(top, level_e):
    rng = np.random.default_rng(1)
    clipped = flat_pair(rng, SHAPE, level_e, 2.0, 5.0, falloff=0.1, top=top, hot=20)
    good = flat_pair(rng, SHAPE, 15_000, 2.0, 5.0, hot=20, top=top)
    point, pairs = point_of([good, clipped], dark_pair(rng, SHAPE, 2.0, 5.0))
    assert math.isnan(pairs[0].clipped_level_dn)
    assert pairs[1].clipped_level_dn == top
    assert point.saturation_source == "flats"
    assert "saturation-from-metadata" not in point.flags
    assert point.flat_pairs == 1  # the clipped one tells saturation, not gain
    true = 2.0 * (top - BLACK)
    assert point.saturation_e == pytest.approx(true, abs=3.5 * point.saturation_e_stderr)
    # its error is that of the gain
    assert point.saturation_e_stderr / point.saturation_e == pytest.approx(
        point.gain_e_per_dn_stderr / point.gain_e_per_dn, rel=0.01
    )


def test_stated_white_alone_is_wrong_on_the_same_frames():
    rng = np.random.default_rng(2)
    good = flat_pair(rng, SHAPE, 15_000, 2.0, 5.0, top=13_584)
    point, _ = point_of([good], dark_pair(rng, SHAPE, 2.0, 5.0))
    assert point.saturation_source == "file" and "saturation-from-metadata" in point.flags
    assert point.saturation_e > 1.15 * 2.0 * (13_584 - BLACK)


@pytest.mark.parametrize(("falloff", "level_e"), [(0.0, 40_000), (0.25, 40_000), (0.25, 29_000)])
def test_full_well_below_white(falloff, level_e):
    # 24 000 e- at 2 e-/DN stop 3 871 codes below white; no code is piled on, read noise spreads the top
    rng = np.random.default_rng(3)
    levels = [flat_pair(rng, SHAPE, level, 2.0, 5.0) for level in (6_000, 15_000)]
    full = full_well_pair(rng, level_e, 24_000, 2.0, 5.0, falloff)
    point, pairs = point_of([*levels, full], dark_pair(rng, SHAPE, 2.0, 5.0))
    assert math.isnan(pairs[2].clipped_level_dn)
    assert point.flat_pairs == 2
    assert point.gain_e_per_dn == pytest.approx(2.0, abs=3.5 * point.gain_e_per_dn_stderr)
    assert point.saturation_source == "flats"
    assert point.saturation_e == pytest.approx(24_000, abs=3.5 * point.saturation_e_stderr)
    assert point.saturation_e_stderr < 0.01 * point.saturation_e
    # counted in, the flat that has stopped varying ruins the gain
    shot = pairs[2].shot_dn / (pairs[2].variance_dn2 - pairs[2].dark_weight * (6.25 + 1 / 12))
    assert not 0 < shot < 1.5 * 2.0


def test_flats_near_saturation_are_not_taken_for_a_full_well():
    rng = np.random.default_rng(4)
    flats = [flat_pair(rng, SHAPE, level, 2.0, 5.0, prnu=0.006, falloff=0.2) for level in (3_000, 12_000, 29_500)]
    point, _ = point_of(flats, dark_pair(rng, SHAPE, 2.0, 5.0))
    assert point.saturation_source == "file" and point.flat_pairs == 3
    assert point.saturation_e == pytest.approx(2.0 * (WHITE - BLACK), abs=3.5 * point.saturation_e_stderr)


def test_pile_is_found_beside_stray_samples():
    counts = np.zeros(4096, np.int64)
    counts[3800:3901] = 50
    counts[3900] = 9000
    counts[[3950, 4095]] = 1  # hot samples beyond
    assert pile_level(counts) == 3900
    counts[3900] = 50
    assert math.isnan(pile_level(counts))
    assert math.isnan(pile_level(np.zeros(10, np.int64)))


def test_the_lower_of_pile_and_full_well_counts():
    assert saturation_level([math.nan, math.nan], math.nan, [4095.0, 4095.0]).source == "file"
    assert saturation_level([4000.0, 4010.0], math.nan, [4095.0] * 2).level_dn == 4005.0
    assert saturation_level([4000.0], 3000.0, [4095.0]).level_dn == 3000.0
    assert saturation_level([4000.0], 4200.0, [4095.0]).level_dn == 4000.0


def test_a_frame_all_at_white_says_so():
    rng = np.random.default_rng(5)
    full = [frame(rng, np.full(SHAPE, 90_000.0), 2.0, 5.0) for _ in range(2)]
    pair = measure_flat_pair(*full, BLACK, WHITE)
    assert "clipped" in pair.flags and pair.clipped_level_dn == WHITE


def test_a_full_well_bounds_lower_iso_values():
    # 24 000 e- fill the well; at ISO 50 the converter would take 63 000, at ISO 100 31 700, at ISO 200 15 900
    rng = np.random.default_rng(6)
    points = []
    for iso, gain in ((50.0, 4.0), (100.0, 2.0), (200.0, 1.0)):
        flats = [flat_pair(rng, SHAPE, level, gain, 5.0) for level in (4_000, 12_000)]
        if iso == 100.0:
            flats.append(full_well_pair(rng, 40_000, 24_000, gain, 5.0))
        pairs = tuple(measure_flat_pair(*pair, BLACK, WHITE) for pair in flats)
        darks = (measure_dark_pair(*dark_pair(rng, SHAPE, gain, 5.0)),)
        points += noise_points(iso, [PlanePairs("G", pairs, darks)])
    low, seen, high = bound_by_full_well(points)
    assert seen.full_well_e == seen.saturation_e and math.isnan(points[0].full_well_e)
    assert points[0].saturation_e > 60_000
    assert low.saturation_e == pytest.approx(24_000, abs=3.5 * low.saturation_e_stderr)
    assert low.saturation_source == "flats" and "saturation-from-metadata" not in low.flags
    # closed forms: log2(saturation / read noise), 10/78 of saturation (ISO 12232)
    assert low.dynamic_range_stops == pytest.approx(math.log2(low.saturation_e / low.read_noise_e))
    midgrey = low.saturation_e * 10 / 78
    noise = math.sqrt(midgrey + low.read_noise_e**2 + low.gain_e_per_dn**2 / 12)
    assert low.snr_midgrey == pytest.approx(midgrey / noise)
    assert str(high) == str(points[2]) and str(seen) == str(points[1])
    # flats of the low ISO that went above the well refute it: two conversion gains
    refuted = replace(points[0], signal_e=30_000.0)
    assert str(bound_by_full_well([refuted, *points[1:]])[0]) == str(refuted)
