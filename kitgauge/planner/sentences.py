"""The words of a plan: one reason per setting, cautions, and what to measure to be surer.

Pure standard library.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from kitgauge.exposure import (
    dial_shutter,
    exact_shutter_s,
    format_exact_f_number,
    format_f_number,
    format_shutter,
    nominal_iso,
    percent,
)
from kitgauge.planner.basis import GIVEN, MEASURED, PRACTICE, SCALED, Because
from kitgauge.planner.choose import Bounds, Choice, Dials, usable_iso
from kitgauge.planner.depth_of_field import magnification
from kitgauge.planner.inputs import Inputs
from kitgauge.planner.light import FULL_SUN_EV, Light
from kitgauge.planner.optics import Optics
from kitgauge.planner.predict import Predicted
from kitgauge.planner.request import TRIPOD, PlanRequest
from kitgauge.planner.streak_model import StreakSpread
from kitgauge.planner.viewing import HALF

_LONG_EXPOSURE_S = 1.0
_CLOSE_STOPS = 1 / 6


def reasons(bounds: Bounds, choice: Choice, inputs: Inputs, available: Dials) -> dict[str, str]:
    """Return one sentence for each setting, keyed as in the plan's settings."""
    return {
        "shutter_s": _shutter_reason(bounds, choice, inputs),
        "f_number": _f_number_reason(bounds, choice, inputs, available),
        "iso": _iso_reason(bounds, choice, inputs, available),
    }


def _shutter_reason(bounds: Bounds, choice: Choice, inputs: Inputs) -> str:
    time = format_shutter(choice.setting.shutter_s)
    motion = bounds.motion
    if choice.slowed:
        return (
            f"{time}: slower than hands and subject allow, because at the highest ISO and the widest aperture "
            "the picture would be too dark otherwise."
        )
    if math.isinf(motion.hands_cap_s) and math.isinf(motion.subject_cap_s):
        slow = "the lowest ISO asks for" if choice.faster else "the dial goes"
        return f"{time}: nothing moves, so the shutter is as slow as {slow}."
    if choice.faster:
        return f"{time}: faster than needed, because the lowest ISO still gathers enough light."
    if not choice.frozen:
        return f"{time}: the fastest there is, and still not fast enough: {inputs.subject.text}."
    hands_bind = motion.hands_cap_s <= motion.subject_cap_s
    because = inputs.hands if hands_bind else inputs.subject
    return f"{time}: the slowest that freezes hands and subject; {because.text} ({_asked(because)})."


def _f_number_reason(bounds: Bounds, choice: Choice, inputs: Inputs, available: Dials) -> str:
    number = choice.setting.f_number
    marked = format_f_number(number)
    sharp = inputs.sharp
    if choice.opened:
        return (
            f"{marked}: wider open than the depth and the sharp range want, because at the highest ISO the "
            "picture would be too dark otherwise."
        )
    if choice.closed:
        return (
            f"{marked}: closed further than needed, because the lowest ISO and the fastest shutter are "
            "still too bright."
        )
    if bounds.f_depth > number * (1 + 1e-6):
        return f"{marked}: the highest there is; the depth would need f/{bounds.f_depth:.0f}."
    if bounds.depth_missing_stops > 0:
        return f"{marked}: the best compromise between depth and diffraction; near and far end are not quite sharp."
    if bounds.f_focus > max(bounds.f_depth, bounds.f_sharp_low) and inputs.focus is not None:
        return f"{marked}: the lowest at which your focusing serves; {inputs.focus.because.text} (measured run)."
    if bounds.f_depth > bounds.f_sharp_low:
        tail = ""
        if number > bounds.f_sharp_high * (1 + 1e-6):
            beyond = format_exact_f_number(bounds.f_sharp_high)
            tail = f", though beyond {beyond} the whole picture gets softer by diffraction"
        return f"{marked}: the lowest that has near and far end in focus{tail}."
    if number > bounds.f_sharp_low * (1 + 1e-6) and number == available.f_number[0]:
        return f"{marked}: the widest aperture there is."
    return f"{marked}: the lowest in the sharp range; {sharp.because.text} ({_asked(sharp.because)})."


def _asked(because: Because) -> str:
    return "as asked" if because.basis == GIVEN else because.basis


def _iso_reason(bounds: Bounds, choice: Choice, inputs: Inputs, available: Dials) -> str:
    iso = nominal_iso(choice.setting.iso)
    noise = inputs.noise.because
    limit = usable_iso(bounds.iso_limit, available)
    if choice.overexposed_stops > 0:
        return f"ISO {iso:.0f}: the lowest; the picture is still {choice.overexposed_stops:.1f} stops too bright."
    if choice.underexposed_stops > 0:
        return f"ISO {iso:.0f}: the highest; the picture is still {choice.underexposed_stops:.1f} stops too dark."
    if choice.shortfall_stops > 0:
        return (
            f"ISO {iso:.0f}: what the exposure needs, {choice.shortfall_stops:.1f} stops more than the "
            "limit of "
            f"ISO {nominal_iso(limit):.0f} ({noise.basis}) leaves room for."
        )
    return f"ISO {iso:.0f}: what the exposure needs; the limit is ISO {nominal_iso(limit):.0f} ({noise.basis})."


def cautions(light: Light, request: PlanRequest, inputs: Inputs, bounds: Bounds, choice: Choice) -> tuple[str, ...]:
    """Return what to beware of, in the picture and around it."""
    said = []
    if light.ev100 >= FULL_SUN_EV - 0.5:
        said.append("Sunlight: never look or aim at the sun through optics without a filter made for it.")
    if inputs.technique == TRIPOD:
        said.append(
            "Tripod: keep it out of public ways, hold its strap in wind, and switch a stabiliser as the maker says."
        )
    if request.subject == "fast" or (_speed(request) or 0) > 5000:
        said.append("Fast vehicles and animals: keep your distance and follow local rules.")
    if choice.overexposed_stops > 0:
        said.append(
            f"Overexposed by {choice.overexposed_stops:.1f} stops at the camera's limits: use a neutral-density filter."
        )
    if choice.underexposed_stops > 0:
        said.append(
            f"Underexposed by {choice.underexposed_stops:.1f} stops at the camera's limits: more light is needed."
        )
    if choice.depth_shortfall_stops > 0:
        said.append(
            f"Near and far end are not both sharp: {choice.depth_shortfall_stops:.1f} stops of depth are missing."
        )
    if not choice.frozen and bounds.motion.subject_cap_s < choice.setting.shutter_s:
        said.append(
            f"The subject smears: it wants {format_shutter(dial_shutter(bounds.motion.subject_cap_s))} or faster."
        )
    if not choice.frozen and bounds.motion.hands_cap_s < choice.setting.shutter_s:
        said.append(f"The hands blur: they want {format_shutter(dial_shutter(bounds.motion.hands_cap_s))} or faster.")
    if choice.setting.shutter_s >= _LONG_EXPOSURE_S:
        said.append("Long exposure: release with a timer or a cable; noise that grows with time is not in the limits.")
    if request.stabiliser_stops > 0 and bounds.motion.subject_cap_s < bounds.motion.hands_cap_s:
        said.append("A stabiliser steadies the camera, not the subject: here the subject's movement decides.")
    if bounds.motion.lost_share > 0:
        said.append(
            f"{percent(bounds.motion.lost_share)} of the measured frames were lost at any shutter speed: no faster "
            "speed saves them; see the report of the run."
        )
    if request.distance_m is not None and request.near_m != request.far_m and not _speed(request):
        said.append("--distance is not used: with --near and --far the plan sets the focus between the two.")
    if request.nd_stops > 0:
        said.append(
            "Focus and frame before the filter goes on; a filter for photography does not make the sun safe to look at."
        )
    return tuple(said)


def optical_cautions(optics: Optics, predicted: Predicted) -> tuple[str, ...]:
    """Return what to beware of in focus: a lens too soft for the picture, and light lost at close
    distance.
    """
    said = []
    if predicted.contrast is not None and predicted.contrast["focus"] <= HALF:
        said.append(
            "At this f-number the lens is too soft for a picture of this size even in focus; nothing in it is sharp."
        )
    if optics.focus_m is not None:
        lost = 2 * math.log2(1 + magnification(optics.focal_mm, optics.focus_m))
        if lost > _CLOSE_STOPS:
            said.append(
                f"Close focus: a lens moved out this far loses {lost:.1f} stops of light; meter "
                "through the lens, or allow for it."
            )
    return tuple(said)


def measure_next(
    basis: Mapping[str, Because], spread: StreakSpread | None = None, keep: float = 0.8, *, subject_binds: bool = False
) -> tuple[str, ...]:
    """Return which protocols would replace common practice or scaled limits by measured ones, and which frames would
    narrow a measured one whose interval is open (`spread`: the blur fit behind it).
    """
    protocols = {"hands": "handheld-shutter", "noise": "noise-ladder", "sharpness": "aperture-sweep"}
    said = [
        f"kitgauge brief {protocol}  ({name}: {basis[name].basis} so far)"
        for name, protocol in protocols.items()
        if basis[name].basis in (PRACTICE, SCALED)
    ]
    if basis["hands"].basis == MEASURED and spread is not None:
        said += _more_frames(spread, keep)
    if subject_binds and basis["subject"].basis == PRACTICE:
        said.append("kitgauge brief subject-motion  (subject: common practice so far, and it decides the shutter)")
    return tuple(said)


def _more_frames(spread: StreakSpread, keep: float) -> list[str]:
    """Return which further frames would make a measured limit surer, where its interval is open or wide."""
    open_at = next((sides for share, sides in spread.open_sides if abs(share - keep) < 1e-6), ())
    if not open_at or not spread.next_shots:
        return []
    shots = ", ".join(f"{frames} at {format_shutter(exact_shutter_s(time))}" for time, frames in spread.next_shots[:3])
    sides = " and ".join(open_at)
    return [f"handheld-shutter again, more frames: {shots}  (the interval of your limit is open towards {sides} times)"]


def _speed(request: PlanRequest) -> float | None:
    try:
        return float(request.subject)
    except ValueError:
        return None
