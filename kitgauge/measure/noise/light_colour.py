"""The colour of the light on a grey card, from the channels of its flats, and what another light would do to it.

A sensor's red and blue samples get less or more light than its green ones, and how much depends on the light: under a
lamp blue is starved. Ratios are of raw samples above black, before any white balance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from kitgauge.measure.noise.noise_points import PlanePairs

LightName = Literal["daylight", "tungsten"]

# Blue over red of a grey card, raw: about 1.3 in daylight and 0.4 under a lamp; between the two (from memory, of
# common sensors; no source)
DIVIDE_BLUE_OVER_RED = 0.74
# Sets of flats differ in light where blue over red steps by more [stops]; daylight and lamp are 1.8 apart (Planck)
LIGHTS_APART_STOPS = 0.8
# Black bodies that stand for the two lights [K]: D55 as a lamp of its colour temperature, CIE standard illuminant A
TEMPERATURE_K: dict[LightName, float] = {"daylight": 5500.0, "tungsten": 2856.0}
# Where colour filters over silicon have the middle of what they let through [nm] (from memory, of common sensors)
WAVELENGTH_NM = {"R": 600.0, "G": 540.0, "B": 460.0}
# Other filters have it some 10 nm away: what that makes of an estimated ratio [stops] (common practice, no source)
ESTIMATE_ERROR_STOPS = 0.2
_LEAST_ERROR_STOPS = 0.01  # black levels and flare
_HC_OVER_K_NM_K = 1.438777e7  # second radiation constant (CODATA, from memory)


@dataclass(frozen=True)
class GreyRatios:
    """Levels of red and blue above black over that of green, of one set of flats; NaN unknown."""

    red_over_green: float
    blue_over_green: float

    @property
    def blue_over_red_stops(self) -> float:
        """Blue over red [stops]: the lower, the warmer the light."""
        return math.log2(self.blue_over_green / self.red_over_green)


@dataclass(frozen=True)
class LightColour:
    """A light by its raw channel ratios on a grey card, with their standard errors [stops].

    `source` "measured": from the run's flats; "estimated": from those of the other light.
    """

    light: LightName
    source: Literal["measured", "estimated"]
    red_over_green: float
    blue_over_green: float
    red_error_stops: float
    blue_error_stops: float


def grey_ratios(planes: Sequence[PlanePairs]) -> list[GreyRatios]:
    """Return the ratios of each set of flats of one ISO value; `flats` of all planes are index-aligned.

    A channel that is clipped, or not above black, is NaN. Empty for a monochrome sensor.
    """
    sets = min((len(plane.flats) for plane in planes), default=0)
    if not {"R", "B"} <= {plane.colour for plane in planes}:
        return []
    ratios = []
    for index in range(sets):
        level: dict[str, list[float]] = {"R": [], "G": [], "B": []}
        for plane in planes:
            flat = plane.flats[index]
            black = flat.black_dn if plane.black_dn is None else plane.black_dn
            signal = flat.signal_dn + flat.black_dn - black
            level[plane.colour[0]].append(signal if signal > 0 and "clipped" not in flat.flags else math.nan)
        red, green, blue = (float(np.mean(level[name])) for name in "RGB")
        ratios.append(GreyRatios(red / green, blue / green))
    return ratios


def lights_of(ratios: Sequence[GreyRatios]) -> list[LightColour]:
    """Return daylight and tungsten: measured where a set of flats is in that light, else estimated from the other.

    Sets are sorted by blue over red and parted where that steps by more than 0.8 stops, if one part lies on either side
    of 0.74. A light's ratios are medians over its sets; their errors come from the scatter. Empty where no set shows
    red, green and blue.
    """
    known = [one for one in ratios if math.isfinite(one.red_over_green * one.blue_over_green)]
    if not known:
        return []
    ordered = sorted(known, key=lambda one: one.blue_over_red_stops)
    steps = [above.blue_over_red_stops - below.blue_over_red_stops for below, above in pairwise(ordered)]
    divide = math.log2(DIVIDE_BLUE_OVER_RED)
    cut = steps.index(max(steps)) + 1 if steps else 0
    if steps and max(steps) > LIGHTS_APART_STOPS:
        warm, cold = ordered[:cut], ordered[cut:]
        if warm[-1].blue_over_red_stops < divide <= cold[0].blue_over_red_stops:
            return [_measured("daylight", cold), _measured("tungsten", warm)]
    middle = float(np.median([one.blue_over_red_stops for one in ordered]))
    only = _measured("daylight" if middle >= divide else "tungsten", ordered)
    return sorted([only, estimated_from(only)], key=lambda one: one.light)


def estimated_from(known: LightColour) -> LightColour:
    """Return the other light: the ratios of `known` times what Planck's law makes of the change.

    Black bodies of 5500 K (daylight like D55) and 2856 K (CIE illuminant A), at 600, 540 and 460 nm for red, green and
    blue: from daylight to lamp red gains 0.6 stops on green and blue loses 1.1.
    """
    other: LightName = "tungsten" if known.light == "daylight" else "daylight"

    def change(colour: str) -> float:
        here, there = TEMPERATURE_K[known.light], TEMPERATURE_K[other]
        return _over_green(colour, there) / _over_green(colour, here)

    return LightColour(
        light=other,
        source="estimated",
        red_over_green=known.red_over_green * change("R"),
        blue_over_green=known.blue_over_green * change("B"),
        red_error_stops=math.hypot(known.red_error_stops, ESTIMATE_ERROR_STOPS),
        blue_error_stops=math.hypot(known.blue_error_stops, ESTIMATE_ERROR_STOPS),
    )


def planck_photons(wavelength_nm: float, temperature_k: float) -> float:
    """Return the photons per wavelength of a black body, in any unit: wavelength^-4 / (exp(hc / (k T wavelength)) - 1).

    Planck's law; a sensor counts photons, hence the fourth power instead of the fifth of radiant power.
    """
    return wavelength_nm**-4 / math.expm1(_HC_OVER_K_NM_K / (wavelength_nm * temperature_k))


def _over_green(colour: str, temperature_k: float) -> float:
    return planck_photons(WAVELENGTH_NM[colour], temperature_k) / planck_photons(WAVELENGTH_NM["G"], temperature_k)


def _measured(light: LightName, sets: Sequence[GreyRatios]) -> LightColour:
    reds = np.log2([one.red_over_green for one in sets])
    blues = np.log2([one.blue_over_green for one in sets])

    def error(stops: np.ndarray) -> float:
        scatter = float(np.std(stops, ddof=1)) / math.sqrt(stops.size) if stops.size > 1 else 0.0
        return max(scatter, _LEAST_ERROR_STOPS)

    return LightColour(
        light=light,
        source="measured",
        red_over_green=2.0 ** float(np.median(reds)),
        blue_over_green=2.0 ** float(np.median(blues)),
        red_error_stops=error(reds),
        blue_error_stops=error(blues),
    )
