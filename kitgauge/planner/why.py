"""Why these settings: each choice in two sentences that need no knowledge of photography beforehand.

The first says what the setting does, the second why it has this value here. Pure standard library.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from kitgauge.exposure import format_f_number, format_shutter, nominal_iso, percent
from kitgauge.planner.choose import usable_iso

if TYPE_CHECKING:
    from kitgauge.planner.plan import Plan

TITLES = {"shutter_s": "Shutter", "f_number": "Aperture", "iso": "ISO", "focus": "Focus", "frames": "Frames"}


def why(plan: Plan) -> dict[str, str]:
    """Return two sentences per choice, keyed as in TITLES."""
    said = {"shutter_s": _shutter(plan), "f_number": _aperture(plan), "iso": _iso(plan)}
    if plan.optics.focus_m is not None:
        said["focus"] = _focus(plan)
    frames = _frames(plan)
    return {**said, "frames": frames} if frames else said


def _shutter(plan: Plan) -> str:
    time, choice, motion = format_shutter(plan.setting.shutter_s), plan.choice, plan.inputs.motion
    what = "The shutter time is how long the sensor sees the scene, and all that moves meanwhile is smeared"
    if choice.slowed:
        here = f"{time} is longer than is good for that, but at any shorter time the picture would be too dark"
    elif math.isinf(motion.hands_cap_s) and math.isinf(motion.subject_cap_s):
        here = f"here neither camera nor subject moves, so it may be {time}, as long as clean, low ISO asks for"
        if not choice.faster:
            here = f"here neither camera nor subject moves, so it may be {time}, the longest on the dial"
    elif choice.faster:
        here = f"there is plenty of light, so {time} can be shorter than hands and subject need"
    elif not choice.frozen:
        here = f"{time} is the shortest this camera has, and the subject still smears"
    elif motion.hands_cap_s <= motion.subject_cap_s:
        kept = "" if plan.predicted.keep_rate is None else f" in {percent(plan.predicted.keep_rate)} of frames"
        here = f"{time} is the longest at which the shake of your hands stays too small to see{kept}"
    else:
        here = f"{time} is the longest at which the subject's own movement stays too small to see"
    return f"{what}. {_capital(here)}."


def _aperture(plan: Plan) -> str:
    number, choice, bounds = format_f_number(plan.setting.f_number), plan.choice, plan.bounds
    what = (
        "The f-number sets how wide the lens opens: a low one gathers much light and keeps a thin slice of distances "
        "sharp, a high one the opposite"
    )
    if choice.opened:
        here = f"{number} opens wider than sharpness asks for, because there is not enough light otherwise"
    elif choice.closed:
        here = f"{number} is closed further than needed, because there is too much light even for the shortest time"
    elif bounds.f_depth > plan.setting.f_number * (1 + 1e-6):
        here = f"{number} is the highest there is, and still not all from near to far is sharp"
    elif plan.binds_stops["depth"] > 0:
        here = f"{number} is the lowest at which near and far end are both sharp, so no light is given away"
    elif plan.binds_stops["focus"] > 0:
        here = f"{number} is the lowest at which your focusing hits often enough"
    elif plan.setting.f_number <= plan.available.f_number[0] * (1 + 1e-6):
        here = f"{number} is the widest this lens opens, and it is sharp there"
    else:
        here = f"{number} is the lowest at which the lens draws crisply, so no light is given away"
    return f"{what}. {_capital(here)}."


def _iso(plan: Plan) -> str:
    iso, choice = nominal_iso(plan.setting.iso), plan.choice
    what = "ISO is how much the camera brightens what it caught, and with it the grain called noise"
    limit = nominal_iso(usable_iso(plan.bounds.iso_limit, plan.available))
    if choice.overexposed_stops > 0:
        here = f"even the lowest, {iso:.0f}, makes this picture too bright"
    elif choice.underexposed_stops > 0:
        here = f"even the highest, {iso:.0f}, leaves this picture too dark"
    elif choice.shortfall_stops > 0:
        here = f"this light needs ISO {iso:.0f}, which is noisier than the limit of ISO {limit:.0f} allows"
    elif choice.faster or plan.setting.iso <= plan.available.iso[0] * (1 + 1e-6):
        here = f"there is enough light for ISO {iso:.0f}, the cleanest this camera has"
    else:
        here = f"ISO {iso:.0f} makes up for the light that shutter and aperture leave out"
        here += f", and is not above the limit of ISO {limit:.0f}"
    return f"{what}. {_capital(here)}."


def _focus(plan: Plan) -> str:
    optics = plan.optics
    what = "A lens is sharpest at one distance and less so before and behind it"
    if optics.near_m == optics.far_m:
        here = f"the subject has no depth to speak of, so focus on it at {optics.focus_m:.2f} m"
    else:
        here = f"at {optics.focus_m:.2f} m near and far end are equally sharp, and the far side gets the larger share"
    return f"{what}. {_capital(here)}."


def _frames(plan: Plan) -> str:
    burst, rate = plan.burst, plan.predicted.sharp_rate
    if rate is None or burst.frames is None or burst.frames <= burst.keepers:
        return ""
    wanted = "one" if burst.keepers == 1 else str(burst.keepers)
    return (
        f"No hands are steady every time: {percent(rate)} of frames come out sharp. Of {burst.frames} frames, {wanted} "
        f"or more are sharp in {percent(burst.confidence)} of all tries."
    )


def _capital(sentence: str) -> str:
    return sentence if sentence.startswith("f/") else sentence[:1].upper() + sentence[1:]
