"""Ways out when the limits do not fit the light, each with its price in words and numbers.

Order: ways that close the whole gap before those that close a part; then what gives nothing up in the picture
(support, more light, a filter, a long exposure by hand), then a burst of at most ten frames, then what costs depth, a
little of everything, noise, sharp frames. Nothing asks for more than twelve frames, or three for each keeper wanted.

Pure standard library.
"""

from __future__ import annotations

import math
from dataclasses import replace

from kitgauge.exposure import format_shutter
from kitgauge.planner.choose import Bounds, Choice, Dials, Setting, choose, usable_iso, wanted_f_number
from kitgauge.planner.concessions import with_higher_iso, with_slower_shutter, with_some_of_each, with_wider_aperture
from kitgauge.planner.viewing import HALF
from kitgauge.planner.way_out import MOST_FRAMES, Alternative, Predict, still_missing

_TENFOLD_STOPS = math.log2(10)
_LONG_EXPOSURE_ISO = 800.0  # of an exposure past the dial (own choice: shorter than at the lowest ISO, still clean)
_LONGEST_S = 3600.0
_ORDER = (
    "support",
    "more-light",
    "filter",
    "long-exposure",
    "burst",
    "wider-aperture",
    "mixed",
    "higher-iso",
    "slower-shutter",
    "long-burst",
    "focus-stack",
)


def ways_out(
    bounds: Bounds,
    choice: Choice,
    available: Dials,
    predict: Predict,
    confidence: float,
    wanted_snr: float,
    still: bool,
    keepers: int = 1,
) -> tuple[Alternative, ...]:
    """Return the alternatives to `choice`, best first; none where it fits everything asked.

    `still`: the subject is one that holds still by and large, so that a burst helps against its movement too.
    `keepers`: how many sharp frames a burst must hold.
    """
    ways: list[Alternative] = []
    if choice.shortfall_stops > 0:
        ways += _with_support(bounds, choice, available, predict)
        ways += _with_more_light(bounds, choice, available, predict)
        ways += with_wider_aperture(bounds, choice, available, predict)
        ways += with_slower_shutter(bounds, choice, available, predict, (keepers, confidence), still)
        ways += with_some_of_each(bounds, choice, available, predict, (keepers, confidence), wanted_snr)
        ways += with_higher_iso(bounds, choice, available, predict, wanted_snr)
    if choice.underexposed_stops > 0 and math.isinf(min(bounds.motion.hands_cap_s, bounds.motion.subject_cap_s)):
        ways += _with_long_exposure(bounds, available, predict)
    if choice.overexposed_stops > 0 or choice.closed:
        ways += _with_filter(bounds, choice, available, predict)
    if choice.depth_shortfall_stops > 0:
        ways += _with_focus_stack(choice, predict)
    return tuple(sorted(ways, key=lambda way: (way.remaining_stops > 1e-6, _ORDER.index(way.kind))))


def _with_support(bounds: Bounds, choice: Choice, available: Dials, predict: Predict) -> list[Alternative]:
    if math.isinf(bounds.motion.hands_cap_s):
        return []
    steady = replace(bounds.motion, hands=None, hands_cap_s=math.inf)
    supported = choose(replace(bounds, motion=steady), available)
    gained = math.log2(supported.setting.shutter_s / choice.setting.shutter_s)
    if gained <= 0 and supported.shortfall_stops >= choice.shortfall_stops - 1e-6:
        return []
    predicted = predict(supported.setting)._replace(
        keep_rate=steady.keep_rate(supported.setting.shutter_s),
        keep_rate_interval=None,
    )
    price = f"a tripod or other firm support, which allows {format_shutter(supported.setting.shutter_s)}"
    price += still_missing(supported.shortfall_stops)
    return [
        Alternative(
            "support",
            supported.setting,
            predicted,
            price,
            {"gained_stops": gained},
            remaining_stops=supported.shortfall_stops,
        )
    ]


def _with_more_light(bounds: Bounds, choice: Choice, available: Dials, predict: Predict) -> list[Alternative]:
    more = choice.shortfall_stops
    lit = choose(replace(bounds, ev100=bounds.ev100 + more), available)
    factor = f"{2**more:.1f}" if more < _TENFOLD_STOPS else f"{2**more:.0f}"
    price = f"{more:.1f} stops more light on the subject ({factor} times as much: lamps nearer, or more of them)"
    return [
        Alternative(
            "more-light",
            lit.setting,
            predict(lit.setting),
            price,
            {"light_stops": more, "light_factor": 2**more},
            remaining_stops=lit.shortfall_stops,
        )
    ]


def _with_long_exposure(bounds: Bounds, available: Dials, predict: Predict) -> list[Alternative]:
    """Return the exposure by hand past the dial (setting B), where nothing moves."""
    f_number = wanted_f_number(bounds, available)
    iso = usable_iso(min(bounds.iso_limit, _LONG_EXPOSURE_ISO), available)
    exact_s = 100 * f_number**2 / (iso * 2**bounds.ev100)
    time_s = max(round(exact_s), 1)
    if not available.shutter_s[-1] < time_s <= _LONGEST_S:
        return []
    setting = Setting(time_s, f_number, iso, math.log2(time_s / exact_s))
    price = (
        f"{_duration(time_s)} by hand: shutter at B (bulb), cable release and a watch; dark current adds noise that is "
        "not in this plan (kitgauge brief dark-current measures it)"
    )
    return [Alternative("long-exposure", setting, predict(setting), price, {"shutter_s": float(time_s)})]


def _duration(time_s: float) -> str:
    minutes, seconds = divmod(round(time_s), 60)
    return f"{seconds} s" if minutes == 0 else f"{minutes} min {seconds:02d} s" if seconds else f"{minutes} min"


def _with_filter(bounds: Bounds, choice: Choice, available: Dials, predict: Predict) -> list[Alternative]:
    stops = max(math.ceil(choice.overexposed_stops), 1)
    for strength in range(stops, stops + 20):
        filtered = choose(replace(bounds, ev100=bounds.ev100 - strength), available)
        if filtered.overexposed_stops == 0 and not filtered.closed:
            break
    price = f"a neutral-density filter of {strength} stops (factor {2**strength}) on the lens"
    return [Alternative("filter", filtered.setting, predict(filtered.setting), price, {"filter_stops": strength})]


def _with_focus_stack(choice: Choice, predict: Predict) -> list[Alternative]:
    # the depth of one frame, in dioptres, grows in proportion to the f-number
    stops = choice.depth_shortfall_stops / 2
    frames = math.ceil(2**stops - 1e-9) if stops < MOST_FRAMES else MOST_FRAMES + 1
    predicted = predict(choice.setting)
    too_soft = predicted.contrast is not None and predicted.contrast["focus"] <= HALF
    if frames > MOST_FRAMES or too_soft:
        return []
    price = f"{frames} frames from a tripod, focused one behind the other and merged; only for things that stand still"
    return [
        Alternative(
            "focus-stack",
            choice.setting,
            predicted,
            price,
            {"frames": frames},
            frames=frames,
            remaining_stops=choice.shortfall_stops,
        )
    ]
