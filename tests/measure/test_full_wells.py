"""Full wells and last codes across the ISO values of a run; nothing of the package in the simulation."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from simulated_pairs import dark_pair, shading

from kitgauge.measure.noise.clip_code import carry_clip_code
from kitgauge.measure.noise.dark_pair import measure_dark_pair
from kitgauge.measure.noise.full_well import bound_by_full_well
from kitgauge.measure.noise.noise_points import PlanePairs, noise_points
from kitgauge.measure.noise.photon_transfer import measure_flat_pair
from kitgauge.measure.noise.saturated_flats import mark_saturated

BLACK, WHITE = 512.0, 16383.0
SHAPE = (260, 320)
WELL_E = 24_000.0
GAIN_AT_100, READ_E = 2.0, 5.0


def pattern(prnu=0.006):
    return 1.0 + prnu * np.random.default_rng(99).standard_normal(SHAPE)


def flats(rng, level_e, gain, *, falloff=0.3, well_e=WELL_E, top=WHITE, scale=1.0):
    """Two flats in which electrons stop at the well; `scale` multiplies the codes above black."""
    frames = []
    for _ in range(2):
        electrons = np.minimum(rng.poisson(level_e * shading(SHAPE, falloff) * pattern()), well_e)
        dn = np.round((electrons + READ_E * rng.standard_normal(SHAPE)) / gain)
        frames.append(np.clip(np.round(dn * scale) + BLACK, 0, top).astype(np.uint16))
    return frames


def plane(rng, iso, level_e, *, white=WHITE, gain=None, **light):
    gain = gain or GAIN_AT_100 * 100 / iso
    dark = measure_dark_pair(*dark_pair(rng, SHAPE, gain, READ_E))
    levels = level_e if isinstance(level_e, tuple) else (level_e,)
    pairs = tuple(measure_flat_pair(*flats(rng, level, gain, **light), BLACK, white) for level in levels)
    return PlanePairs("G", pairs, (dark,))


def points_of(by_iso):
    marked = carry_clip_code(mark_saturated(by_iso))
    return bound_by_full_well([point for iso, planes in marked.items() for point in noise_points(iso, planes)])


@pytest.mark.parametrize("level_e", [26_000.0, 40_000.0])
def test_a_flat_wholly_at_the_well_gives_no_gain(level_e):
    rng = np.random.default_rng(1)
    by_iso = {
        100.0: [plane(rng, 100, level_e, falloff=0.1)],
        200.0: [plane(rng, 200, 7_000.0)],
        400.0: [plane(rng, 400, 3_500.0)],
    }
    naive = [point for iso, planes in by_iso.items() for point in noise_points(iso, planes)]
    assert not abs(naive[0].gain_e_per_dn / GAIN_AT_100 - 1.0) < 0.3
    low, *others = points_of(by_iso)
    assert "clipped" in low.flags
    assert math.isnan(low.gain_e_per_dn)
    for point, gain in zip(others, (1.0, 0.5), strict=True):
        assert not point.flags or "clipped" not in point.flags
        assert point.gain_e_per_dn == pytest.approx(gain, rel=0.03)


@pytest.mark.parametrize("kind", ["one gain at all ISO values", "pulled"])
def test_iso_that_is_not_gain_is_no_full_well(kind):
    rng = np.random.default_rng(2)
    gains = {100.0: 2.0, 400.0: 0.5, 1600.0: 0.125}
    level = {iso: 7_000.0 * gain for iso, gain in gains.items()}
    by_iso = {iso: [plane(rng, iso, level[iso], gain=gain)] for iso, gain in gains.items()}
    if kind == "one gain at all ISO values":
        by_iso = {iso: [plane(rng, iso, 14_000.0 * 100 / iso + 2_000, gain=2.0)] for iso in gains}
    elif kind == "pulled":
        by_iso[50.0] = [plane(rng, 50, 12_000.0, gain=2.0, scale=0.5)]
    marked = mark_saturated(by_iso)
    assert not any("clipped" in flat.flags for planes in marked.values() for one in planes for flat in one.flats)


def test_a_flat_partly_at_the_well_is_measured_where_it_is_clear_of_it():
    rng = np.random.default_rng(3)
    one = plane(rng, 100, 26_500.0, falloff=0.5)
    [flat] = one.flats
    assert "clipped" not in flat.flags
    assert flat.full_well_dn == pytest.approx(WELL_E / GAIN_AT_100, rel=0.005)
    [point] = points_of({100.0: [one]})
    assert point.gain_e_per_dn == pytest.approx(GAIN_AT_100, abs=4.0 * point.gain_e_per_dn_stderr)
    assert point.saturation_source == "flats"
    assert point.saturation_e == pytest.approx(WELL_E, rel=0.03)
    assert math.isnan(point.prnu)


@pytest.mark.parametrize("seen_at", [50, 200])
def test_a_well_bounds_higher_and_lower_iso_values(seen_at):
    # at ISO 100 the converter would take 31 742 e-, at ISO 50 twice that; the well of ISO 200 is out of its reach
    rng = np.random.default_rng(4)
    well = 24_000.0 if seen_at == 50 else 12_000.0
    seen = plane(rng, seen_at, (5_000.0, 30_000.0), well_e=well)
    other = plane(rng, 100, 6_000.0, well_e=well)
    points = points_of({float(seen_at): [seen], 100.0: [other]})
    assert [point.saturation_e for point in points] == pytest.approx([well, well], rel=0.03)
    assert points[1].saturation_source == "flats"


def test_a_code_above_the_stated_white_holds_at_all_iso_values():
    rng = np.random.default_rng(5)
    seen = plane(rng, 100, (8_000.0, 80_000.0), white=15300.0, well_e=1e9)
    other = plane(rng, 400, 3_000.0, white=15300.0)
    points = points_of({100.0: [seen], 400.0: [other]})
    assert points[1].saturation_e == pytest.approx(0.5 * (WHITE - BLACK), rel=0.03)
    assert points[1].saturation_source == "flats"
    [naive] = noise_points(400, [other])
    assert naive.saturation_e < 0.94 * 0.5 * (WHITE - BLACK)


def test_a_code_below_white_is_carried_if_two_iso_values_agree():
    rng = np.random.default_rng(6)

    def clipped(iso, top):
        return plane(rng, iso, (3_000.0 * 100 / iso, 80_000.0 * 100 / iso), top=top, well_e=1e9)

    other = plane(rng, 400, 3_000.0)
    alone = carry_clip_code({100.0: [clipped(100, 15000)], 400.0: [other]})
    assert math.isnan(alone[400.0][0].clip_dn)  # may be pulled
    agreed = carry_clip_code({100.0: [clipped(100, 15000)], 200.0: [clipped(200, 15000)], 400.0: [other]})
    assert agreed[400.0][0].clip_dn == 15000
    scaled = replace(other, flats=tuple(replace(flat, flags=("missing-codes",)) for flat in other.flats))
    kept = carry_clip_code({100.0: [clipped(100, 15000)], 200.0: [clipped(200, 15000)], 400.0: [scaled]})
    assert math.isnan(kept[400.0][0].clip_dn)
