"""A plan as a short letter for the terminal. Pure standard library; the lines are plain text."""

from __future__ import annotations

import math
from collections.abc import Callable

from kitgauge.exposure import (
    f_number_dial,
    format_exact_f_number,
    format_f_number,
    format_shutter,
    iso_dial,
    nominal_iso,
    percent,
)
from kitgauge.limits.several import wrapped
from kitgauge.planner.alternatives import MOST_FRAMES, settings_dict
from kitgauge.planner.basis import GIVEN, PRACTICE
from kitgauge.planner.choose import Setting
from kitgauge.planner.plan import Plan
from kitgauge.planner.predict import Interval, Predicted

_BOUND_WORDS = {
    "hands": "your hands",
    "subject": "the subject's movement",
    "depth": "the depth that must be sharp",
    "sharpness": "the sharp range of the lens",
    "noise": "noise, that is the ISO limit",
}
_SMALLEST_ERROR_STOPS = 0.1


def plan_text(plan: Plan) -> str:
    """Return the plan as text of lines of at most 100 characters where words allow.

    First what cannot be had, then settings, why, what to expect, ways out, and where the numbers come from.
    """
    lines = _depth_headline(plan)
    lines += [_settings_line(plan.setting), *wrapped(f"for {_light(plan)}", "", "  "), ""]
    for sentence in plan.reasons.values():
        lines += wrapped(sentence, "  ", "    ")
    lines += ["", *wrapped(_binds_line(plan), "", "  ")]
    if plan.without_movement is not None:
        said = (
            "'still' means a person holding still. If nothing moves, add --subject 0: "
            f"{_settings_line(plan.without_movement)}."
        )
        lines += wrapped(said, "", "  ")
    if plan.optics.focus_m is not None:
        lines.append(f"Focus at {plan.optics.focus_m:.2f} m.")
    lines += wrapped("Expect: " + "; ".join(expectations(plan.predicted)) + ".", "", "  ")
    if plan.burst_frames is not None and plan.burst_frames > 1:
        sure = f"one sharp with {percent(plan.request.confidence)} confidence"
        few = plan.burst_frames <= MOST_FRAMES
        lines.append(
            f"Shoot {plan.burst_frames} frames to have {sure}."
            if few
            else f"Not even {MOST_FRAMES} frames hold {sure}."
        )
    if abs(plan.exposure_error_stops) >= _SMALLEST_ERROR_STOPS:
        side = "brighter" if plan.exposure_error_stops > 0 else "darker"
        lines.append(f"The dials expose {abs(plan.exposure_error_stops):.1f} stops {side} than the light asks for.")
    lines += _ways(plan)
    lines += ["", "Where the numbers come from:"]
    for name, because in plan.basis.items():
        run = f" [{because.run}]" if because.run else ""
        basis = "as asked" if because.basis == GIVEN else because.basis
        lines += wrapped(f"{name}: {basis}: {because.full_text}{run}", "  ", "    ")
    if plan.measure_next:
        lines += ["", "To be surer, measure:", *(f"  {item}" for item in plan.measure_next)]
    if plan.cautions:
        lines.append("")
    for item in plan.cautions:
        lines += wrapped(f"Caution: {item}", "", "  ")
    return "\n".join(lines) + "\n"


def _ways(plan: Plan) -> list[str]:
    """Return the ways out, numbered; what repeats the settings of the plan itself is told without them."""
    if not plan.alternatives:
        return []
    lines, number = ["", "Ways out, best first:"], 0
    kept: list[str] = []
    for way in plan.alternatives:
        same = settings_dict(way.setting) == settings_dict(plan.setting)
        if same and way.frames == 1:
            kept += wrapped(f"Or keep the settings above: {way.price}", "  ", "     ")
            continue
        number += 1
        lines.append(f"  {number}. {'The settings above' if same else _settings_line(way.setting)}")
        lines += wrapped(way.price, "     ", "     ")
    return lines + kept


def _depth_headline(plan: Plan) -> list[str]:
    """Return what must be said first where near and far end are not both in focus; nothing where they are."""
    optics = plan.optics
    if not plan.choice.depth_shortfall_stops > 0 or optics.near_m is None or optics.far_m is None:
        return []
    asked = f"{optics.near_m:g} m to {_far(optics.far_m, 'g')} in focus"
    best, missing = optics.f_number_for_depth()
    dial = f_number_dial()
    number = dial.exact[dial.nearest(best)]
    near, far = optics.near_and_far(number)
    if missing > 0:
        said = f"No f-number has {asked} at {optics.focal_mm:g} mm: {format_f_number(number)} {_reach(near, far)}."
    else:
        reach = _reach(plan.predicted.near_m, plan.predicted.far_m)
        said = f"{format_f_number(plan.setting.f_number)} does not have {asked}: it {reach}; "
        said += f"{format_exact_f_number(best)} would be needed."
    return [*wrapped(said, "", "  "), ""]


def _reach(near_m: float | None, far_m: float | None) -> str:
    if near_m is None or far_m is None or near_m == far_m:
        return "leaves even the point of focus softer than this picture wants"
    return f"reaches {near_m:.2f} m to {_far(far_m, '.2f')}"


def _far(far_m: float, form: str) -> str:
    return "infinity" if math.isinf(far_m) else f"{far_m:{form}} m"


def _light(plan: Plan) -> str:
    source = plan.light.source
    return source if source.startswith("EV ") else f"{source} (EV {plan.light.ev100:.1f} at ISO 100)"


def expectations(predicted: Predicted) -> list[str]:
    """Return what is predicted, one phrase each; what is not known is said so."""
    said = []
    if predicted.keep_rate is None:
        said.append("keep rate not measured")
    else:
        said.append(f"{percent(predicted.keep_rate)} of frames sharp{_interval(predicted.keep_rate_interval, percent)}")
    if predicted.snr is None:
        said.append("noise not measured")
    else:
        interval = _interval(predicted.snr_interval, "{:.1f}".format, last_digit=0.1)
        said.append(f"SNR {predicted.snr:.1f} at mid-grey{interval}")
    if predicted.mtf50_cy_per_px is not None:
        interval = _interval(predicted.mtf50_interval, "{:.3f}".format, last_digit=0.001)
        said.append(f"MTF50 {predicted.mtf50_cy_per_px:.3f} cycles/pixel{interval}")
    if predicted.near_m is not None and predicted.far_m is not None:
        span = f"sharp from {predicted.near_m:.2f} m to {_far(predicted.far_m, '.2f')}"
        said.append("not quite sharp at any distance" if predicted.near_m == predicted.far_m else span)
    return said


def _settings_line(setting: Setting) -> str:
    return (
        f"{format_shutter(setting.shutter_s)}, {format_f_number(setting.f_number)}, ISO {nominal_iso(setting.iso):.0f}"
    )


def _binds_line(plan: Plan) -> str:
    choice = plan.choice
    if plan.binds == "noise":
        stops = plan.binds_stops["noise"]
        return f"What binds: {_BOUND_WORDS['noise']}; {stops:.1f} stops of light are missing to keep every limit."
    short = choice.overexposed_stops + choice.underexposed_stops + choice.depth_shortfall_stops
    said = [] if short > 0 or not choice.frozen else [_room_line(plan)]
    if plan.binds is None:
        return " ".join(said) or "No bound is tighter than another."
    words = _BOUND_WORDS[plan.binds]
    if choice.faster or choice.closed:
        said.append(f"There is light to spare for every limit. The narrowest bound is {words}.")
    else:
        stops = plan.binds_stops[plan.binds]
        said.append(f"What binds: {words}; without it there would be {stops:.1f} stops of light to spare.")
    return " ".join(said)


def _room_line(plan: Plan) -> str:
    """Return how far the ISO lies below its limit, where nothing is short."""
    dial, iso = iso_dial(), plan.setting.iso
    index = dial.at_most(plan.inputs.noise.iso_limit)
    below = 0.0 if index is None else math.log2(dial.exact[index] / iso)
    whose = "the usual limit" if plan.inputs.noise.because.basis == PRACTICE else "your limit"
    marked = f"ISO {nominal_iso(iso):.0f}"
    if below < 0.05:
        return f"Nothing is short: {marked} is at {whose}."
    return f"Nothing is short: {marked} is {below:.1f} stops below {whose}."


def _interval(interval: Interval, form: Callable[[float], str], last_digit: float = 0.0) -> str:
    """Return an interval in brackets; nothing for one that is narrower than the last digit shown."""
    if interval is None or interval[1] - interval[0] < last_digit:
        return ""
    low, high = form(interval[0]), form(interval[1])
    return "" if low == high else f" ({low} to {high})"
