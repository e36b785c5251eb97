"""Flat pairs: the variance they give, against a simulation that shares no code with the package.

Relation tested: EMVA 1288 Release 4 Linear, sigma_y^2 = K^2 sigma_d^2 + sigma_q^2 + K (mu_y - mu_y.dark), on
a weighted difference of two frames.
"""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from scipy import ndimage
from simulated_pairs import flat_pair, frame, shading

from kitgauge.errors import MeasurementError
from kitgauge.measure.noise.photon_transfer import FlatPair, measure_flat_pair

BLACK, WHITE = 512.0, 16383.0
HARD = {"drift": 1.015, "falloff": 0.35, "move": 0.01, "prnu": 0.006, "hot": 40}


def expected_variance(pair: FlatPair, gain: float, read_e: float) -> float:
    """Closed form for the pair's own levels: shot noise, read noise, rounding."""
    return pair.shot_dn / gain + pair.dark_weight * ((read_e / gain) ** 2 + 1 / 12)


@pytest.mark.statistical
@pytest.mark.parametrize(
    ("level_e", "gain", "read_e", "conditions"),
    [
        (20_000, 2.0, 5.0, {}),
        (20_000, 2.0, 5.0, HARD),
        (20_000, 2.0, 5.0, {**HARD, "row_dn": 4.0, "column_dn": 3.0}),
        (40_000, 5.0, 6.0, {**HARD, "falloff": 0.6}),
        (600, 0.1, 2.0, HARD),
        (60, 0.05, 2.0, {**HARD, "hot": 5}),
    ],
)
def test_variance_is_unbiased_and_its_error_honest(level_e, gain, read_e, conditions):
    seeds = 60
    pulls = []
    for seed in range(seeds):
        a, b = flat_pair(np.random.default_rng(seed), (160, 176), level_e, gain, read_e, **conditions)
        pair = measure_flat_pair(a, b, BLACK, WHITE)
        pulls.append((pair.variance_dn2 - expected_variance(pair, gain, read_e)) / pair.variance_stderr_dn2)
    # mean within 3.5 of its own standard errors; standard deviation of 60 pulls scatters by 9 %
    assert abs(np.mean(pulls)) < 3.5 / math.sqrt(seeds)
    assert 0.7 < np.std(pulls) < 1.3


@pytest.mark.statistical
def test_plain_difference_fails_on_the_same_frames_with_drift_and_shading():
    gain, read_e = 2.0, 5.0
    ours, plain = [], []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        a, b = flat_pair(rng, (400, 440), 24_000, gain, read_e, drift=1.015, falloff=0.35, move=0.005, prnu=0.006)
        dark = (read_e / gain) ** 2 + 1 / 12
        pair = measure_flat_pair(a, b, BLACK, WHITE)
        ours.append(pair.shot_dn / (pair.variance_dn2 - pair.dark_weight * dark))
        difference = a.astype(float) - b.astype(float)
        plain.append(2 * (a.mean() - BLACK) / (difference.var() - 2 * dark))
    assert np.mean(ours) == pytest.approx(gain, rel=0.004)  # 4 standard errors of the mean
    assert abs(np.mean(plain) / gain - 1) > 0.02


def test_fixed_pattern_cancels_only_in_the_weighted_difference():
    # a strong pattern (5 %) and light changed by 8 %: A - B keeps 8 % of the pattern, A - r B nothing
    rng = np.random.default_rng(5)
    gain, read_e = 2.0, 5.0
    a, b = flat_pair(rng, (300, 300), 25_000, gain, read_e, drift=1.08, prnu=0.05)
    pair = measure_flat_pair(a, b, BLACK, WHITE)
    expected = expected_variance(pair, gain, read_e)
    assert pair.variance_dn2 == pytest.approx(expected, rel=4 * math.sqrt(2 / 90_000))
    plain = (a.astype(float) - b.astype(float)).var()
    assert plain > 1.05 * expected  # ten standard errors
    assert pair.prnu == pytest.approx(0.05, rel=0.03)


@pytest.mark.statistical
@pytest.mark.parametrize(("level_e", "prnu"), [(20_000, 0.006), (400, 0.02), (400, 0.0)])
def test_photo_response_non_uniformity_from_neighbours(level_e, prnu):
    squares = []
    for seed in range(12):
        a, b = flat_pair(np.random.default_rng(seed), (300, 300), level_e, level_e / 10_000, 2.0, prnu=prnu, hot=20)
        squares.append(measure_flat_pair(a, b, BLACK, WHITE).prnu ** 2)
    # what the noise of level_e electrons allows: variances of 1 / level_e known to a few in a thousand each
    noise = 4 / level_e / math.sqrt(90_000)
    assert np.mean(squares) == pytest.approx(prnu**2, rel=0.02, abs=noise)


def test_closed_form_standard_error():
    # the variance of a Gaussian's variance is 2 sigma^4 / (n - 1) (standard); rows and tiles cost a few per
    # mille
    rng = np.random.default_rng(1)
    a, b = flat_pair(rng, (320, 320), 20_000)
    pair = measure_flat_pair(a, b, BLACK, WHITE)
    assert pair.degrees_of_freedom == pytest.approx(320 * 320, rel=0.006)
    assert pair.variance_stderr_dn2 == pytest.approx(
        pair.variance_dn2 * math.sqrt(2 / pair.degrees_of_freedom), rel=0.01
    )


def test_noise_of_rows_and_columns_is_kept_apart():
    rng = np.random.default_rng(2)
    a, b = flat_pair(rng, (400, 420), 2_000, 0.5, 3.0, row_dn=15.0, column_dn=9.0)
    pair = measure_flat_pair(a, b, BLACK, WHITE)
    assert pair.variance_dn2 == pytest.approx(expected_variance(pair, 0.5, 3.0), rel=0.015)
    assert math.sqrt(pair.row_variance_dn2) == pytest.approx(
        15.0, rel=0.15
    )  # 400 rows: 3.5 %, the white noise in row means 3 %
    assert math.sqrt(pair.column_variance_dn2) == pytest.approx(9.0, rel=0.2)


def test_dead_hot_and_dusty_samples_are_left_out():
    rng = np.random.default_rng(3)
    a, b = flat_pair(rng, (300, 300), 20_000, hot=30)
    y, x = np.mgrid[:300, :300]
    for cy, cx in ((60, 70), (200, 150), (250, 30)):  # soft dust shadows that moved between the frames
        a = (a - BLACK) * (1 - 0.1 * np.exp(-((y - cy) ** 2 + (x - cx) ** 2) / 50)) + BLACK
        b = (b - BLACK) * (1 - 0.1 * np.exp(-((y - cy - 6) ** 2 + (x - cx) ** 2) / 50)) + BLACK
    a, b = a.round().astype(np.uint16), b.round().astype(np.uint16)
    a[10, 10:20] = b[10, 10:20] = 0
    b[50, 50] = 16383
    pair = measure_flat_pair(a, b, BLACK, WHITE)
    assert pair.tiles_used < pair.tiles
    assert pair.variance_dn2 == pytest.approx(expected_variance(pair, 2.0, 5.0), rel=0.02)


def test_works_on_any_view_and_size():
    rng = np.random.default_rng(4)
    whole = [frame(rng, np.full((190, 331), 20_000.0), 2.0, 5.0) for _ in range(2)]
    view = [samples[1::3, 2::4] for samples in whole]
    pair = measure_flat_pair(*view, BLACK, WHITE)
    copy = measure_flat_pair(view[0].copy(), view[1].copy(), BLACK, WHITE)
    assert repr(pair) == repr(copy)  # NaN is not equal to itself
    assert pair.variance_dn2 == pytest.approx(expected_variance(pair, 2.0, 5.0), rel=4 * math.sqrt(2 / 5000))
    assert pair.ratio == pytest.approx(1.0, abs=0.001)


def test_rows_are_the_first_axis():
    rng = np.random.default_rng(6)
    a, b = flat_pair(rng, (200, 300), 2_000, 0.5, 3.0, row_dn=15.0)
    upright = measure_flat_pair(a, b, BLACK, WHITE)
    turned = measure_flat_pair(a.T.copy(), b.T.copy(), BLACK, WHITE)
    assert upright.row_variance_dn2 > 100 > upright.column_variance_dn2
    assert turned.column_variance_dn2 > 100 > turned.row_variance_dn2


def flags_of(a, b, black=BLACK, white=WHITE):
    return set(measure_flat_pair(a, b, black, white).flags)


def test_good_frames_carry_no_flag():
    for level_e, gain, read_e in ((20_000, 2.0, 5.0), (300, 0.03, 1.5), (60_000, 5.0, 4.0)):
        assert flags_of(*flat_pair(np.random.default_rng(7), (300, 300), level_e, gain, read_e, **HARD)) == set()


def test_flag_clipped_seen_at_white_and_below_it():
    rng = np.random.default_rng(8)
    assert "clipped" in flags_of(*flat_pair(rng, level_e=31_800))
    # the file says 16383, the converter stops at 15000
    assert "clipped" in flags_of(*flat_pair(rng, level_e=29_000, top=15_000))
    assert "clipped" not in flags_of(*flat_pair(rng, level_e=26_000, hot=40))


def test_clipping_is_not_taken_for_flicker_texture_or_changed_light():
    # the middle of the frame is cut off, the corners are not; the light drifts by 1.5 %
    rng = np.random.default_rng(18)
    for level_e in (32_000, 33_000, 36_000, 45_000):
        pair = flat_pair(rng, (300, 300), level_e, falloff=0.3, drift=1.015)
        assert flags_of(*pair) == {"clipped"}, level_e


def test_flag_too_dark():
    assert "too-dark" in flags_of(*flat_pair(np.random.default_rng(9), level_e=200))
    # darker than black altogether: no ratio can be taken, and no exception is raised
    assert "too-dark" in flags_of(*flat_pair(np.random.default_rng(9), level_e=10, black=400.0))


def test_flag_flicker():
    rng = np.random.default_rng(10)
    y = np.arange(300)[:, None]
    lights = [20_000 * (1 + 0.01 * np.sin(2 * np.pi * y / 90 + phase)) * np.ones((300, 300)) for phase in (0, 2)]
    a, b = (frame(rng, light, 2.0, 5.0) for light in lights)
    pair = measure_flat_pair(a, b, BLACK, WHITE)
    assert "flicker" in pair.flags
    # rms of the difference of two such waves: 0.01 sin(1 rad) sqrt(2)
    assert pair.flicker == pytest.approx(0.01 * math.sqrt(2) * math.sin(1), rel=0.15)
    assert pair.variance_dn2 == pytest.approx(expected_variance(pair, 2.0, 5.0), rel=0.02)


@pytest.mark.statistical
def test_flicker_over_uneven_light_is_divided_out():
    # 3 % bands (each 90 rows of the plane) on a flat whose light falls off: what a row mean leaves is bands x falloff
    gain, read_e, pulls, row_means_only = 2.0, 5.0, [], []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        y = np.arange(200)[:, None]
        lights = [
            24_000 * shading((200, 220), 0.5, 0.1) * (1 + 0.03 * np.sin(2 * np.pi * y / 90 + phase)) for phase in (0, 2)
        ]
        a, b = (frame(rng, light, gain, read_e, row_dn=1.0) for light in lights)
        pair = measure_flat_pair(a, b, BLACK, WHITE)
        assert pair.flags == ("flicker",)
        pulls.append((pair.variance_dn2 - expected_variance(pair, gain, read_e)) / pair.variance_stderr_dn2)
        difference = a.astype(float) - b
        row_means_only.append((difference - difference.mean(axis=1, keepdims=True)).var() / pair.variance_dn2)
    assert abs(np.mean(pulls)) < 3.5 / math.sqrt(20)
    assert 0.6 < np.std(pulls) < 1.4
    assert np.mean(row_means_only) > 1.05
    # and what the variance is compared with: photons of both frames, the second's weighted with the ratio squared
    ratio = lights[0] / lights[1]
    assert pair.shot_dn == pytest.approx(float((lights[0] + ratio**2 * lights[1]).mean()) / gain, rel=2e-3)
    assert pair.dark_weight == pytest.approx(1 + float((ratio**2).mean()), rel=2e-3)


def test_smoothed_rows_do_not_look_like_flicker():
    smoothed = []
    for samples in flat_pair(np.random.default_rng(20), (400, 300), 2_000):
        values = samples.astype(float)
        values[1:-1] = 0.25 * values[:-2] + 0.5 * values[1:-1] + 0.25 * values[2:]
        smoothed.append(values.round().astype(np.uint16))
    assert flags_of(*smoothed) == {"correlated-noise"}


def test_flag_light_changed_when_dimmed_or_when_a_shadow_moved():
    rng = np.random.default_rng(11)
    assert "light-changed" in flags_of(*flat_pair(rng, drift=1.2))
    y, x = np.mgrid[:320, :320]
    shadows = [1 - 0.05 * np.exp(-((x - c) ** 2 + (y - 150) ** 2) / 1800) for c in (100, 220)]
    a, b = (frame(rng, 20_000 * shadow, 2.0, 5.0) for shadow in shadows)
    assert "light-changed" in flags_of(a, b)


def test_flag_uneven_light():
    rng = np.random.default_rng(12)
    light = 24_000 * shading((200, 200), 0.0, 0.85)
    a, b = (frame(rng, light, 2.0, 5.0) for _ in range(2))
    pair = measure_flat_pair(a, b, BLACK, WHITE)
    assert "uneven-light" in pair.flags
    assert pair.variance_dn2 == pytest.approx(expected_variance(pair, 2.0, 5.0), rel=0.03)


def test_flag_textured():
    rng = np.random.default_rng(13)
    y, x = np.mgrid[:300, :300]
    light = 20_000 * (1 + 0.08 * np.sin(x / 4) * np.sin(y / 5))
    a, b = (frame(rng, light, 2.0, 5.0) for _ in range(2))
    assert "textured" in flags_of(a, b)


def squares(shape, side, pitch, blur_px):
    """Light over a card with dark squares, tilted by 5 degrees."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(float)
    u, v = x - 0.09 * y, y + 0.09 * x
    card = np.where((u % pitch > pitch - side) & (v % pitch > pitch - side), 0.15, 1.0)
    return ndimage.gaussian_filter(card, blur_px)


@pytest.mark.parametrize(("side", "pitch", "blur_px"), [(60, 150, 0), (30, 300, 0), (30, 300, 4), (100, 300, 12)])
def test_flag_textured_for_sparse_squares(side, pitch, blur_px):
    rng = np.random.default_rng(21)
    light = 20_000 * squares((500, 700), side, pitch, blur_px)
    a, b = (frame(rng, light, 2.0, 5.0) for _ in range(2))
    pair = measure_flat_pair(a, b, BLACK, WHITE)
    assert "textured" in pair.flags
    if side == 30:
        assert pair.texture < 0.02  # nine tiles in ten show nothing


def test_flag_textured_for_squares_between_the_rows_looked_at_closely():
    rng = np.random.default_rng(22)
    light = np.full((1600, 700), 20_000.0)
    light[1140:1200, 100:600] *= 0.15  # tile rows 36 and 37; those looked at are 0, 16, 33, 49
    a, b = (frame(rng, light, 2.0, 5.0) for _ in range(2))
    pair = measure_flat_pair(a, b, BLACK, WHITE)
    assert pair.edge_share == 0.0 and "textured" in pair.flags


@pytest.mark.parametrize("prnu", [0.02, 0.04])
@pytest.mark.parametrize(("level_e", "gain"), [(20_000, 2.0), (300, 0.03)])
def test_white_fixed_pattern_and_dust_are_no_texture(prnu, level_e, gain):
    rng = np.random.default_rng(23)
    shape = (450, 600)
    y, x = np.mgrid[: shape[0], : shape[1]]
    response = 1 + prnu * rng.standard_normal(shape)
    for row, column in rng.uniform(0, 1, (12, 2)) * shape:
        response *= 1 - 0.08 * np.exp(-((y - row) ** 2 + (x - column) ** 2) / 60)
    light = level_e * shading(shape, 0.4, 0.1)
    a, b = (frame(rng, light, gain, 3.0, response=response) for _ in range(2))
    pair = measure_flat_pair(a, b, BLACK, WHITE)
    assert pair.flags == ()
    assert pair.prnu == pytest.approx(prnu, rel=0.1)


def test_flag_correlated_noise():
    rng = np.random.default_rng(14)
    plain = flat_pair(rng, (300, 300))
    smoothed = []
    for samples in plain:
        values = samples.astype(float)
        values[:, 1:-1] = 0.25 * values[:, :-2] + 0.5 * values[:, 1:-1] + 0.25 * values[:, 2:]
        smoothed.append(values.round().astype(np.uint16))
    pair = measure_flat_pair(*smoothed, BLACK, WHITE)
    assert "correlated-noise" in pair.flags
    # autocorrelation of the kernel (1/4, 1/2, 1/4): (1/4) / (3/8) at lag 1
    assert pair.correlation_along_row == pytest.approx(2 / 3, abs=0.02)
    assert pair.correlation_along_column == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize(("factor", "flagged"), [(1.0, False), (1.26, True), (2.0, True)])
def test_flag_missing_codes_of_digital_scaling(factor, flagged):
    a, b = flat_pair(np.random.default_rng(15), (300, 300), 2_000, 0.5, 3.0)
    scaled = [np.round((samples - 512.0) * factor + 512).astype(np.uint16) for samples in (a, b)]
    pair = measure_flat_pair(*scaled, BLACK, WHITE)
    assert ("missing-codes" in pair.flags) == flagged
    assert pair.missing_code_share == pytest.approx(1 - 1 / factor, abs=0.03)


def test_record_survives_json():
    pair = measure_flat_pair(*flat_pair(np.random.default_rng(16), level_e=200), BLACK, WHITE)
    text = json.dumps({k: None if v != v else v for k, v in pair.as_dict().items()})
    assert str(FlatPair.from_dict(json.loads(text))) == str(pair)


def test_errors_name_the_fault():
    samples = np.full((64, 64), 1000, np.uint16)
    with pytest.raises(MeasurementError, match="differ in size"):
        measure_flat_pair(samples, samples[:32], BLACK, WHITE)
    with pytest.raises(MeasurementError, match="too small"):
        measure_flat_pair(samples[:8], samples[:8], BLACK, WHITE)
    with pytest.raises(MeasurementError, match="white level is not above black"):
        measure_flat_pair(samples, samples, 600.0, 600.0)


def test_equal_frames_have_no_noise_and_no_warning():
    samples = np.full((64, 64), 5000, np.uint16)
    pair = measure_flat_pair(samples, samples, BLACK, WHITE)
    assert pair.variance_dn2 == 0
    assert math.isnan(pair.variance_stderr_dn2)
