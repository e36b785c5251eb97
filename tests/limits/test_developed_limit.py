"""The ISO limit of developed pictures: from the measured spectrum, never from numbers of pixels."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from developed_pictures import BT709, decode_tables, encode, flat

from kitgauge.errors import LimitsError
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.developed_limit import developed_limit, picture_snr, power_share
from kitgauge.limits.viewing import picture_scale
from kitgauge.measure.developed.developed_noise import measure_developed_pair
from kitgauge.measure.developed.developed_points import MIDGREY_OF_WHITE, DevelopedPoint, developed_point

WHITE = tuple((k / 16) ** 2 for k in range(1, 17))
UNKNOWN = (math.nan,) * 16


def gaussian(smoothing):
    return tuple(math.erf(2 * math.pi * smoothing * 0.5 * k / 16) ** 2 for k in range(1, 17))


def point(iso, snr, stderr=0.0, shares=WHITE, scaling=0.0, level=MIDGREY_OF_WHITE, flags=("rendered",), **changes):
    """A point with this SNR of a pixel at mid-grey; `stderr` and `scaling` are shares of it."""
    power = tuple(share / snr**2 for share in shares)
    numbers = dict.fromkeys(
        ("red_noise", "red_noise_stderr", "red_bound", "blue_noise", "blue_noise_stderr", "blue_bound",
         "luminance_bound", "snr_at_least"), math.nan,
    )  # fmt: skip
    values = DevelopedPoint(
        iso=iso, level=level, levels=1, pairs=1, snr_measured=snr, snr_measured_stderr=stderr * snr,
        snr_midgrey=snr, snr_midgrey_stderr=snr * math.hypot(stderr, scaling), level_scaling_stderr=scaling * snr,
        luminance_noise=1 / snr, luminance_noise_stderr=stderr / snr, rounding_noise=0.005,
        noise_power_low=shares[3], noise_power_high=1 - shares[7],
        luminance_power=power, luminance_power_stderr=tuple(2 * stderr * value for value in power),
        spectrum=UNKNOWN, red_spectrum=UNKNOWN, blue_spectrum=UNKNOWN,
        rings=UNKNOWN, red_rings=UNKNOWN, blue_rings=UNKNOWN, flags=flags, **numbers,
    )  # fmt: skip
    return replace(values, **changes)


SHAPE = (4000, 6000)
PIXELS = 24_000_000
CRITERIA = Criteria(snr=10.0, output_mp=6.0)  # a quarter of the pixels: half the Nyquist frequency


def test_white_noise_averages_by_pixels():
    assert power_share(point(100, 20), PIXELS, 6.0) == pytest.approx(0.25)
    assert picture_snr(point(100, 20), PIXELS, 6.0).snr == pytest.approx(40.0)
    # between bands power is linear in area
    assert power_share(point(100, 20), PIXELS, 8.0) == pytest.approx(1 / 3)


def test_smoothed_noise_does_not():
    """Gaussian smoothing by 1.5 pixels leaves all but nothing above half the Nyquist frequency (closed form)."""
    smooth = point(100, 20, shares=gaussian(1.5))
    expected = math.erf(2 * math.pi * 1.5 * 0.25) ** 2
    assert expected > 0.99
    assert power_share(smooth, PIXELS, 6.0) == pytest.approx(expected / gaussian(1.5)[-1], rel=1e-6)
    assert picture_snr(smooth, PIXELS, 6.0).snr == pytest.approx(20.0, rel=0.01)


def test_enlargements_show_all_of_the_noise_and_ask_for_more_as_from_raw():
    assert picture_snr(point(100, 20), PIXELS, 24.0).snr == pytest.approx(20.0)
    assert picture_snr(point(100, 20), PIXELS, 96.0).snr == pytest.approx(10.0)  # four times the pixels
    assert picture_scale(PIXELS, 96.0) == pytest.approx(0.5)  # the rule for raw frames


def ladder(**keywords):
    """SNR of a pixel falls by sqrt 2 per stop, 5 (10 in the output) at ISO 6400."""
    return [
        point(iso, 5.0 * math.sqrt(6400 / iso), **keywords) for iso in (100, 400, 1600, 12800 / math.sqrt(2), 25600)
    ]


def test_the_limit_is_where_snr_falls_through():
    limit = developed_limit(ladder(stderr=0.01), CRITERIA, SHAPE)
    assert limit.value["iso"] == pytest.approx(6400.0, rel=1e-6)
    assert limit.dial["iso"] == 6400
    # ln SNR falls by ln 2 / 2 per stop; 1 % at two points, weighted by how near they are
    share = math.log2(6400 / 1600) / math.log2(12800 / math.sqrt(2) / 1600)
    expected = 0.01 * math.hypot(share, 1 - share) / (0.5 * math.log(2.0))
    assert limit.stderr_stops == pytest.approx(expected, rel=1e-6)
    assert math.log2(limit.ci_high / limit.ci_low) == pytest.approx(2 * 1.96 * expected, rel=1e-3)
    assert limit.flags == ("rendered",)
    assert limit.extra["snr_pixel"] == pytest.approx(5.0)  # white noise, a quarter of the pixels
    assert "for this picture style only" in limit.text
    assert limit.criterion == {"snr": 10.0, "output_mp": 6.0}


def test_the_error_of_the_level_does_not_average_out():
    """Both points are off the same way: the error of the limit is that of one, not less."""
    limit = developed_limit(ladder(scaling=0.05, level=0.4, flags=("rendered", "level-scaled")), CRITERIA, SHAPE)
    assert limit.stderr_stops == pytest.approx(0.05 / (0.5 * math.log(2.0)), rel=1e-6)
    assert "interval allows for that" in limit.text


@pytest.mark.statistical
def test_intervals_cover():
    rng = np.random.default_rng(1)
    hits = 0
    for _ in range(400):
        points = [point(p.iso, p.snr_midgrey * math.exp(0.02 * rng.standard_normal()), 0.02) for p in ladder()]
        limit = developed_limit(points, CRITERIA, SHAPE)
        hits += limit.ci_low <= 6400 <= limit.ci_high
    assert 0.92 <= hits / 400 <= 0.98


def test_a_print_sets_the_size():
    """Seen from far, a print shows fewer pixels: `limits.viewing` says how many, here they count as the output."""
    criteria = Criteria(print_long_side_cm=30.0, viewing_distance_cm=100.0)
    limit = developed_limit(ladder(stderr=0.01), criteria, SHAPE)
    output_mp = criteria.picture_mp(SHAPE)
    assert limit.value == developed_limit(ladder(stderr=0.01), Criteria(output_mp=output_mp), SHAPE).value
    assert limit.criterion["output_mp"] == output_mp and limit.criterion["viewing_distance_cm"] == 100.0
    assert "a print of 30 cm seen from 100 cm" in limit.text


def test_the_highest_measured_still_serves():
    limit = developed_limit(ladder()[:3], CRITERIA, SHAPE)
    assert limit.value["iso"] == 1600 and "limit-at-highest" in limit.flags
    assert math.isnan(limit.ci_high) and "at least" in limit.text and "could not" not in limit.text
    lost = point(3200, 5, snr_midgrey=math.nan, flags=("rendered", "clipped"))
    assert (
        "From ISO 3200 on noise could not be measured" in developed_limit([*ladder()[:3], lost], CRITERIA, SHAPE).text
    )


def test_noise_that_was_not_seen():
    clean = point(100, 20, luminance_power=UNKNOWN, snr_midgrey=math.nan, snr_at_least=110.0,
                  flags=("rendered", "noise-below-rounding"))  # fmt: skip
    assert picture_snr(clean, PIXELS, 6.0).snr == pytest.approx(110.0)  # not twice that
    limit = developed_limit([clean, *ladder()[1:]], CRITERIA, SHAPE)
    assert limit.value["iso"] == pytest.approx(6400.0, rel=1e-6)
    alone = developed_limit([clean], CRITERIA, SHAPE)
    assert alone.value["iso"] == 100 and alone.extra["at_least"]
    # a crossing between a bound and a number has no interval
    bound = replace(clean, snr_at_least=15.0)
    limit = developed_limit([bound, point(400, 4.0)], CRITERIA, SHAPE)
    assert math.isnan(limit.stderr_stops) and "interval not estimated" in limit.text
    assert "noise-below-rounding" in limit.flags


def test_no_limit():
    with pytest.raises(LimitsError, match="no measured ISO reaches SNR 10") as caught:
        developed_limit(ladder()[-1:], CRITERIA, SHAPE)
    assert "output_mp" in caught.value.fix
    with pytest.raises(LimitsError, match="no ISO value has a pair") as caught:
        developed_limit([], CRITERIA, SHAPE)
    dark = point(100, 20, snr_midgrey=math.nan, flags=("rendered", "too-dark"))
    with pytest.raises(LimitsError, match="too-dark"):
        developed_limit([dark], CRITERIA, SHAPE)


def test_noise_reduction_flatters_the_pixel_and_not_the_picture():
    """From frames: the same noise, smoothed in one style. The pixel looks three times as clean; a print of a quarter of
    the pixels shows nearly the same noise, and the rule by numbers of pixels promises what is not there."""
    shape, results = (512, 768), {}
    for style, smoothing in (("as it is", 0.0), ("smoothed", 0.8)):
        rng = np.random.default_rng(2)
        noise = 0.10 / (1.0 if not smoothing else 2 * smoothing * math.sqrt(math.pi))  # of what passes the filter
        frames = [encode(flat(rng, shape, luminance=noise, smoothing=smoothing), 16) for _ in range(2)]
        results[style] = developed_point(1600.0, [measure_developed_pair(*frames, decode_tables(16), BT709)])
    plain, smoothed = results["as it is"], results["smoothed"]
    pixels, output_mp = shape[0] * shape[1], shape[0] * shape[1] / 4e6
    assert smoothed.snr_midgrey / plain.snr_midgrey > 2.5
    # truth: smoothing passes exp(-4 pi^2 s^2 f^2) of the power; mean over the square below half of Nyquist
    passed = (math.erf(2 * math.pi * 0.8 * 0.25) / (2 * math.pi * 0.8 * 0.25) * math.sqrt(math.pi) / 2) ** 2
    gain = picture_snr(smoothed, pixels, output_mp).snr / picture_snr(plain, pixels, output_mp).snr
    assert gain == pytest.approx(1 / math.sqrt(passed), rel=0.04)
    naive = smoothed.snr_midgrey * math.sqrt(4.0)  # sqrt(pixels / output pixels)
    assert naive > 1.5 * picture_snr(smoothed, pixels, output_mp).snr


def camera_style(light):
    """A camera's ways with a picture: smoothing that keeps edges, sharpening, an S-shaped tone curve, 8 bits."""
    value = encode(light, 16).astype(np.float32) / 65535
    value = cv2.bilateralFilter(value, 7, 0.08, 1.5)
    value += 0.8 * (value - cv2.GaussianBlur(value, (0, 0), 1.0))
    value = np.clip(value, 0, 1) + 0.04 * np.sin(2 * np.pi * (np.clip(value, 0, 1) - 0.5))
    return np.rint(255 * np.clip(value, 0, 1)).astype(np.uint8)


@pytest.mark.parametrize("noise", [0.05, 0.2])
def test_a_camera_style_by_an_independent_route(noise):
    """Nothing of this filter is known in closed form: one FFT of the whole difference of the two pictures, cut at half
    the Nyquist frequency, is the smaller picture (no blocks, no window, no filling in)."""
    rng = np.random.default_rng(3)
    shape = (512, 768)
    even = np.ones(shape)
    frames = [camera_style(flat(rng, shape, luminance=noise, red=noise, blue=noise, light=even)) for _ in range(2)]
    measured = developed_point(1600.0, [measure_developed_pair(*frames, decode_tables(), BT709)])
    table = decode_tables()[0].astype(np.float64)
    light = [table[frame] @ np.array(BT709) for frame in frames]
    spectrum = np.abs(np.fft.fft2(light[0] - light[1])) ** 2
    spectrum[0, 0] = 0.0
    down, across = np.abs(np.fft.fftfreq(shape[0]))[:, None], np.abs(np.fft.fftfreq(shape[1]))[None, :]
    level = np.mean(light)
    whole = math.sqrt(spectrum.sum() / 2) / spectrum.size / level
    assert measured.luminance_noise == pytest.approx(whole, rel=0.02)
    inside = math.sqrt(spectrum[np.maximum(down, across) <= 0.25].sum() / 2) / spectrum.size / level
    pixels = shape[0] * shape[1]
    at_level = picture_snr(replace(measured, snr_midgrey=measured.snr_measured), pixels, pixels / 4e6).snr
    assert at_level == pytest.approx(1 / inside, rel=0.03)
    # naive: sqrt(4 pixels for 1) promises too much where smoothing rules, too little where sharpening does
    naive = 2 * measured.snr_measured / at_level
    assert naive > 1.15 if noise == 0.05 else naive < 0.9
