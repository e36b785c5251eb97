"""The ISO limit in daylight and under a lamp: a grey card in the white-balanced picture, in each light.

White balance multiplies the starved channel, and its noise with it. A light's limit is the highest ISO at which the
weakest of the three channels, multiplied to be equal, still has the wanted SNR, green at mid-grey: in daylight that is
red or blue as a rule, under a lamp blue. Beside it stands the limit by the noise of ISO 12232 and ISO 15739 (from
memory), which weighs colours as the eye sees noise in them:

    sigma^2 = sigma_Y^2 + 0.279 sigma_(R-Y)^2 + 0.088 sigma_(B-Y)^2,    Y = 0.2125 R + 0.7154 G + 0.0721 B

By that measure blue counts so little, and the red that a lamp has more of so much, that the two lights hardly differ;
blue blotches are what it leaves out. Each pixel counts as having all three colours, as the limit by green pixels counts
them, so that all these limits compare.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence
from typing import Any

from kitgauge.fit.noise.noise_iso import NoiseFit
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.iso_limit import dial_at_most, second_stage
from kitgauge.limits.picture import Picture
from kitgauge.limits.snr_crossing import ChannelState, Crossing, Snr, States, find_crossing, lowest
from kitgauge.measure.noise.light_colour import LightColour
from kitgauge.measure.noise.noise_points import NoisePoint

LUMINANCE = (0.2125, 0.7154, 0.0721)  # of R, G, B: ITU-R BT.709 primaries as the standards round them
RED_WEIGHT, BLUE_WEIGHT = 0.279, 0.088
SNR_DEFINITION = (
    "SNR of the weakest of red, green and blue at mid-grey, white-balanced, green exposed to mid-grey, each pixel "
    "counted as having all three colours; weighted_iso: noise as the root of sigma_Y^2 + 0.279 sigma_(R-Y)^2 + "
    "0.088 sigma_(B-Y)^2 instead (ISO 12232, ISO 15739)"
)
_COLOURS = ("R", "G", "B")
_COLOUR_NAMES = ("red", "green", "blue")
_NAMES = {"daylight": "daylight", "tungsten": "lamp light"}

Balanced = Callable[[States, float, float, float], float]


def light_limits(
    points: Sequence[NoisePoint],
    fit: NoiseFit | None,
    criteria: Criteria,
    sensor_pixels: float,
    lights: Sequence[LightColour],
    frame_shape: tuple[int, int] | None = None,
    avoid: Collection[float] = (),
) -> list[dict[str, Any]]:
    """Return the `lights` entries of a run: for each light the highest ISO whose SNR meets `criteria`.

    points : of R, G and B; avoid : ISO values that bring nothing, never given for the dial. `iso`, `iso_dial` and the
    interval are NaN where no ISO reaches the criterion, or where a colour could not be measured at any ISO; `text`
    says which. The interval holds the errors of the points and of the light's ratios; `ci_high` is NaN where the
    highest measured ISO still serves. Empty where no read noise was measured at all: white balance takes red and blue
    away from mid-grey, where SNR needs it.
    """
    if all(math.isnan(point.read_noise_e) for point in points):
        return []
    picture = Picture.of(points, criteria, sensor_pixels, frame_shape)
    by_iso: dict[float, dict[str, NoisePoint]] = {}
    for point in points:
        if point.channel in _COLOURS and math.isfinite(point.snr_midgrey) and math.isfinite(point.read_noise_e):
            by_iso.setdefault(point.iso, {})[point.channel] = point
    isos = sorted(iso for iso, found in by_iso.items() if len(found) == len(_COLOURS))
    states: list[States] = [tuple(picture.state(by_iso[iso][name]) for name in _COLOURS) for iso in isos]
    found = [(light, _limit(isos, states, light, fit, criteria, weakest_snr)) for light in lights]
    daylight = next((crossing for light, crossing in found if light.light == "daylight"), None)
    entries = []
    for light, crossing in found:
        weighted = _limit(isos, states, light, fit, criteria, balanced_snr)
        entries.append(
            {
                "light": light.light,
                "source": light.source,
                "red_over_green": light.red_over_green,
                "blue_over_green": light.blue_over_green,
                **_numbers("", crossing, avoid),
                "at_least": crossing is not None and crossing.at_highest,
                "binds": None if crossing is None else _weakest(crossing.states, light),
                **_numbers("weighted_", weighted, avoid),
                "snr_definition": SNR_DEFINITION,
                "text": _sentence(light, crossing, weighted, daylight, isos, criteria, avoid),
            }
        )
    return entries


def _numbers(prefix: str, crossing: Crossing | None, avoid: Collection[float]) -> dict[str, float]:
    iso, low, high = (math.nan,) * 3 if crossing is None else (crossing.iso, crossing.ci_low, crossing.ci_high)
    return {
        f"{prefix}iso": iso,
        f"{prefix}iso_dial": math.nan if crossing is None else dial_at_most(iso, avoid),
        f"{prefix}ci_low": low,
        f"{prefix}ci_high": high,
    }


def weakest_snr(states: States, red_over_green: float, blue_over_green: float, stops: float = 0.0) -> float:
    """Return the lowest of the three channels' SNR, so many stops below mid-grey.

    states : of R, G and B; ratios : of a grey card, raw, before white balance.
    """
    return min(_channel_snrs(states, red_over_green, blue_over_green, stops))


def _channel_snrs(states: States, red_over_green: float, blue_over_green: float, stops: float) -> list[float]:
    grey = states[1].midgrey_dn() * math.exp2(-stops)
    return [
        grey / math.sqrt(_balanced_variance(state, grey, ratio))
        for state, ratio in zip(states, (red_over_green, 1.0, blue_over_green), strict=True)
    ]


def _weakest(states: States, light: LightColour) -> str:
    snrs = _channel_snrs(states, light.red_over_green, light.blue_over_green, 0.0)
    return _COLOUR_NAMES[snrs.index(min(snrs))]


def balanced_snr(states: States, red_over_green: float, blue_over_green: float, stops: float = 0.0) -> float:
    """Return the SNR by the noise of ISO 12232, so many stops below mid-grey; arguments as `weakest_snr`."""
    grey = states[1].midgrey_dn() * math.exp2(-stops)
    red, green, blue = (
        _balanced_variance(state, grey, ratio)
        for state, ratio in zip(states, (red_over_green, 1.0, blue_over_green), strict=True)
    )
    y_red, y_green, y_blue = LUMINANCE
    luminance = y_red**2 * red + y_green**2 * green + y_blue**2 * blue
    red_less_y = (1.0 - y_red) ** 2 * red + y_green**2 * green + y_blue**2 * blue
    blue_less_y = y_red**2 * red + y_green**2 * green + (1.0 - y_blue) ** 2 * blue
    return grey / math.sqrt(luminance + RED_WEIGHT * red_less_y + BLUE_WEIGHT * blue_less_y)


def _balanced_variance(state: ChannelState, grey_dn: float, ratio: float) -> float:
    """Return the variance [DN^2] of a channel that gets `ratio` of green's light, multiplied to green's level."""
    return state.picture_variance_dn2(grey_dn * ratio) / ratio**2


def _limit(
    isos: Sequence[float],
    states: Sequence[States],
    light: LightColour,
    fit: NoiseFit | None,
    criteria: Criteria,
    snr: Balanced,
) -> Crossing | None:
    """Return where the lowest limit of those that `criteria` set lies; None where one is met nowhere."""
    red, blue = light.red_over_green, light.blue_over_green

    def snr_for(stops: float, red_over_green: float = red, blue_over_green: float = blue) -> Snr:
        return lambda states: snr(states, red_over_green, blue_over_green, stops)

    found = []
    for wanted, stops in criteria.snr_demands():
        further = [
            snr_for(stops, red_over_green=red * math.exp2(light.red_error_stops)),
            snr_for(stops, blue_over_green=blue * math.exp2(light.blue_error_stops)),
        ]
        crossing = find_crossing(isos, states, snr_for(stops), wanted, further=further, second_stage=second_stage(fit))
        if crossing is None:
            return None
        found.append(crossing)
    return lowest(found)


def _sentence(
    light: LightColour,
    crossing: Crossing | None,
    weighted: Crossing | None,
    daylight: Crossing | None,
    isos: Sequence[float],
    criteria: Criteria,
    avoid: Collection[float],
) -> str:
    """Return the limit in plain words."""
    name = _NAMES[light.light]
    if not isos:
        return f"No limit in {name}: at no ISO value could red, green and blue all be measured."
    if crossing is None:
        shadow = "" if criteria.shadow_snr is None else f" (in the shadow {criteria.shadow_snr:g})"
        text = f"In {name} not even ISO {isos[0]:g} reaches SNR {criteria.snr:g}{shadow} in every colour"
    else:
        text = f"In {name} {_iso(crossing, avoid)}"
        if light.light == "tungsten" and daylight is not None:
            text += _against_daylight(light, crossing, daylight, avoid)
    if weighted is not None and (crossing is None or weighted.iso > crossing.iso):
        text += (
            f"; with colours weighed as the eye sees noise in them (ISO 15739), ISO {weighted.iso:.0f} before rounding"
        )
    if light.source == "estimated":
        text += " (estimated: the ratios of the channels follow from the other light's by Planck's law)"
    return text + "."


def _iso(crossing: Crossing, avoid: Collection[float]) -> str:
    return (
        f"ISO {dial_at_most(crossing.iso, avoid):g}{' at least, the highest measured' if crossing.at_highest else ''}"
    )


def _against_daylight(light: LightColour, crossing: Crossing, daylight: Crossing, avoid: Collection[float]) -> str:
    if crossing.iso >= daylight.iso:
        return "" if crossing.at_highest else ", no less than in daylight"
    text = f" instead of {dial_at_most(daylight.iso, avoid):g}{' at least' if daylight.at_highest else ''}"
    if (weakest := _weakest(crossing.states, light)) != "green":
        ratio = light.blue_over_green if weakest == "blue" else light.red_over_green
        text += f", because {weakest} is starved by {-math.log2(ratio):.1f} stops against green"
    return text
