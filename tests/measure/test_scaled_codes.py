"""ISO values made by arithmetic on codes: read noise behind two roundings, saturation, black that is not cut off.

The cameras round, scale about black and round again in a line of numpy; nothing of the package is in them.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from simulated_pairs import dark_pair, flat_pair

from kitgauge.measure.noise.dark_pair import measure_dark_pair
from kitgauge.measure.noise.noise_points import PlanePairs, noise_points
from kitgauge.measure.noise.pair_checks import check_pairs
from kitgauge.measure.noise.photon_transfer import measure_flat_pair
from kitgauge.measure.noise.scaled_saturation import scaled_saturation

SHAPE, WHITE = (300, 320), 16383.0


def scaled(frames, factor, black):
    """Codes less black times a factor, halves to even as IEEE 754 rounds, cut off at the last code."""
    return [np.clip(np.rint((one - float(black)) * factor + black), 0, WHITE).astype(np.uint16) for one in frames]


def iso_plane(rng, factor, gain, read_e, black, level_e=8000.0):
    flats = scaled(flat_pair(rng, SHAPE, level_e, gain, read_e, black=black), factor, black)
    darks = scaled(dark_pair(rng, SHAPE, gain, read_e, black=black), factor, black)
    pair = measure_flat_pair(*flats, float(black), WHITE)
    planes = [PlanePairs("G", (pair,), (measure_dark_pair(*darks),), black_dn=float(black))]
    return check_pairs({100.0: planes})[100.0][0]


@pytest.mark.parametrize("factor", [0.5, 0.63, 0.8, 1.25, 1.26, 1.587])
@pytest.mark.parametrize("black", [600, 601])
@pytest.mark.parametrize("read_dn", [1.2, 1.9, 4.0])
def test_read_noise_behind_two_roundings(factor, black, read_dn):
    rng = np.random.default_rng(round(100 * factor + 10 * read_dn) + black)
    (point,) = noise_points(100, [iso_plane(rng, factor, 2.5, 2.5 * read_dn, black)])
    assert point.code_scale == pytest.approx(factor, rel=1e-3)
    assert not {"clipped-black", "lossy-raw", "rounding-dominates"} & set(point.flags)
    assert abs(point.read_noise_e - 2.5 * read_dn) < 4 * point.read_noise_e_stderr
    # 300 x 320 samples tell a variance to 0.5 %; the gain to as much
    assert point.read_noise_e_stderr < 0.012 * 2.5 * read_dn
    assert abs(point.gain_e_per_dn - 2.5 / factor) < 4 * point.gain_e_per_dn_stderr


@pytest.mark.parametrize(("factor", "black"), [(0.63, 600), (1.25, 600), (1.26, 600)])
def test_sheppards_correction_twice_over_fails_on_the_same_frames(factor, black):
    a, b = scaled(dark_pair(np.random.default_rng(3), SHAPE, 2.5, 2.5 * 1.9, black=black), factor, black)
    plain = 0.5 * (a.astype(float) - b).var() - (factor**2 + 1) / 12
    assert abs(math.sqrt(plain) / (factor * 1.9) - 1) > 0.03


def test_where_the_phase_is_not_told_the_error_is_wider():
    plane = iso_plane(np.random.default_rng(4), 1.25, 2.5, 2.5 * 1.9, 600)
    blind = replace(plane, darks=tuple(replace(dark, codes=()) for dark in plane.darks))
    told, untold = (noise_points(100, [one])[0] for one in (plane, blind))
    assert untold.read_noise_e_stderr > 3 * told.read_noise_e_stderr
    assert abs(untold.read_noise_e - 4.75) < 3 * untold.read_noise_e_stderr


@pytest.mark.parametrize("factor", [0.5, 0.8])
def test_saturation_of_a_pulled_iso_is_that_of_the_last_code_before(factor):
    rng = np.random.default_rng(5)
    points = [
        *noise_points(100, [iso_plane(rng, 1.0, 2.5, 5.0, 600)]),
        *noise_points(100 * factor, [iso_plane(rng, factor, 2.5, 5.0, 600)]),
    ]
    whole, pulled = scaled_saturation(points)
    true_e = 2.5 * (WHITE - 600)  # the same electrons at both
    assert whole == points[0]
    assert points[1].saturation_e > 0.97 * true_e / factor  # the stated white alone: wrong by the factor
    assert pulled.saturation_source == "scale"
    assert abs(pulled.saturation_e - true_e) < 4 * pulled.saturation_e_stderr < 0.03 * true_e
    assert pulled.dynamic_range_stops == pytest.approx(math.log2(true_e / 5.0), abs=0.03)
    midgrey_e = 10 / 78 * true_e
    rounding_e2 = (2.5 / factor) ** 2 / 12
    assert pulled.snr_midgrey == pytest.approx(midgrey_e / math.sqrt(midgrey_e + 25 + rounding_e2), rel=0.01)


def test_a_white_level_that_has_the_scaling_in_it_is_believed():
    rng = np.random.default_rng(6)
    points = [
        *noise_points(100, [iso_plane(rng, 1.0, 2.5, 5.0, 600)]),
        *noise_points(80, [iso_plane(rng, 0.8, 2.5, 5.0, 600)]),
    ]
    white = 600 + 0.8 * (WHITE - 600)
    stated = replace(points[1], white_dn=white, saturation_e=points[1].gain_e_per_dn * (white - 600))
    assert scaled_saturation([points[0], stated]) == [points[0], stated]


def test_a_pushed_iso_stops_at_the_last_code():
    rng = np.random.default_rng(7)
    (point,) = scaled_saturation(noise_points(125, [iso_plane(rng, 1.25, 2.5, 5.0, 600)]))
    assert abs(point.saturation_e - 2.5 / 1.25 * (WHITE - 600)) < 4 * point.saturation_e_stderr


@pytest.mark.parametrize("sigma", [0.5, 0.7, 1.0, 3.0])
@pytest.mark.parametrize("phase", [0.0, 0.3, 0.5])
@pytest.mark.parametrize("padding", [2, 4])
def test_padded_narrow_noise_is_not_cut_off(sigma, phase, padding):
    rng = np.random.default_rng(8)
    frames = [
        (padding * np.rint(150.0 + phase + sigma * rng.standard_normal(SHAPE))).astype(np.uint16) for _ in range(2)
    ]
    assert "clipped-black" not in measure_dark_pair(*frames).flags
    if phase:
        return  # a cut that takes a few in a hundred is not to be seen
    cut = [np.maximum(one, padding * 150) - padding * 150 for one in frames]
    assert "clipped-black" in measure_dark_pair(*[one.astype(np.uint16) for one in cut]).flags


def test_black_cut_off_and_scaled_afterwards_is_still_told():
    rng = np.random.default_rng(9)
    plane = iso_plane(rng, 0.8, 2.5, 5.0, 600)
    darks = [np.maximum(one, 600) for one in dark_pair(rng, SHAPE, 2.5, 5.0, black=600)]
    cut = replace(plane, darks=(measure_dark_pair(*scaled(darks, 0.8, 600)),))
    (marked,) = check_pairs({80.0: [cut]})[80.0]
    assert "clipped-black" in marked.darks[0].flags
