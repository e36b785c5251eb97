"""Lights told by the channels of a grey card, and Planck's law against published white points."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from simulated_pairs import flat_pair

from kitgauge.measure.noise.light_colour import (
    GreyRatios,
    estimated_from,
    grey_ratios,
    lights_of,
    planck_photons,
)
from kitgauge.measure.noise.noise_points import PlanePairs
from kitgauge.measure.noise.photon_transfer import measure_flat_pair

BLACK, WHITE = 512.0, 16383.0
DAY, LAMP = GreyRatios(0.5, 0.66), GreyRatios(0.8, 0.3)


def planes(rng, levels_e, given=BLACK):
    """Flats of 2 e-/DN whose planes get `levels_e` (colour -> level)."""
    made = []
    for colour, level in levels_e.items():
        a, b = flat_pair(rng, (64, 96), level, gain=2.0, read_e=5.0)
        made.append(PlanePairs(colour, (measure_flat_pair(a, b, given, WHITE),), black_dn=BLACK))
    return made


def test_ratios_are_of_levels_above_black_however_it_was_first_taken():
    rng = np.random.default_rng(1)
    levels = {"R": 9_000, "G1": 20_000, "G2": 19_000, "B": 6_000}
    for given in (BLACK, BLACK - 40):
        [ratios] = grey_ratios(planes(rng, levels, given))
        assert ratios.red_over_green == pytest.approx(9 / 19.5, rel=0.01)
        assert ratios.blue_over_green == pytest.approx(6 / 19.5, rel=0.01)
    # black left in would make the light look bluer
    naive = (6_000 / 2 + BLACK) / (19_500 / 2 + BLACK)
    assert naive > 1.1 * 6 / 19.5
    assert grey_ratios(planes(rng, {"G": 20_000})) == []
    red, *others = planes(rng, levels)
    clipped = replace(red, flats=(replace(red.flats[0], flags=("clipped",)),))
    [ratios] = grey_ratios([clipped, *others])
    assert math.isnan(ratios.red_over_green) and ratios.blue_over_green == pytest.approx(6 / 19.5, rel=0.01)
    assert lights_of([ratios]) == []


def test_two_lights_in_a_run_are_both_measured():
    rng = np.random.default_rng(2)

    def sets(one, count):
        return [
            GreyRatios(one.red_over_green * r, one.blue_over_green * b)
            for r, b in np.exp2(0.02 * rng.standard_normal((count, 2)))
        ]

    daylight, tungsten = lights_of([*sets(LAMP, 5), *sets(DAY, 9)])
    assert (daylight.light, daylight.source) == ("daylight", "measured")
    assert (tungsten.light, tungsten.source) == ("tungsten", "measured")
    for found, true in ((daylight, DAY), (tungsten, LAMP)):
        for name, error in (("red_over_green", found.red_error_stops), ("blue_over_green", found.blue_error_stops)):
            assert abs(math.log2(getattr(found, name) / getattr(true, name))) < 5 * error < 0.1


def test_one_light_is_told_and_the_other_estimated():
    daylight, tungsten = lights_of([DAY])
    assert (daylight.source, tungsten.source) == ("measured", "estimated")
    # from daylight to lamp: red gains and blue loses on green; both within what cameras show (common practice: white
    # balance factors of red fall from 2.0 to 1.3, of blue rise from 1.5 to 2.6, +-0.4 stops; from memory)
    assert math.log2(tungsten.red_over_green / 0.5) == pytest.approx(math.log2(2.0 / 1.3), abs=0.4)
    assert math.log2(tungsten.blue_over_green / 0.66) == pytest.approx(-math.log2(2.6 / 1.5), abs=0.4)
    assert tungsten.blue_error_stops > 0.19 > daylight.blue_error_stops
    # and back again
    back = estimated_from(tungsten)
    assert (back.light, back.red_over_green) == ("daylight", pytest.approx(0.5))
    daylight, tungsten = lights_of([LAMP, LAMP])
    assert (daylight.source, tungsten.source) == ("estimated", "measured")
    # sun and open shade, both daylight: one light
    shade = GreyRatios(0.45, 0.85)
    assert [light.source for light in lights_of([DAY, shade])] == ["measured", "estimated"]


def lobe(nm, middle, below, above):
    return np.exp(-0.5 * ((nm - middle) / np.where(nm < middle, below, above)) ** 2)


def test_planck_agrees_with_the_white_points_of_the_cie():
    """A black body of 2856 K is illuminant A by definition, 5500 K is near D55: white points X, 1, Z of CIE 15 (A
    1.0985, 0.35585; D55 0.9568, 0.9215; from memory) by the colour-matching functions of 1931 as sums of lobes (Wyman,
    Sloan and Shirley 2013, from memory)."""
    nm = np.arange(380.0, 781.0)
    x = 1.056 * lobe(nm, 599.8, 37.9, 31.0) + 0.362 * lobe(nm, 442.0, 16.0, 26.7) - 0.065 * lobe(nm, 501.1, 20.4, 26.2)
    y = 0.821 * lobe(nm, 568.8, 46.9, 40.5) + 0.286 * lobe(nm, 530.9, 16.3, 31.1)
    z = 1.217 * lobe(nm, 437.0, 11.8, 36.0) + 0.681 * lobe(nm, 459.0, 26.0, 13.8)

    def white_point(kelvin):
        power = np.array([planck_photons(one, kelvin) / one for one in nm])  # radiant: photons have hc / wavelength
        return (power @ x) / (power @ y), (power @ z) / (power @ y)

    assert white_point(2856) == pytest.approx((1.0985, 0.35585), rel=0.01)
    assert white_point(5500) == pytest.approx((0.9568, 0.9215), rel=0.05)
    # Wien's displacement in photons: wavelength times temperature 3669.7 um K (from memory)
    nm = np.arange(500, 2500)
    assert nm[np.argmax([planck_photons(float(one), 2856) for one in nm])] == pytest.approx(3669.7e3 / 2856, abs=1.5)
