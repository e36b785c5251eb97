"""Limits by light against pictures simulated sample by sample, and their intervals over many ladders."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from kitgauge.limits.criteria import Criteria
from kitgauge.limits.iso_limit import dial_at_most, iso_limit
from kitgauge.limits.light_limit import balanced_snr, light_limits, weakest_snr
from kitgauge.limits.snr_crossing import ChannelState
from kitgauge.measure.noise.light_colour import GreyRatios, LightColour, lights_of
from kitgauge.measure.noise.noise_points import NoisePoint

K, RANGE_DN, PIXELS = 400.0, 15_871.0, 24_000_000
SIGMA_0, SIGMA_1 = 1.6, 2.0
ISOS = tuple(100.0 * 2**k for k in range(9))
DAY, LAMP = GreyRatios(0.5, 0.66), GreyRatios(0.8, 0.25)


def point(iso, channel, rng=None, error=0.005, **more):
    gain, read_dn = K / iso, math.hypot(SIGMA_0 * iso / K, SIGMA_1)
    g, r = (gain, read_dn) if rng is None else (gain, read_dn) * (1 + error * rng.standard_normal(2))
    return NoisePoint(
        iso=iso,
        channel=channel,
        gain_e_per_dn=g,
        gain_e_per_dn_stderr=error * gain,
        read_noise_e=g * r,
        read_noise_e_stderr=math.sqrt(2) * error * gain * read_dn,
        saturation_e=g * RANGE_DN,
        dynamic_range_stops=math.log2(RANGE_DN / r),
        snr_midgrey=1.0,
        read_noise_dn=r,
        read_noise_dn_stderr=error * read_dn,
        **more,
    )


def ladder(rng=None, isos=ISOS, **more):
    return [point(iso, channel, rng, **more) for iso in isos for channel in ("R", "G1", "G2", "G", "B")]


def variances(iso, light):
    """Variances of balanced R, G, B in units of green's signal squared, in electrons throughout."""
    gain = K / iso
    green = 10 / 78 * RANGE_DN * gain
    read = SIGMA_0**2 + (SIGMA_1**2 + 1 / 12) * gain**2
    return [(green * q + read) / (green * q) ** 2 for q in (light.red_over_green, 1.0, light.blue_over_green)]


def weakest(iso, light):
    return math.sqrt(PIXELS / 8e6 / max(variances(iso, light)))


def weighted(iso, light):
    r, g, b = variances(iso, light)
    y = 0.2125**2 * r + 0.7154**2 * g + 0.0721**2 * b
    r_y = 0.7875**2 * r + 0.7154**2 * g + 0.0721**2 * b
    b_y = 0.2125**2 * r + 0.7154**2 * g + 0.9279**2 * b
    return math.sqrt(PIXELS / 8e6 / (y + 0.279 * r_y + 0.088 * b_y))


def true_limit(light, wanted, snr=weakest):
    return brentq(lambda iso: snr(iso, light) - wanted, 20, 1e7)


@pytest.mark.parametrize("ratios", [DAY, LAMP])
def test_snr_of_the_balanced_picture_agrees_with_simulated_pixels(ratios):
    rng = np.random.default_rng(1)
    gain, read_dn, grey_e, pixels = 0.5, 4.0, 10 / 78 * 0.5 * 4000, 400_000
    state = ChannelState(gain=gain, read_dn2=read_dn**2, range_dn=4000.0, scale=1.0)
    red, green, blue = (
        np.round((rng.poisson(grey_e * q, pixels) + gain * read_dn * rng.standard_normal(pixels)) / gain) / q
        for q in (ratios.red_over_green, 1.0, ratios.blue_over_green)
    )
    luminance = 0.2125 * red + 0.7154 * green + 0.0721 * blue
    noise = math.sqrt(luminance.var() + 0.279 * (red - luminance).var() + 0.088 * (blue - luminance).var())
    snr = balanced_snr((state,) * 3, ratios.red_over_green, ratios.blue_over_green)
    assert snr == pytest.approx(luminance.mean() / noise, rel=4 / math.sqrt(2 * pixels) + 1e-3)
    # colour costs: less than luminance alone, less than a green sample alone
    assert snr < 0.95 * state.snr() < 0.95 * luminance.mean() / luminance.std()
    worst = min(colour.mean() / colour.std() for colour in (red, green, blue))
    snr = weakest_snr((state,) * 3, ratios.red_over_green, ratios.blue_over_green)
    assert snr == pytest.approx(worst, rel=4 / math.sqrt(2 * pixels) + 1e-3)


def test_lamp_light_lowers_the_limit_because_blue_is_starved():
    points = ladder()
    lights = lights_of([DAY, LAMP])
    day, lamp = light_limits(points, None, Criteria(snr=15), PIXELS, lights)
    for entry, ratios in ((day, DAY), (lamp, LAMP)):
        assert entry["iso"] == pytest.approx(true_limit(ratios, 15), rel=1e-4)
        assert entry["weighted_iso"] == pytest.approx(true_limit(ratios, 15, weighted), rel=1e-4)
        assert entry["weighted_ci_low"] < entry["weighted_iso"] < entry["weighted_ci_high"]
        assert entry["iso_dial"] <= entry["iso"] and entry["ci_low"] < entry["iso"] < entry["ci_high"]
        assert entry["source"] == "measured" and "0.279" in entry["snr_definition"]
    green = iso_limit(points, None, Criteria(snr=15), PIXELS).value["iso"]
    assert lamp["iso"] < day["iso"] < green
    assert (day["binds"], lamp["binds"]) == ("red", "blue")
    assert day["text"].startswith(f"In daylight ISO {day['iso_dial']:g}; with colours weighed as the eye sees")
    assert lamp["text"].startswith(
        f"In lamp light ISO {lamp['iso_dial']:g} instead of {day['iso_dial']:g}, because blue is starved by 2.0 stops "
        "against green; with colours weighed as the eye sees noise in them (ISO 15739), ISO "
    )
    # taking the limit of daylight for lamp light: blue's SNR falls short by a quarter and more
    assert weakest(day["iso"], LAMP) < 0.75 * 15
    # weighed as in the standards, the lights hardly differ: blue counts for little, and red gains
    assert abs(math.log2(lamp["weighted_iso"] / day["weighted_iso"])) < 0.1


def test_the_shadow_counts_in_colour_too():
    points, lights = ladder(), lights_of([DAY, LAMP])
    criteria = Criteria(snr=15, shadow_stops=4, shadow_snr=5)
    for plain, shadow, ratios in zip(
        light_limits(points, None, Criteria(snr=15), PIXELS, lights),
        light_limits(points, None, criteria, PIXELS, lights),
        (DAY, LAMP),
        strict=True,
    ):
        # four stops below mid-grey in the weakest channel, in electrons
        low = min(ratios.red_over_green, ratios.blue_over_green) * 10 / 78 / 16

        def snr(iso, share=low):
            gain = K / iso
            signal = share * RANGE_DN * gain
            return math.sqrt(3) * signal / math.sqrt(signal + SIGMA_0**2 + (SIGMA_1**2 + 1 / 12) * gain**2)

        assert shadow["iso"] == pytest.approx(brentq(lambda iso: snr(iso) - 5, 20, 1e7), rel=1e-4)
        assert shadow["iso"] < plain["iso"]


def test_an_estimated_light_says_so_and_is_wider():
    points = ladder()
    day, lamp = light_limits(points, None, Criteria(snr=15), PIXELS, lights_of([DAY]))
    assert (day["source"], lamp["source"]) == ("measured", "estimated") and "estimated" in lamp["text"]
    assert "estimated" not in day["text"]
    assert lamp["ci_high"] / lamp["ci_low"] > 1.1 > day["ci_high"] / day["ci_low"]
    # a tenth of a stop of ISO for a tenth of a stop more of blue, at most
    assert (
        lamp["ci_low"] < true_limit(GreyRatios(lamp["red_over_green"], lamp["blue_over_green"]), 15) < lamp["ci_high"]
    )


def test_what_cannot_be_given_is_said():
    lights = lights_of([DAY])
    criteria = Criteria(snr=15)
    without_blue = [p for p in ladder() if p.channel != "B"]
    for entry in light_limits(without_blue, None, criteria, PIXELS, lights):
        assert math.isnan(entry["iso"]) and "could red, green and blue all be measured" in entry["text"]
    no_darks = [replace(p, read_noise_e=math.nan) for p in ladder()]
    for entry in light_limits(no_darks, None, criteria, PIXELS, lights):
        assert math.isnan(entry["iso"]) and "could red, green and blue all be measured" in entry["text"]
    for entry in light_limits(ladder(), None, Criteria(snr=400), PIXELS, lights):
        assert math.isnan(entry["iso"]) and "not even ISO 100 reaches SNR 400 in every colour" in entry["text"]
    day, lamp = light_limits(ladder(isos=ISOS[:3]), None, criteria, PIXELS, lights)
    assert day["iso"] == lamp["iso"] == 400 and day["at_least"] and math.isnan(day["ci_high"])
    assert day["text"] == "In daylight ISO 400 at least, the highest measured."
    assert lamp["text"].startswith("In lamp light ISO 400 at least, the highest measured (estimated")
    assert "instead" not in lamp["text"]
    # between the two: daylight is open upwards
    day, lamp = light_limits(ladder(isos=ISOS[:6]), None, criteria, PIXELS, lights_of([DAY, LAMP]))
    assert day["at_least"] and not lamp["at_least"] and "instead of 3200 at least" in lamp["text"]
    assert light_limits(ladder(), None, criteria, PIXELS, []) == []


@pytest.mark.statistical
def test_intervals_hold_the_limit_of_each_light():
    seeds, covered = 400, [0, 0]
    ratio_error = 0.05
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        lights = [
            LightColour(
                light,
                "measured",
                ratios.red_over_green * 2 ** (ratio_error * rng.standard_normal()),
                ratios.blue_over_green * 2 ** (ratio_error * rng.standard_normal()),
                ratio_error,
                ratio_error,
            )
            for light, ratios in (("daylight", DAY), ("tungsten", LAMP))
        ]
        for index, entry in enumerate(light_limits(ladder(rng), None, Criteria(snr=15), PIXELS, lights)):
            covered[index] += entry["ci_low"] <= true_limit((DAY, LAMP)[index], 15) <= entry["ci_high"]
    # 95 % less and more 3 standard errors of 400 binomial draws
    assert all(0.917 < count / seeds < 0.983 for count in covered)


def test_an_iso_that_brings_nothing_is_never_given_for_the_dial():
    assert dial_at_most(640.0) == 640
    assert dial_at_most(700.0, avoid={640.0, 500.0}) == 400
    assert dial_at_most(700.0, avoid={400.0}) == 640
