"""The simulated sensor against the closed-form photon-transfer relation and a published table.

EMVA 1288 Release 4 Linear: sigma_y^2 = K^2 sigma_d^2 + sigma_q^2 + K (mu_y - mu_y.dark), sigma_q^2 = 1/12
DN^2, K in DN/e-.
"""

import csv
import math
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pytest

from kitgauge.simulate.dng import MONOCHROME, SIX_BY_SIX
from kitgauge.simulate.sensor import NORMAL_SHOT_NOISE_FROM_E, Sensor, shading

SHAPE = (480, 600)
PIXELS = SHAPE[0] * SHAPE[1]
PLAIN = Sensor(
    pattern=MONOCHROME,
    black_dn=((600.0,),),
    row_noise_e=0.0,
    photo_response_nonuniformity=0.0,
    dark_signal_nonuniformity_e=0.0,
    hot_pixel_fraction=0.0,
    dead_pixel_fraction=0.0,
    dark_current_e_per_s=0.0,
)
PUBLISHED = Path(__file__).parents[2].parent / "shared" / "published"


def temporal_variance(sensor, electrons, iso, seed, shape=SHAPE):
    rng = np.random.default_rng(seed)
    a, b = (sensor.expose(electrons, iso, rng, shape=shape).astype(np.float64) for _ in range(2))
    return a.mean(), b.mean(), ((a - b) ** 2).mean() / 2


@pytest.mark.statistical
@pytest.mark.parametrize("iso", [100.0, 400.0, 800.0, 6400.0])
@pytest.mark.parametrize("share", [0.02, 0.1, 0.5])
def test_variance_follows_the_photon_transfer_relation(iso, share):
    electrons = share * 15783 * 2.5 * 100 / iso  # of (white - black) at the gain of the definition
    gain = 2.5 * 100 / iso
    read_e = math.hypot(1.5 if iso >= 800 else 3.2, 1.4 * gain)
    expected = (read_e / gain) ** 2 + 1 / 12 + electrons / gain**2
    mean, _, variance = temporal_variance(PLAIN, electrons, iso, seed=int(iso + 1000 * share))
    assert mean - 600 == pytest.approx(electrons / gain, abs=5 * math.sqrt(expected / PIXELS))
    # a variance of n normal values has the relative standard error sqrt(2/n)
    assert variance == pytest.approx(expected, rel=5 * math.sqrt(2 / PIXELS))


@pytest.mark.statistical
def test_normal_shot_noise_equals_poisson_in_mean_and_variance():
    sensor = replace(PLAIN, read_noise_before_e=0.0, read_noise_after_dn=0.0, base_gain_e_per_dn=0.25)
    for electrons in (0.98 * NORMAL_SHOT_NOISE_FROM_E, 1.02 * NORMAL_SHOT_NOISE_FROM_E):
        mean, _, variance = temporal_variance(sensor, electrons, 100.0, seed=5)
        assert (mean - 600) * 0.25 == pytest.approx(electrons, abs=5 * math.sqrt(electrons / PIXELS))
        assert variance * 0.25**2 == pytest.approx(electrons + 0.25**2 / 12, rel=5 * math.sqrt(2 / PIXELS))


@pytest.mark.statistical
def test_published_gain_and_read_noise_are_rebuilt():
    """gain-read-noise.csv, aps-c-2007 (stanmooreastro.com/Canon40D_SN.htm): bias 1024 DN, 41,400 e-."""
    table = PUBLISHED / "gain-read-noise.csv"
    if not table.exists():
        pytest.skip(f"{table} is not there")
    with table.open() as file:
        rows = [row for row in csv.DictReader(file) if row["sensor"] == "aps-c-2007"]
    gains = {float(row["iso"]): float(row["gain_e_per_dn"]) for row in rows}
    reads = {float(row["iso"]): float(row["read_noise_e"]) for row in rows}
    assert len(gains) == 5
    sensor = replace(
        PLAIN,
        black_dn=((1024.0,),),
        full_well_e=41_400.0,
        gain_table_e_per_dn=MappingProxyType(gains),
        read_noise_table_e=MappingProxyType(reads),
    )
    for iso, gain in gains.items():
        level_e = min(0.4 * 41_400, 0.4 * 15_000 * gain)
        dark_mean, _, dark = temporal_variance(sensor, 0.0, iso, seed=int(iso))
        mean, _, lit = temporal_variance(sensor, level_e, iso, seed=int(iso) + 1)
        error = math.sqrt(2 / PIXELS)
        assert math.sqrt(dark - 1 / 12) * gain == pytest.approx(reads[iso], rel=5 * error)
        assert (mean - dark_mean) / (lit - dark) == pytest.approx(gain, rel=5 * 1.1 * error)


def test_truth_is_the_definition():
    sensor = Sensor()
    # by hand: gain 2.5 * 100/400; read noise hypot(3.2, 1.4 * 0.625)
    assert sensor.gain_e_per_dn(400) == 0.625
    assert sensor.read_noise_e(400) == pytest.approx(math.sqrt(3.2**2 + 0.875**2))
    assert sensor.read_noise_e(800) == pytest.approx(math.sqrt(1.5**2 + (1.4 * 0.3125) ** 2))
    assert sensor.quantisation_noise_e(400) == pytest.approx(0.625 / math.sqrt(12))
    assert sensor.saturation_e(100) == pytest.approx((16383 - 600.5) * 2.5)
    assert replace(sensor, full_well_e=20_000.0).saturation_e(100) == 20_000.0


def test_black_levels_colours_and_dead_pixels_lie_where_they_should():
    sensor = replace(Sensor(), dead_pixel_fraction=1e-3, hot_pixel_fraction=0.0)
    rng = np.random.default_rng(1)
    dark = sensor.expose(0.0, 100, rng, shape=SHAPE).astype(float)
    lit = sensor.expose(10_000.0, 100, rng, shape=SHAPE).astype(float)
    response = sensor.fixed_pattern(SHAPE).response
    for row, column, black, colour in (
        (0, 0, 600, 0.55),
        (0, 1, 602, 1.0),
        (1, 0, 599, 0.992),
        (1, 1, 601, 0.68),
    ):
        place = slice(row, None, 2), slice(column, None, 2)
        assert dark[place].mean() == pytest.approx(black, abs=0.05)
        living = response[place] > 0
        assert (lit[place][living] - black).mean() == pytest.approx(4000 * colour, rel=3e-3)
    dead = response == 0
    assert dead.sum() == round(1e-3 * PIXELS)
    assert lit[dead].max() < 700


def test_hot_pixels_grow_with_time_and_stay_in_place():
    sensor = replace(PLAIN, hot_pixel_fraction=1e-3, hot_offset_e=0.0, hot_rate_e_per_s=4000.0)
    short = sensor.expose(0.0, 400, np.random.default_rng(1), shape=SHAPE, exposure_s=1 / 4096)
    long = sensor.expose(0.0, 400, np.random.default_rng(2), shape=SHAPE, exposure_s=4.0)
    again = sensor.expose(0.0, 400, np.random.default_rng(3), shape=SHAPE, exposure_s=4.0)
    assert short.max() < 600 + 60
    hot = long > 600 + 60
    assert 0.9e-3 * PIXELS < hot.sum() <= 1e-3 * PIXELS
    assert ((again > 600 + 60) == hot).mean() > 1 - 1e-4


@pytest.mark.statistical
def test_dark_current_counts_are_poisson():
    sensor = replace(
        PLAIN,
        read_noise_before_e=0.0,
        read_noise_after_dn=0.0,
        base_gain_e_per_dn=0.1,
        dark_current_e_per_s=0.5,
    )
    for exposure_s in (0.04, 8.0):  # sparse and dense route
        frame = sensor.expose(0.0, 100, np.random.default_rng(4), shape=SHAPE, exposure_s=exposure_s)
        electrons = (frame.astype(float) - 600) * 0.1
        expected = 0.5 * exposure_s
        assert electrons.mean() == pytest.approx(expected, abs=5 * math.sqrt(expected / PIXELS))
        # variance of a Poisson sample variance: (mean + 2 mean^2) / n
        assert electrons.var() == pytest.approx(expected, abs=5 * math.sqrt((expected + 2 * expected**2) / PIXELS))


@pytest.mark.statistical
def test_row_noise_is_per_row_and_adds_to_the_dark_variance():
    sensor = replace(PLAIN, row_noise_e=2.0)
    dark = sensor.expose(0.0, 400, np.random.default_rng(5), shape=(4000, 50)).astype(float) * 0.625
    within = sensor.read_noise_e(400) ** 2 + 0.625**2 / 12
    assert dark.mean(axis=1).var() == pytest.approx(4.0 + within / 50, rel=5 * math.sqrt(2 / 4000))


@pytest.mark.statistical
def test_response_nonuniformity_is_fixed_and_of_the_stated_size():
    sensor = replace(PLAIN, photo_response_nonuniformity=0.01)
    rng = np.random.default_rng(6)
    mean = np.mean([sensor.expose(20_000.0, 100, rng, shape=SHAPE).astype(float) for _ in range(8)], axis=0) - 600
    shot = 1 / 20_000 / 8
    assert (mean.std() / mean.mean()) ** 2 == pytest.approx(1e-4 + shot, rel=0.05)


def test_saturates_at_white_and_at_full_well():
    rng = np.random.default_rng(7)
    assert (PLAIN.expose(1e6, 100, rng, shape=SHAPE) == 16383).all()
    shallow = replace(PLAIN, full_well_e=20_000.0)
    frame = shallow.expose(1e6, 100, rng, shape=SHAPE)
    assert frame.mean() == pytest.approx(600 + 8000, abs=0.1)


def test_one_seed_one_frame():
    electrons = np.linspace(10, 3000, PIXELS).reshape(SHAPE)
    frames = [Sensor().expose(electrons, 200, np.random.default_rng(seed), exposure_s=0.1) for seed in (1, 1, 2)]
    assert np.array_equal(frames[0], frames[1])
    assert not np.array_equal(frames[0], frames[2])


def test_bad_input_is_refused():
    rng = np.random.default_rng(0)
    with pytest.raises(ValueError, match="give shape"):
        Sensor().expose(100.0, 100, rng)
    with pytest.raises(ValueError, match="negative"):
        Sensor().expose(-1.0, 100, rng, shape=SHAPE)
    with pytest.raises(ValueError, match="corner_loss"):
        shading(SHAPE, 1.0)


def test_six_by_six_pattern_has_its_colours():
    sensor = replace(Sensor(), pattern=SIX_BY_SIX, black_dn=((600.0,),))
    frame = sensor.expose(10_000.0, 100, np.random.default_rng(1), shape=SHAPE).astype(float) - 600
    for row, names in enumerate(SIX_BY_SIX):
        for column, name in enumerate(names):
            expected = 4000 * {"R": 0.55, "G": 1.0, "B": 0.68}[name]
            assert np.median(frame[row::6, column::6]) == pytest.approx(expected, rel=5e-3)


def test_shading_is_quadratic_in_the_distance():
    light = shading((101, 201), 0.4)
    assert light[50, 100] == 1.0
    corner = math.hypot(50 / 101 * 2, 100 / 201 * 2)  # the corner pixel's centre in half-frames
    assert light[0, 0] == pytest.approx(0.6, abs=1e-6)
    assert corner < math.sqrt(2)
    assert 1 - light[50, 200] == pytest.approx(0.4 * (201**2) / (101**2 + 201**2), rel=1e-5)
