"""Gain, read noise and what follows from them, from simulated pairs (nothing of the package in the
simulation)."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from simulated_pairs import dark_pair, flat_pair

from kitgauge.measure.noise.dark_pair import measure_dark_pair
from kitgauge.measure.noise.noise_points import NoisePoint, PlanePairs, noise_points, snr
from kitgauge.measure.noise.noise_spectrum import is_white, white_stderr
from kitgauge.measure.noise.photon_transfer import measure_flat_pair

BLACK, WHITE = 512.0, 16383.0
SHAPE = (160, 176)
HARD = {"drift": 1.015, "falloff": 0.35, "move": 0.01, "prnu": 0.006}


def plane(
    rng,
    colour,
    level_e,
    gain,
    read_e,
    *,
    shape=SHAPE,
    levels=(1.0,),
    darks=1,
    black=BLACK,
    given=BLACK,
    **hard,
):
    camera = {key: value for key, value in hard.items() if key in ("row_dn", "column_dn", "hot")}
    flats = [flat_pair(rng, shape, level_e * share, gain, read_e, black=black, **hard) for share in levels]
    caps = [dark_pair(rng, shape, gain, read_e, black=black, **camera) for _ in range(darks)]
    return PlanePairs(
        colour,
        tuple(measure_flat_pair(a, b, given, WHITE) for a, b in flats),
        tuple(measure_dark_pair(a, b) for a, b in caps),
    )


def cramer_rao(level_e, gain, read_e, samples):
    """Lower bounds of the relative standard errors of gain and read noise [e-] from one flat and one dark
    pair.

    Two variances of Gaussian samples, known to sqrt(2 / samples) of themselves, and two unknowns: the bound
    is the propagation of those errors (Fisher information of a normal variance, n / (2 v^2); standard).
    """
    shot, dark = 2 * level_e / gain**2, (read_e / gain) ** 2 + 1 / 12
    errors = math.sqrt(2 / samples) * np.array([shot + 2 * dark, dark])
    # K = (v - 2 d) / S, read = sqrt(d - 1/12) / K
    relative_k = np.array([1.0, -2.0]) / shot
    relative_read = np.array([0.0, 0.5 / (dark - 1 / 12)]) - relative_k
    return math.hypot(*(relative_k * errors)), math.hypot(*(relative_read * errors))


@pytest.mark.statistical
@pytest.mark.parametrize(
    ("level_e", "gain", "read_e", "conditions"),
    [
        (20_000, 2.0, 5.0, {}),
        (20_000, 2.0, 5.0, {**HARD, "hot": 20, "row_dn": 3.0}),
        (800, 0.1, 2.0, {**HARD, "hot": 20}),
    ],
)
def test_recovery_efficiency_and_honest_errors(level_e, gain, read_e, conditions):
    seeds = 120
    pulls, ratios = [], []
    for seed in range(seeds):
        [point] = noise_points(100, [plane(np.random.default_rng(seed), "G", level_e, gain, read_e, **conditions)])
        errors = np.array([point.gain_e_per_dn - gain, point.read_noise_e - read_e])
        pulls.append(errors / (point.gain_e_per_dn_stderr, point.read_noise_e_stderr))
        ratios.append(errors / (gain, read_e))
        assert point.flags == ("saturation-from-metadata",)
    mean_level = level_e * (1 - conditions.get("falloff", 0.0) / 3)
    bound = np.array(cramer_rao(mean_level, gain, read_e, SHAPE[0] * SHAPE[1]))
    assert np.all(np.abs(np.mean(pulls, axis=0)) < 3.5 / math.sqrt(seeds))
    # over 120 seeds a standard deviation scatters by 6.5 %, a variance by 13 %
    assert np.all(np.abs(np.std(pulls, axis=0) - 1) < 0.2)
    assert np.all(np.var(ratios, axis=0) < 1.4 * bound**2)
    # the stated error itself does not scatter: it must be within 5 % of the bound (a tenth in variance)
    stated = np.array([point.gain_e_per_dn_stderr / gain, point.read_noise_e_stderr / read_e])
    assert np.all(stated < 1.05 * bound) and np.all(stated > 0.95 * bound)


def test_closed_forms_of_what_follows():
    rng = np.random.default_rng(1)
    [point] = noise_points(400, [plane(rng, "G", 20_000, 2.0, 5.0)])
    assert point.saturation_e == pytest.approx(point.gain_e_per_dn * (WHITE - BLACK))
    assert point.dynamic_range_stops == pytest.approx(math.log2(point.saturation_e / point.read_noise_e))
    midgrey = point.saturation_e * 10 / 78  # ISO 12232: H_m = 10/S, H_sat = 78/S
    noise = math.sqrt(midgrey + point.read_noise_e**2 + point.gain_e_per_dn**2 / 12)
    assert point.snr_midgrey == pytest.approx(midgrey / noise)
    assert point.level == pytest.approx(10_000 / (WHITE - BLACK), rel=0.002)
    assert (point.flat_pairs, point.dark_pairs) == (1, 1)


def test_midgrey_is_12_8_percent_of_saturation():
    # ISO 12232, 10/78 = 12.8 %: with shot noise alone the SNR there is the root of its electrons
    assert snr(0.128205 * 50_000, 0.0, 0.0) == pytest.approx(math.sqrt(6410.25), rel=1e-4)
    assert snr(100.0, 10.0, 0.0) == pytest.approx(100 / math.sqrt(200))


def test_green_pools_both_greens_and_keeps_them():
    rng = np.random.default_rng(2)
    planes = [
        plane(rng, colour, level, 2.0, 5.0) for colour, level in (("R", 9e3), ("G1", 2e4), ("G2", 2e4), ("B", 1e4))
    ]
    points = {point.channel: point for point in noise_points(100, planes)}
    assert list(points) == ["R", "G1", "G2", "B", "G"]
    one, two, pooled = points["G1"], points["G2"], points["G"]
    assert (
        min(one.gain_e_per_dn, two.gain_e_per_dn) <= pooled.gain_e_per_dn <= max(one.gain_e_per_dn, two.gain_e_per_dn)
    )
    assert pooled.gain_e_per_dn_stderr == pytest.approx(one.gain_e_per_dn_stderr / math.sqrt(2), rel=0.02)
    assert pooled.read_noise_e_stderr == pytest.approx(one.read_noise_e_stderr / math.sqrt(2), rel=0.02)


def test_six_by_six_and_monochrome_pool_by_colour():
    rng = np.random.default_rng(3)
    planes = [plane(rng, colour, 1e4, 2.0, 5.0, shape=(48, 64)) for colour in "GGRGGBGGRBRG"]
    points = noise_points(100, planes)
    assert [point.channel for point in points] == ["R", "B", "G"]
    assert {point.channel: point.flat_pairs for point in points} == {"R": 3, "B": 2, "G": 7}
    assert points[2].gain_e_per_dn == pytest.approx(2.0, rel=4 * math.sqrt(2 / 7 / 3072))
    [mono] = noise_points(100, planes[:1])
    assert mono.channel == "G"


@pytest.mark.statistical
def test_several_levels_and_darks_weigh_as_much_as_they_know():
    pulls, errors, single = [], [], []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        many = plane(rng, "G", 25_000, 2.0, 12.0, levels=(0.02, 0.1, 1.0), darks=2)
        [point] = noise_points(100, [many])
        pulls.append((point.gain_e_per_dn - 2) / point.gain_e_per_dn_stderr)
        errors.append((point.read_noise_e - 12) / point.read_noise_e_stderr)
        single.append(noise_points(100, [replace(many, flats=many.flats[1:2])])[0].gain_e_per_dn_stderr)
        assert point.gain_e_per_dn_stderr < single[-1]
    assert abs(np.mean(pulls)) < 3.5 / math.sqrt(60) and abs(np.mean(errors)) < 3.5 / math.sqrt(60)
    assert 0.7 < np.std(pulls) < 1.3 and 0.7 < np.std(errors) < 1.3


def test_without_darks_two_levels_give_the_gain_and_read_noise_stays_unknown():
    [point] = noise_points(100, [plane(np.random.default_rng(4), "G", 25_000, 2.0, 12.0, levels=(0.1, 1.0), darks=0)])
    assert "no-dark" in point.flags
    assert point.gain_e_per_dn == pytest.approx(2.0, abs=4 * point.gain_e_per_dn_stderr)
    assert math.isnan(point.read_noise_e) and math.isnan(point.dynamic_range_stops)
    # 2500 e- are 0.7 stops from mid-grey: near enough to tell the SNR there
    midgrey_e = 10 / 78 * 2.0 * (WHITE - BLACK)
    true = midgrey_e / math.sqrt(midgrey_e + 12.0**2)
    assert point.snr_midgrey == pytest.approx(true, abs=4 * point.snr_midgrey_stderr)
    assert point.saturation_e == pytest.approx(point.gain_e_per_dn * (WHITE - BLACK))


def test_without_darks_one_level_widens_the_error():
    rng = np.random.default_rng(5)
    with_dark = plane(rng, "G", 2_000, 0.2, 4.0)
    [known] = noise_points(100, [with_dark])
    [unknown] = noise_points(100, [replace(with_dark, darks=())])
    assert unknown.gain_e_per_dn_stderr > 1.2 * known.gain_e_per_dn_stderr
    assert abs(unknown.gain_e_per_dn - 0.2) < 3 * unknown.gain_e_per_dn_stderr
    assert math.isnan(unknown.read_noise_e)


def test_clipped_black_gives_no_read_noise():
    [point] = noise_points(100, [plane(np.random.default_rng(6), "G", 20_000, 2.0, 5.0, black=0.0, given=0.0)])
    assert "clipped-black" in point.flags
    assert math.isnan(point.read_noise_e) and math.isnan(point.read_noise_e_stderr)
    assert point.gain_e_per_dn == pytest.approx(2.0, abs=4 * point.gain_e_per_dn_stderr)


def test_rejected_flats_are_left_out_and_said_so():
    rng = np.random.default_rng(7)
    good, clipped = (plane(rng, "G", level, 2.0, 5.0) for level in (20_000, 31_700))
    mixed = replace(good, flats=good.flats + clipped.flats)
    [point] = noise_points(100, [mixed])
    assert "clipped" in point.flags and point.flat_pairs == 1
    assert point.gain_e_per_dn == pytest.approx(2.0, rel=0.04)
    [none] = noise_points(100, [clipped])
    assert math.isnan(none.gain_e_per_dn) and "clipped" in none.flags
    [empty] = noise_points(100, [PlanePairs("G", ())])
    assert math.isnan(empty.gain_e_per_dn) and {"no-pair", "no-dark"} <= set(empty.flags)


def test_the_same_file_twice_is_no_pair_and_shot_noise_below_read_noise_is_too_dark():
    rng = np.random.default_rng(13)
    a, _ = flat_pair(rng, SHAPE, 20_000)
    good = plane(rng, "G", 20_000, 2.0, 5.0)
    [twice] = noise_points(100, [replace(good, flats=(measure_flat_pair(a, a, BLACK, WHITE),))])
    assert math.isnan(twice.gain_e_per_dn) and "no-pair" in twice.flags
    # flats of less noise than the darks: one of the two was not taken as it should
    [odd] = noise_points(100, [replace(good, flats=(replace(good.flats[0], variance_dn2=1.0),))])
    assert math.isnan(odd.gain_e_per_dn) and "too-dark" in odd.flags


def test_black_can_be_put_right_afterwards():
    # the file says 500 where black is 512: gain too low by 12/10000 x 2; the darks know better
    pairs = plane(np.random.default_rng(8), "G", 20_000, 2.0, 5.0, given=500.0)
    [wrong] = noise_points(100, [pairs])
    [right] = noise_points(100, [replace(pairs, black_dn=pairs.darks[0].mean_dn)])
    assert wrong.gain_e_per_dn / right.gain_e_per_dn == pytest.approx(1 + 12 / 10_000, abs=2e-4)
    assert right.black_dn == pytest.approx(512.0, abs=0.05)


def test_quantisation_is_taken_off_the_read_noise():
    # 0.8 DN of read noise: with its 1/12 DN^2 of rounding the plain figure is 6 % too high
    [point] = noise_points(100, [plane(np.random.default_rng(9), "G", 30_000, 5.0, 4.0, shape=(400, 440))])
    assert point.read_noise_e == pytest.approx(4.0, abs=4 * point.read_noise_e_stderr)
    assert point.read_noise_e_stderr < 0.02


def test_read_noise_below_half_a_code_is_seen_through_the_rounding():
    # 0.3 DN: the difference of rounded frames has 0.012 DN^2 where 0.09 + 1/12 is expected
    pairs = plane(np.random.default_rng(10), "G", 60_000, 5.0, 1.5, shape=(400, 440))
    [point] = noise_points(100, [pairs])
    assert point.read_noise_e == pytest.approx(1.5, abs=3.5 * point.read_noise_e_stderr)
    assert point.read_noise_e_stderr < 0.015
    assert point.gain_e_per_dn == pytest.approx(5.0, abs=3.5 * point.gain_e_per_dn_stderr)
    # a level half way between two codes hides 0.15 DN altogether
    [hidden] = noise_points(100, [plane(np.random.default_rng(10), "G", 60_000, 5.0, 0.75, black=512.5)])
    assert math.isnan(hidden.read_noise_e) and "rounding-dominates" in hidden.flags
    assert hidden.gain_e_per_dn == pytest.approx(5.0, abs=3.5 * hidden.gain_e_per_dn_stderr)


@pytest.mark.statistical
def test_noise_carries_its_spectrum():
    powers, neighbours = [], []
    for seed in range(12):
        pairs = []
        for samples in flat_pair(np.random.default_rng(seed), (300, 300), 20_000):
            values = samples.astype(float)
            values[:, 1:-1] = 0.25 * values[:, :-2] + 0.5 * values[:, 1:-1] + 0.25 * values[:, 2:]
            pairs.append(values.round().astype(np.uint16))
        pair = measure_flat_pair(*pairs, BLACK, WHITE)
        [point] = noise_points(100, [PlanePairs("G", (pair, pair))])
        assert point.spectrum == pytest.approx(pair.spectrum) and point.spectrum_blocks == 2 * pair.spectrum_blocks
        assert not is_white(pair.spectrum, white_stderr(pair.spectrum_blocks))
        powers.append(point.spectrum[1])
        neighbours.append((1 + 2 * pair.correlation_along_row) * (1 + 2 * pair.correlation_along_column))
    # the smoothing keeps the lowest frequencies whole and leaves 1/16 + 1/4 + 1/16 of the variance; below 1/8 of the
    # Nyquist frequency cos(pi f)^4 is 0.975 in the mean
    error = np.std(powers) / math.sqrt(12)
    assert error < 0.1
    assert np.mean(powers) == pytest.approx(0.975 / (3 / 8), abs=4 * error)
    assert np.mean(neighbours) < 2.4  # nearest neighbours alone: 1 + 2 x 2/3
    # white noise is measured as white
    white = [measure_flat_pair(*flat_pair(np.random.default_rng(s), (300, 300)), BLACK, WHITE) for s in range(12)]
    assert all(is_white(pair.spectrum, white_stderr(pair.spectrum_blocks)) for pair in white)
    measured = [pair.spectrum[1] for pair in white]
    assert np.mean(measured) == pytest.approx(1.0, abs=4 * np.std(measured) / math.sqrt(12))


def test_light_in_the_darks_gives_no_read_noise():
    pairs = plane(np.random.default_rng(6), "G", 20_000, 2.0, 5.0)
    leaking = replace(pairs, darks=tuple(replace(dark, flags=("light-leak",)) for dark in pairs.darks))
    [point] = noise_points(100, [leaking])
    assert "light-leak" in point.flags and point.dark_pairs == 0
    assert math.isnan(point.read_noise_e) and math.isnan(point.snr_midgrey)
    # a second pair without light serves
    [good] = noise_points(100, [replace(leaking, darks=leaking.darks + pairs.darks)])
    assert good.dark_pairs == 1 and good.read_noise_e == pytest.approx(5.0, abs=4 * good.read_noise_e_stderr)


def test_point_survives_json_in_contract_order():
    [point] = noise_points(100, [plane(np.random.default_rng(12), "G", 20_000, 2.0, 5.0, darks=0)])
    text = json.dumps({k: None if v != v else v for k, v in point.as_dict().items()})
    assert str(NoisePoint.from_dict(json.loads(text))) == str(point)
    assert list(point.as_dict())[:9] == [
        "iso", "channel", "gain_e_per_dn", "gain_e_per_dn_stderr", "read_noise_e", "read_noise_e_stderr",
        "saturation_e", "dynamic_range_stops", "snr_midgrey",
    ]  # fmt: skip


@pytest.mark.statistical
@pytest.mark.parametrize(("factor", "read_dn"), [(2.0, 1.3), (3.0, 1.0)])
def test_digitally_scaled_codes_keep_the_read_noise_they_had(factor, read_dn):
    # scaled by 2, the converter's 1/12 DN^2 has become 4/12: left in, 1.3 DN would read 1.8 % high
    read_noises, errors = [], []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        frames = [
            *flat_pair(rng, (300, 320), 16_000, 2.0, 2.0 * read_dn),
            *dark_pair(rng, (300, 320), 2.0, 2.0 * read_dn),
        ]
        scaled = [(np.round((one - 512.0) * factor) + 512).astype(np.uint16) for one in frames]
        flats = (measure_flat_pair(*scaled[:2], BLACK, 65535.0),)
        [point] = noise_points(100, [PlanePairs("G", flats, (measure_dark_pair(*scaled[2:]),))])
        read_noises.append(point.read_noise_e)
        errors.append(point.read_noise_e_stderr)
    assert point.code_scale == pytest.approx(factor, abs=0.01)
    assert np.mean(read_noises) == pytest.approx(2.0 * read_dn, abs=3.5 * np.mean(errors) / math.sqrt(8))
    assert np.mean(errors) / math.sqrt(8) < 0.002 * 2.0 * read_dn


@pytest.mark.statistical
def test_errors_of_what_follows_are_honest():
    gain, read_e, seeds = 2.0, 5.0, 60
    pulls = []
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        response, pattern = 1 + 0.008 * rng.standard_normal(SHAPE), 4.0 * rng.standard_normal(SHAPE)
        frames = []
        for level in (20_000.0, 19_700.0, 0.0, 0.0):
            electrons = rng.poisson(level * response) + pattern + read_e * rng.standard_normal(SHAPE)
            rows, columns = 1.5 * rng.standard_normal((SHAPE[0], 1)), 1.0 * rng.standard_normal((1, SHAPE[1]))
            frames.append(np.round(electrons / gain + BLACK + rows + columns).astype(np.uint16))
        flats = (measure_flat_pair(*frames[:2], BLACK, WHITE),)
        [point] = noise_points(100, [PlanePairs("G", flats, (measure_dark_pair(*frames[2:]),))])
        midgrey = 10 / 78 * gain * (WHITE - BLACK)
        true = {
            "saturation_e": gain * (WHITE - BLACK),
            "dynamic_range_stops": math.log2(gain * (WHITE - BLACK) / read_e),
            "snr_midgrey": midgrey / math.sqrt(midgrey + read_e**2 + gain**2 / 12),
            "prnu": 0.008,
            "dsnu_e": 4.0,
            "row_noise_e": 3.0,
            "column_noise_e": 2.0,
        }
        pulls.append([(getattr(point, key) - value) / getattr(point, f"{key}_stderr") for key, value in true.items()])
    assert np.all(np.abs(np.mean(pulls, axis=0)) < 3.5 / math.sqrt(seeds)), dict(
        zip(true, np.mean(pulls, axis=0), strict=True)
    )
    assert np.all(np.abs(np.std(pulls, axis=0) - 1) < 0.32), dict(zip(true, np.std(pulls, axis=0), strict=True))


def test_non_uniformity_that_cannot_be_told_from_noise_has_an_error_and_no_nan():
    [point] = noise_points(100, [plane(np.random.default_rng(14), "G", 20_000, 2.0, 5.0)])
    for value, error in (
        (point.prnu, point.prnu_stderr),
        (point.dsnu_e, point.dsnu_e_stderr),
        (point.row_noise_e, point.row_noise_e_stderr),
        (point.column_noise_e, point.column_noise_e_stderr),
    ):
        assert 0 <= value < 3 * error
    [no_dark] = noise_points(100, [plane(np.random.default_rng(14), "G", 20_000, 2.0, 5.0, darks=0)])
    assert math.isnan(no_dark.dsnu_e) and math.isnan(no_dark.row_noise_e) and math.isnan(no_dark.prnu_stderr)


@pytest.mark.statistical
@pytest.mark.parametrize(("gain", "read_e"), [(3.5, 6.5), (3.5, 3.0), (0.9, 3.2), (0.22, 3.0)])
def test_without_darks_the_true_gain_lies_within_its_error(gain, read_e):
    # read noise stands in the flats' variance: gain comes out low by sigma^2 / electrons, which one level does not tell
    off = []
    for seed in range(8):
        electrons = 0.128 * 16000 * gain
        [point] = noise_points(100, [plane(np.random.default_rng(seed), "G", electrons, gain, read_e, darks=0)])
        off.append((point.gain_e_per_dn - gain) / point.gain_e_per_dn_stderr)
        assert math.isnan(point.read_noise_e)
    assert max(map(abs, off)) < 2.0
