"""Pairs of developed flats: known noise of luminance and colour comes back, and what a file cannot show is not seen."""

from __future__ import annotations

import io
import json
import math

import numpy as np
import pytest
from developed_pictures import BT709, decode_tables, encode, flat, noise_field, shading
from PIL import Image
from scipy.ndimage import gaussian_filter1d

from kitgauge.errors import MeasurementError
from kitgauge.measure.developed.developed_noise import DevelopedPair, measure_developed_pair

SHAPE = (480, 720)


def pair_of(seed=1, bits=16, shape=SHAPE, drift=0.985, **noise):
    rng = np.random.default_rng(seed)
    a = flat(rng, shape, **noise)
    b = flat(rng, shape, **noise) * drift
    return measure_developed_pair(encode(a, bits), encode(b, bits), decode_tables(bits), BT709)


@pytest.mark.parametrize("smoothing", [0.0, 1.2, 2.0])
def test_known_noise_comes_back(smoothing):
    pair = pair_of(luminance=0.05, red=0.03, blue=0.04, smoothing=smoothing, colour_smoothing=2 * smoothing)
    for name, true in (("luminance", 0.05), ("red", 0.03), ("blue", 0.04)):
        value, error = getattr(pair, f"{name}_noise"), getattr(pair, f"{name}_noise_stderr")
        assert abs(value - true) < 4.0 * error, name
        assert error < 0.04 * true
    assert pair.flags == ("rendered",)
    assert pair.level == pytest.approx(0.18 * shading(SHAPE).mean() * math.sqrt(0.985), rel=2e-3)
    assert pair.ratio == pytest.approx(1 / 0.985, rel=2e-3)


@pytest.mark.statistical
@pytest.mark.parametrize("smoothing", [0.0, 1.5])
def test_errors_are_what_they_say(smoothing):
    pulls = []
    for seed in range(40):
        pair = pair_of(seed, shape=(320, 480), luminance=0.05, red=0.03, smoothing=smoothing, colour_smoothing=1.0)
        pulls.append(
            (
                (pair.luminance_noise - 0.05) / pair.luminance_noise_stderr,
                (pair.red_noise - 0.03) / pair.red_noise_stderr,
            )
        )
    mean, spread = np.mean(pulls, axis=0), np.std(pulls, axis=0, ddof=1)
    # 40 seeds: means to 0.16, standard deviations to 11 %
    assert np.abs(mean).max() < 0.6
    assert (spread > 0.65).all() and (spread < 1.35).all()


@pytest.mark.parametrize("exponent", [0.0, 1.0, 2.0])
def test_light_that_drifted_costs_nothing(exponent):
    """Noise variance as level^exponent: constant, shot, proportional. The plain difference is off by the drift."""
    rng = np.random.default_rng(3)
    even = 0.18 * np.stack([shading(SHAPE, 0.8)] * 3, axis=-1)
    frames = []
    for drift in (1.0, 0.94):
        light = even * drift
        noise = 0.008 * 0.18 * (light / 0.18) ** (exponent / 2) * noise_field(rng, SHAPE)[..., None]
        frames.append(light + noise)
    pair = measure_developed_pair(*(encode(frame, 16) for frame in frames), decode_tables(16), BT709)
    expected = 0.008 * (pair.level / 0.18) ** (exponent / 2 - 1)
    assert pair.luminance_noise == pytest.approx(expected, rel=0.012)
    # naive: the drift of the light over the shading counts as noise
    plain = (frames[0] - frames[1])[..., 1].std() / math.sqrt(2) / pair.level
    assert plain > 1.04 * expected


def test_fixed_pattern_cancels():
    rng = np.random.default_rng(4)
    pattern = shading(SHAPE) * (1 + 0.03 * rng.standard_normal(SHAPE))
    a, b = (encode(flat(rng, SHAPE, luminance=0.02, light=pattern), 16) for _ in range(2))
    pair = measure_developed_pair(a, b, decode_tables(16), BT709)
    assert pair.luminance_noise == pytest.approx(0.02, rel=0.012)
    one_frame = (a[..., 1] / 65535.0).std() / (a[..., 1] / 65535.0).mean() * 2.0  # naive: one frame's own spread
    assert one_frame > 0.03


def test_spectrum_of_noise_reduction():
    pair = pair_of(luminance=0.05, smoothing=1.5)
    share = np.array(pair.luminance_power) / pair.luminance_noise**2
    # density exp(-4 pi^2 s^2 f^2): share in the square is erf(2 pi s f)^2
    expected = [math.erf(2 * math.pi * 1.5 * 0.5 * k / 16) ** 2 for k in range(1, 17)]
    assert share == pytest.approx(expected, abs=0.02)
    assert pair.luminance_rings[1] > 10.0 > 0.1 > pair.luminance_rings[12]
    white = pair_of(luminance=0.05)
    assert np.array(white.luminance_rings) == pytest.approx(1.0, abs=0.06)


@pytest.mark.parametrize("smoothing", [4.0, 8.0])
def test_blotches_as_large_as_a_block_can_tell(smoothing):
    """Most of this noise lies at frequencies that have to be supposed: the error says so. (Seeds: 8; its mean.)"""
    pairs = [pair_of(seed, shape=(640, 960), luminance=0.05, smoothing=smoothing) for seed in range(8)]
    bias = np.mean([pair.luminance_noise for pair in pairs]) - 0.05
    stderr = np.mean([pair.luminance_noise_stderr for pair in pairs])
    assert abs(bias) < 2.0 * stderr
    assert stderr < 0.004


def test_rounding_to_eight_bits_is_in_it_and_told():
    """The picture shows rounding too: 1/12 code^2 in each colour, independent where each varies by codes."""
    pair = pair_of(bits=8, luminance=0.03, red=0.03, blue=0.03)
    fine = pair_of(bits=16, luminance=0.03, red=0.03, blue=0.03)
    # slope of the sRGB curve at 18 %: one code is 2.4 / 1.055 ((V + 0.055) / 1.055)^1.4 / 255 of light
    value = 1.055 * pair.level ** (1 / 2.4) - 0.055
    step = 2.4 / 1.055 * ((value + 0.055) / 1.055) ** 1.4 / 255 / pair.level
    assert pair.rounding_noise == pytest.approx(step / math.sqrt(12), rel=0.02)
    for name, shares in (("luminance", BT709), ("red", (1 - BT709[0], -BT709[1], -BT709[2]))):
        rounding = step / math.sqrt(12) * math.hypot(*shares)
        expected = math.hypot(getattr(fine, f"{name}_noise"), rounding)
        assert getattr(pair, f"{name}_noise") == pytest.approx(expected, rel=0.012), name


@pytest.mark.parametrize("level", [0.04, 0.18, 0.5])
def test_noise_below_the_codes_is_not_seen(level):
    """Noise of a fifth of a code: the file shows next to nothing, and we say an upper bound, not zero."""
    value = 1.055 * level ** (1 / 2.4) - 0.055
    step = 2.4 / 1.055 * ((value + 0.055) / 1.055) ** 1.4 / 255 / level
    pair = pair_of(bits=8, level=level, luminance=0.2 * step)
    assert math.isnan(pair.luminance_noise) and all(math.isnan(value) for value in pair.luminance_power)
    assert 0.2 * step < pair.luminance_bound < 0.8 * step
    assert "noise-below-rounding" in pair.flags
    # sixteen bits show it
    assert pair_of(bits=16, level=level, luminance=0.2 * step).luminance_noise == pytest.approx(0.2 * step, rel=0.02)


def test_half_a_code_is_seen():
    value = 1.055 * 0.18 ** (1 / 2.4) - 0.055
    step = 2.4 / 1.055 * ((value + 0.055) / 1.055) ** 1.4 / 255 / 0.18
    pair = pair_of(bits=8, luminance=0.6 * step)
    # grey noise: the three colours round alike
    assert pair.luminance_noise == pytest.approx(math.hypot(0.6 * step, step / math.sqrt(12)), rel=0.03)


def jpeg(codes, quality):
    stream = io.BytesIO()
    Image.fromarray(codes).save(stream, "JPEG", quality=quality, subsampling=0)
    return np.asarray(Image.open(stream))


@pytest.mark.parametrize("quality", [90, 95, 98])
@pytest.mark.parametrize("smoothing", [0.0, 1.5])
@pytest.mark.parametrize("noise", [0.02, 0.05, 0.15])
def test_what_a_jpeg_shows(quality, smoothing, noise):
    """Truth without a pair: the decoded light against the light that was there. JPEG makes it another noise than the
    one that went in, and ours is the one that the picture shows."""
    rng = np.random.default_rng(10)
    kind = {"luminance": noise, "red": noise, "blue": noise, "smoothing": smoothing, "colour_smoothing": smoothing}
    frames = [jpeg(encode(flat(rng, SHAPE, **kind)), quality) for _ in range(2)]
    table = decode_tables()[0]
    light = [table[frame].astype(np.float64) @ np.array(BT709) for frame in frames]
    left = [picture / (0.18 * shading(SHAPE)) for picture in light]
    true = math.sqrt(np.mean([picture.var() / picture.mean() ** 2 for picture in left]))
    pair = measure_developed_pair(*frames, decode_tables(), BT709)
    assert abs(pair.luminance_noise - true) < 4 * pair.luminance_noise_stderr + 0.01 * true
    colour = [table[frame[..., 0]] - picture for frame, picture in zip(frames, light, strict=True)]
    red = math.sqrt(np.mean([picture.var() for picture in colour])) / np.mean(light)
    if math.isnan(pair.red_noise):
        assert red < 1.05 * pair.red_bound
    else:
        assert abs(pair.red_noise - red) < 4 * pair.red_noise_stderr + 0.03 * red


def test_compression_effect_as_stated():
    """White noise of one code: quality 90 and 95 take fine noise away, 98 adds rounding. Coarse noise passes."""
    shown = {}
    for quality in (90, 95, 98):
        rng = np.random.default_rng(11)
        frames = [jpeg(encode(flat(rng, SHAPE, luminance=0.02)), quality) for _ in range(2)]
        shown[quality] = measure_developed_pair(*frames, decode_tables(), BT709).luminance_noise / 0.02
    assert 0.6 < shown[90] < 0.8 < shown[95] < 0.95 < 1.05 < shown[98] < 1.3
    rng = np.random.default_rng(12)
    frames = [jpeg(encode(flat(rng, SHAPE, luminance=0.05, smoothing=1.5)), 90) for _ in range(2)]
    assert measure_developed_pair(*frames, decode_tables(), BT709).luminance_noise == pytest.approx(0.05, rel=0.03)


def test_grey_pictures_have_no_colour_noise():
    rng = np.random.default_rng(6)
    a, b = (encode(flat(rng, SHAPE, luminance=0.04)[..., 1]) for _ in range(2))
    pair = measure_developed_pair(a, b, decode_tables(), BT709)
    assert pair.luminance_noise == pytest.approx(0.04, rel=0.02)
    assert math.isnan(pair.red_noise) and math.isnan(pair.blue_noise) and math.isnan(pair.red_bound)


def flags_of(a, b, bits=8):
    return measure_developed_pair(encode(a, bits), encode(b, bits), decode_tables(bits), BT709)


def test_flags():
    rng = np.random.default_rng(7)
    good = flat(rng, SHAPE)
    assert "clipped" in flags_of(flat(rng, SHAPE, 0.97), flat(rng, SHAPE, 0.97)).flags
    assert "too-dark" in flags_of(flat(rng, SHAPE, 0.01), flat(rng, SHAPE, 0.01)).flags
    twice = flags_of(good, good)
    assert "no-pair" in twice.flags and math.isnan(twice.luminance_noise)
    assert "light-changed" in flags_of(good, 0.85 * flat(rng, SHAPE)).flags
    rows = np.arange(SHAPE[0])[:, None, None]
    bands = 1.0 + 0.02 * np.sin(2 * np.pi * rows / 41.0)
    flicker = flags_of(good * bands, flat(rng, SHAPE))
    assert "flicker" in flicker.flags
    # the bands' variance, half of 0.02^2 / 2 in one frame of the pair, is not in the noise
    assert flicker.luminance_noise == pytest.approx(0.05, rel=0.02)
    shadow = np.ones((*SHAPE, 1))
    shadow[:, :200] = 0.9
    assert "light-changed" in flags_of(good * shadow, flat(rng, SHAPE)).flags
    squares = np.where((np.add.outer(np.arange(SHAPE[0]) // 16, np.arange(SHAPE[1]) // 16) % 2)[..., None], 1.1, 0.9)
    assert "textured" in flags_of(good * squares, flat(rng, SHAPE) * squares).flags
    other = flags_of(good * squares, flat(rng, SHAPE) * np.linspace(0.5, 1.5, SHAPE[1])[None, :, None] ** 3)
    assert "light-changed" in other.flags


@pytest.mark.parametrize("smoothing", [0.0, 1.2])
def test_noise_of_rows_is_noise(smoothing):
    """Rows of a sensor are off by chance: the picture shows it, smoothed or not, and light has no part in it."""
    rng = np.random.default_rng(9)
    frames = []
    for _ in range(2):
        rows = rng.standard_normal((SHAPE[0], 1)) * np.ones(SHAPE)
        if smoothing:
            rows = gaussian_filter1d(rows, smoothing, axis=0, mode="wrap")
        rows *= 0.03 / rows.std()
        frames.append(flat(rng, SHAPE, luminance=0.04, smoothing=smoothing) * (1 + rows[..., None]))
    pair = flags_of(*frames, 16)
    assert "flicker" not in pair.flags
    assert abs(pair.luminance_noise - 0.05) < max(4 * pair.luminance_noise_stderr, 0.0015)  # 480 rows: 0.03 to 3 %


def test_something_that_moved_is_left_out():
    rng = np.random.default_rng(8)
    a, b = flat(rng, SHAPE), flat(rng, SHAPE)
    b[100:140, 300:340] *= 0.3  # an insect on the card
    pair = flags_of(a, b, 16)
    assert pair.blocks_used < pair.blocks
    assert pair.luminance_noise == pytest.approx(0.05, rel=0.02)


def test_record_goes_through_json():
    pair = pair_of(bits=8, luminance=0.03)
    again = DevelopedPair.from_dict(json.loads(json.dumps(pair.as_dict()).replace("NaN", "null")))
    assert again.luminance_power == pair.luminance_power and again.flags == pair.flags
    assert math.isnan(again.red_noise) and again.red_bound == pair.red_bound


def test_pictures_that_do_not_match():
    with pytest.raises(MeasurementError, match="differ in size or depth"):
        measure_developed_pair(np.zeros((99, 99), np.uint8), np.zeros((99, 98), np.uint8), decode_tables(), BT709)
    with pytest.raises(MeasurementError, match="differ in size or depth"):
        measure_developed_pair(np.zeros((99, 99), np.uint8), np.zeros((99, 99), np.uint16), decode_tables(), BT709)
