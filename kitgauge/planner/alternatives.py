"""Ways out when the limits do not fit the light, each with its price in words and numbers.

Order: ways that close the whole gap before those that close a part; then what gives nothing up in the picture
(support, more light, a filter), then a burst of at most ten frames, then what costs depth, noise, sharp
frames. Nothing asks for more than twelve frames.

Pure standard library.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from kitgauge.exposure import (
    dial_shutter,
    format_exact_f_number,
    format_shutter,
    nominal_f_number,
    nominal_iso,
    nominal_shutter_s,
    percent,
)
from kitgauge.planner.choose import Bounds, Choice, Dials, Setting, choose, usable_iso
from kitgauge.planner.motion import Motion
from kitgauge.planner.predict import Predicted, burst_frames
from kitgauge.planner.viewing import HALF

_SHORT_BURST = 10
MOST_FRAMES = 12  # longer bursts and focus stacks are not practical (common practice, no source)
_TENFOLD_STOPS = math.log2(10)
_ORDER = (
    "support",
    "more-light",
    "filter",
    "burst",
    "wider-aperture",
    "higher-iso",
    "slower-shutter",
    "long-burst",
    "focus-stack",
)
Predict = Callable[[Setting], Predicted]


@dataclass(frozen=True)
class Alternative:
    """One way out.

    `price` says in words and numbers what it costs, `price_numbers` holds the numbers with their units in the
    names; `frames` is how many frames to shoot; `remaining_stops` what it leaves of the gap.
    """

    kind: str
    setting: Setting
    predicted: Predicted
    price: str
    price_numbers: Mapping[str, float | None]
    frames: int = 1
    remaining_stops: float = 0.0

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "kind": self.kind,
            "settings": settings_dict(self.setting),
            "exposure_error_stops": self.setting.error_stops,
            "predicted": self.predicted.as_dict(),
            "price": self.price,
            "price_numbers": dict(self.price_numbers),
            "frames": self.frames,
            "remaining_stops": self.remaining_stops,
        }


def settings_dict(setting: Setting) -> dict[str, float]:
    """Return the settings as marked on the dials."""
    return {
        "shutter_s": nominal_shutter_s(setting.shutter_s),
        "f_number": nominal_f_number(setting.f_number),
        "iso": nominal_iso(setting.iso),
    }


def ways_out(
    bounds: Bounds,
    choice: Choice,
    available: Dials,
    predict: Predict,
    confidence: float,
    wanted_snr: float,
    still: bool,
) -> tuple[Alternative, ...]:
    """Return the alternatives to `choice`, best first; none where it fits everything asked.

    `still`: the subject is one that holds still by and large, so that a burst helps against its movement too.
    """
    ways: list[Alternative] = []
    if choice.shortfall_stops > 0:
        ways += _with_support(bounds, choice, available, predict)
        ways += _with_more_light(bounds, choice, available, predict)
        ways += _with_wider_aperture(bounds, choice, available, predict)
        ways += _with_slower_shutter(bounds, choice, available, predict, confidence, still)
        ways += _with_higher_iso(bounds, choice, available, predict, wanted_snr)
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
    predicted = replace(
        predict(supported.setting),
        keep_rate=steady.keep_rate(supported.setting.shutter_s),
        keep_rate_interval=None,
    )
    price = f"a tripod or other firm support, which allows {format_shutter(supported.setting.shutter_s)}"
    price += _rest(supported.shortfall_stops)
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


def _with_wider_aperture(bounds: Bounds, choice: Choice, available: Dials, predict: Predict) -> list[Alternative]:
    wanted = _wanted(bounds, choice, available)
    wider = [number for number in reversed(available.f_number) if number < wanted.f_number * (1 - 1e-6)]
    candidates = [(wanted.shutter_s, number) for number in wider]
    setting, remaining = _first_fitting(bounds.ev100, candidates, _within_limit(bounds, available))
    if setting is None:
        return []
    if remaining > 0:  # wide open is not enough: the rest is ISO, as far as it goes
        setting = _exposed(bounds.ev100, setting.shutter_s, setting.f_number, available)
        if setting.error_stops < -1 / 6 - 1e-6:
            return []
    before, after = predict(wanted), predict(setting)
    opened = 2 * math.log2(wanted.f_number / setting.f_number)
    price = f"{opened:.1f} stops wider"
    if before.near_m is not None and after.near_m is not None:
        price += f": sharp {_span(after)} instead of {_span(before)}"
    if setting.f_number < bounds.f_sharp_low * (1 - 1e-6):
        price += f"; wider than the sharp range, which starts at {format_exact_f_number(bounds.f_sharp_low)}"
    price += _rest(remaining)
    numbers = {"opened_stops": opened, "depth_m": _depth(after), "depth_before_m": _depth(before)}
    return [Alternative("wider-aperture", setting, after, price, numbers, remaining_stops=remaining)]


def _with_slower_shutter(
    bounds: Bounds, choice: Choice, available: Dials, predict: Predict, confidence: float, still: bool
) -> list[Alternative]:
    wanted = _wanted(bounds, choice, available)
    slower = [time for time in available.shutter_s if time > wanted.shutter_s * (1 + 1e-6)]
    candidates = [(time, wanted.f_number) for time in slower]
    setting, remaining = _first_fitting(bounds.ev100, candidates, _within_limit(bounds, available))
    if setting is None or remaining > 0:
        return []
    predicted = predict(setting)
    stops = math.log2(setting.shutter_s / wanted.shutter_s)
    keep, motion = predicted.keep_rate, bounds.motion
    price = f"{stops:.1f} stops slower"
    if not math.isinf(motion.hands_cap_s):
        if keep is None:
            price += ": how many frames stay sharp is not known before handheld-shutter was measured"
        else:
            price += f": {percent(keep)} of frames sharp instead of {_rate(motion, wanted.shutter_s)}"
    price += _subject_smear(motion, setting.shutter_s)
    numbers: dict[str, float | None] = {"slower_stops": stops, "keep_rate": keep}
    ways = [Alternative("slower-shutter", setting, predicted, price, numbers)]
    frames = burst_frames(keep, confidence)
    # a still person moves by chance, as hands do: a burst catches a quiet moment up to about two stops slower
    subject_may_hold = motion.subject_cap_s * (4 if motion.streak_per_s == 0 and still else 1)
    if (
        keep is not None
        and frames is not None
        and 1 < frames <= MOST_FRAMES
        and setting.shutter_s <= subject_may_hold * (1 + 1e-6)
    ):
        price = (
            f"{frames} frames at {format_shutter(setting.shutter_s)}: at least one is sharp with "
            f"{percent(confidence)} confidence ({percent(keep)} of frames are)"
        ) + (", if the subject holds still" if setting.shutter_s > motion.subject_cap_s * (1 + 1e-6) else "")
        kind = "burst" if frames <= _SHORT_BURST else "long-burst"
        numbers = {"frames": frames, "keep_rate": keep, "confidence": confidence}
        ways.append(Alternative(kind, setting, predicted, price, numbers, frames=frames))
    return ways


def _wanted(bounds: Bounds, choice: Choice, available: Dials) -> Setting:
    """Return what freezing, depth and sharpness ask for, with the nearest ISO there is."""
    return _exposed(bounds.ev100, choice.wanted_shutter_s, choice.wanted_f_number, available)


def _within_limit(bounds: Bounds, available: Dials) -> Dials:
    """Return the dials with the ISO values up to the limit."""
    limit = usable_iso(bounds.iso_limit, available)
    return replace(available, iso=tuple(iso for iso in available.iso if iso <= limit * (1 + 1e-6)))


def _with_higher_iso(
    bounds: Bounds, choice: Choice, available: Dials, predict: Predict, wanted_snr: float
) -> list[Alternative]:
    setting = choice.setting
    limit = usable_iso(bounds.iso_limit, available)
    above = math.log2(setting.iso / limit)
    if above <= 1e-6 or choice.opened or choice.slowed:
        return []
    predicted = predict(setting)
    price = f"ISO {nominal_iso(setting.iso):.0f}, {above:.1f} stops above the limit of ISO {nominal_iso(limit):.0f}: "
    price += (
        "the noise there was not measured"
        if predicted.snr is None
        else f"SNR {predicted.snr:.1f} instead of {wanted_snr:g} at mid-grey"
    )
    numbers = {"above_limit_stops": above, "snr": predicted.snr, "snr_wanted": wanted_snr}
    return [Alternative("higher-iso", setting, predicted, price, numbers)]


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


def _exposed(ev100: float, shutter_s: float, f_number: float, available: Dials) -> Setting:
    iso, error = available.best_iso(ev100, f_number, shutter_s)
    return Setting(shutter_s, f_number, iso, error)


def _first_fitting(
    ev100: float, candidates: list[tuple[float, float]], available: Dials
) -> tuple[Setting | None, float]:
    """Return the first (shutter_s, f_number) that is exposed within a sixth of a stop, else the last, and
    what is missing.
    """
    setting = None
    for shutter_s, f_number in candidates:
        setting = _exposed(ev100, shutter_s, f_number, available)
        if setting.error_stops >= -1 / 6 - 1e-6:
            return setting, 0.0
    return setting, 0.0 if setting is None else -setting.error_stops


def _span(predicted: Predicted) -> str:
    far = predicted.far_m
    if far == predicted.near_m:
        return "nowhere"
    return f"from {predicted.near_m:.2f} m to " + ("infinity" if far is None or math.isinf(far) else f"{far:.2f} m")


def _depth(predicted: Predicted) -> float | None:
    if predicted.near_m is None or predicted.far_m is None or math.isinf(predicted.far_m):
        return None
    return predicted.far_m - predicted.near_m


def _rate(motion: Motion, shutter_s: float) -> str:
    rate = motion.keep_rate(shutter_s)
    return "an unknown share" if rate is None else percent(rate)


def _subject_smear(motion: Motion, shutter_s: float) -> str:
    if shutter_s <= motion.subject_cap_s * (1 + 1e-6):
        return ""
    return f"; the subject smears: it wants {format_shutter(dial_shutter(motion.subject_cap_s))} or faster"


def _rest(remaining: float) -> str:
    return f"; {remaining:.1f} stops are still missing" if remaining > 0 else ""
