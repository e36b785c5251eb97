"""Ways out that give up something in the picture: depth, sharp frames, noise, or a little of each.

Pure standard library.
"""

from __future__ import annotations

import math
from dataclasses import replace

from kitgauge.exposure import dial_shutter, format_exact_f_number, format_shutter, nominal_iso, percent
from kitgauge.planner.bursts import frames_for
from kitgauge.planner.choose import EXPOSURE_TOLERANCE_STOPS, Bounds, Choice, Dials, Setting, usable_iso
from kitgauge.planner.mixed import mixed_setting
from kitgauge.planner.motion import Motion
from kitgauge.planner.predict import Predicted
from kitgauge.planner.way_out import MOST_FRAMES, Alternative, Predict, still_missing

_SHORT_BURST = 10


def with_wider_aperture(bounds: Bounds, choice: Choice, available: Dials, predict: Predict) -> list[Alternative]:
    """Return a wider aperture, with the depth and sharpness it costs."""
    wanted = _wanted(bounds, choice, available)
    wider = [number for number in reversed(available.f_number) if number < wanted.f_number * (1 - 1e-6)]
    candidates = [(wanted.shutter_s, number) for number in wider]
    setting, remaining = _first_fitting(bounds.ev100, candidates, _within_limit(bounds, available))
    if setting is None:
        return []
    if remaining > 0:  # wide open is not enough: the rest is ISO, as far as it goes
        setting = _exposed(bounds.ev100, setting.shutter_s, setting.f_number, available)
        if setting.error_stops < -EXPOSURE_TOLERANCE_STOPS - 1e-6:
            return []
    before, after = predict(wanted), predict(setting)
    opened = 2 * math.log2(wanted.f_number / setting.f_number)
    price = f"{opened:.1f} stops wider"
    if before.near_m is not None and after.near_m is not None:
        price += f": sharp {_span(after)} instead of {_span(before)}"
    if setting.f_number < bounds.f_sharp_low * (1 - 1e-6):
        price += f"; wider than the sharp range, which starts at {format_exact_f_number(bounds.f_sharp_low)}"
    price += still_missing(remaining)
    numbers = {"opened_stops": opened, "depth_m": _depth(after), "depth_before_m": _depth(before)}
    return [Alternative("wider-aperture", setting, after, price, numbers, remaining_stops=remaining)]


def with_slower_shutter(
    bounds: Bounds, choice: Choice, available: Dials, predict: Predict, asked: tuple[int, float], still: bool
) -> list[Alternative]:
    """Return a slower shutter, with the sharp frames it costs, and a burst that makes up for them.

    `asked`: keepers and the confidence to have them.
    """
    wanted = _wanted(bounds, choice, available)
    slower = [time for time in available.shutter_s if time > wanted.shutter_s * (1 + 1e-6)]
    candidates = [(time, wanted.f_number) for time in slower]
    setting, remaining = _first_fitting(bounds.ev100, candidates, _within_limit(bounds, available))
    if setting is None or remaining > 0:
        return []
    predicted = predict(setting)
    stops = math.log2(setting.shutter_s / wanted.shutter_s)
    keep, motion = predicted.keep_rate, bounds.motion
    price = f"{stops:.1f} stops slower{_kept_words(motion, keep, wanted.shutter_s)}"
    price += _subject_smear(motion, setting.shutter_s)
    numbers: dict[str, float | None] = {"slower_stops": stops, "keep_rate": keep}
    ways = [Alternative("slower-shutter", setting, predicted, price, numbers)]
    (keepers, confidence), sharp = asked, predicted.sharp_rate
    frames = frames_for(keepers, confidence, sharp)
    # a still person moves by chance, as hands do: a burst catches a quiet moment up to about two stops slower
    subject_may_hold = motion.subject_cap_s * (4 if motion.streak_per_s == 0 and still else 1)
    if (
        sharp is not None
        and frames is not None
        and keepers < frames <= max(MOST_FRAMES, 3 * keepers)
        and setting.shutter_s <= subject_may_hold * (1 + 1e-6)
    ):
        price = (
            f"{frames} frames at {format_shutter(setting.shutter_s)}: at least {keepers_words(keepers)} sharp with "
            f"{percent(confidence)} confidence ({percent(sharp)} of frames are)"
        ) + (", if the subject holds still" if setting.shutter_s > motion.subject_cap_s * (1 + 1e-6) else "")
        kind = "burst" if frames <= _SHORT_BURST else "long-burst"
        numbers = {"frames": frames, "keepers": keepers, "keep_rate": keep, "confidence": confidence}
        ways.append(Alternative(kind, setting, predicted, price, numbers, frames=frames))
    return ways


def with_some_of_each(
    bounds: Bounds,
    choice: Choice,
    available: Dials,
    predict: Predict,
    asked: tuple[int, float],
    wanted_snr: float,
) -> list[Alternative]:
    """Return the way out that spreads the gap over aperture, shutter and ISO, each giving up a little."""
    wanted = _wanted(bounds, choice, available)
    limit = usable_iso(bounds.iso_limit, available)
    setting = mixed_setting(bounds.ev100, wanted, limit, available, choice.shortfall_stops)
    if setting is None:
        return []
    opened = 2 * math.log2(wanted.f_number / setting.f_number)
    slower = math.log2(setting.shutter_s / wanted.shutter_s)
    above = math.log2(setting.iso / limit)
    before, after = predict(wanted), predict(setting)
    parts = []
    if opened > 1e-6:
        depth = "" if before.near_m is None or after.near_m is None else f" (sharp {_span(after)})"
        parts.append(f"{opened:.1f} stops wider{depth}")
    if slower > 1e-6:
        smear = _subject_smear(bounds.motion, setting.shutter_s).removeprefix("; ")
        kept = _kept_words(bounds.motion, after.keep_rate, wanted.shutter_s).removeprefix(": ")
        told = "; ".join(part for part in (kept, smear) if part)
        parts.append(f"{slower:.1f} stops slower{f' ({told})' if told else ''}")
    if above > 1e-6:
        noise = "not measured" if after.snr is None else f"SNR {after.snr:.1f} instead of {wanted_snr:g}"
        parts.append(f"ISO {above:.1f} stops above the limit ({noise})")
    frames = frames_for(*asked, after.sharp_rate)
    price = "a little of each: " + ", ".join(parts)
    if frames is not None and asked[0] < frames <= MOST_FRAMES:
        price += f"; {frames} frames for {keepers_words(asked[0]).split()[0]} sharp"
    numbers: dict[str, float | None] = {
        "opened_stops": opened, "slower_stops": slower, "above_limit_stops": above,
        "keep_rate": after.keep_rate, "snr": after.snr, "depth_m": _depth(after),
    }  # fmt: skip
    return [
        Alternative("mixed", setting, after, price, numbers, frames=frames if frames and frames <= MOST_FRAMES else 1)
    ]


def with_higher_iso(
    bounds: Bounds, choice: Choice, available: Dials, predict: Predict, wanted_snr: float
) -> list[Alternative]:
    """Return an ISO above the limit, with the SNR it costs."""
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


def _kept_words(motion: Motion, keep: float | None, before_s: float) -> str:
    if math.isinf(motion.hands_cap_s):
        return ""
    if keep is None:
        return ": how many frames stay sharp is not known before handheld-shutter was measured"
    return f": {percent(keep)} of frames sharp instead of {_rate(motion, before_s)}"


def _rate(motion: Motion, shutter_s: float) -> str:
    rate = motion.keep_rate(shutter_s)
    return "an unknown share" if rate is None else percent(rate)


def _subject_smear(motion: Motion, shutter_s: float) -> str:
    if shutter_s <= motion.subject_cap_s * (1 + 1e-6):
        return ""
    return f"; the subject smears: it wants {format_shutter(dial_shutter(motion.subject_cap_s))} or faster"


def _span(predicted: Predicted) -> str:
    far = predicted.far_m
    if far == predicted.near_m:
        return "nowhere"
    return f"from {predicted.near_m:.2f} m to " + ("infinity" if far is None or math.isinf(far) else f"{far:.2f} m")


def _depth(predicted: Predicted) -> float | None:
    if predicted.near_m is None or predicted.far_m is None or math.isinf(predicted.far_m):
        return None
    return predicted.far_m - predicted.near_m


def _first_fitting(
    ev100: float, candidates: list[tuple[float, float]], available: Dials
) -> tuple[Setting | None, float]:
    """Return the first (shutter_s, f_number) that is exposed within a sixth of a stop, else the last, and
    what is missing.
    """
    setting = None
    for shutter_s, f_number in candidates:
        setting = _exposed(ev100, shutter_s, f_number, available)
        if setting.error_stops >= -EXPOSURE_TOLERANCE_STOPS - 1e-6:
            return setting, 0.0
    return setting, 0.0 if setting is None else -setting.error_stops


def _wanted(bounds: Bounds, choice: Choice, available: Dials) -> Setting:
    """Return what freezing, depth and sharpness ask for, with the nearest ISO there is."""
    return _exposed(bounds.ev100, choice.wanted_shutter_s, choice.wanted_f_number, available)


def _within_limit(bounds: Bounds, available: Dials) -> Dials:
    """Return the dials with the ISO values up to the limit."""
    limit = usable_iso(bounds.iso_limit, available)
    return replace(available, iso=tuple(iso for iso in available.iso if iso <= limit * (1 + 1e-6)))


def _exposed(ev100: float, shutter_s: float, f_number: float, available: Dials) -> Setting:
    iso, error = available.best_iso(ev100, f_number, shutter_s)
    return Setting(shutter_s, f_number, iso, error)


def keepers_words(keepers: int) -> str:
    """Return so many keepers with their verb: 'one is', '3 are'."""
    return "one is" if keepers == 1 else f"{keepers} are"
