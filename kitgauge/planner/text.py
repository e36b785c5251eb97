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
    nominal_f_number,
    nominal_iso,
    percent,
)
from kitgauge.limits.several import wrapped
from kitgauge.planner.basis import GIVEN, PRACTICE
from kitgauge.planner.choose import Setting
from kitgauge.planner.plan import Plan
from kitgauge.planner.predict import Interval, Predicted
from kitgauge.planner.way_out import MOST_FRAMES, settings_dict

_BOUND_WORDS = {
    "hands": "your hands",
    "subject": "the subject's movement",
    "depth": "the depth that must be sharp",
    "sharpness": "the sharp range of the lens",
    "focus": "focusing, as measured",
    "noise": "noise, that is the ISO limit",
}
_PLACES = {"near": "near end", "focus": "focus", "far": "far end"}
_SMALLEST_ERROR_STOPS = 0.1
_SEEN_CONTRAST = 0.03  # smaller differences of contrast are not seen (common practice, no source)


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
    for sentence in (sharpness_line(plan.predicted), _sharpest_line(plan), _burst_line(plan)):
        lines += wrapped(sentence, "", "  ") if sentence else []
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


def sharpness_line(predicted: Predicted) -> str:
    """Return the contrast of fine detail at each place, in words; nothing where it is not known."""
    found = predicted.sharpness
    if found is None or not predicted.contrast:
        return ""
    near, far = predicted.contrast["near"], predicted.contrast["far"]
    places = ["focus"] if near == far == predicted.contrast["focus"] else list(found.contrast)
    parts = []
    for place in places:
        interval = None if found.interval is None else found.interval[place]
        value = max(found.contrast[place], 0.0)
        parts.append(f"{_PLACES[place]} {percent(value)}{_interval(interval, percent, last_digit=0.01)}")
    blurs = "lens and depth" if found.motion is None else "lens, depth and movement"
    return f"Contrast of the finest detail seen, after {blurs}: {', '.join(parts)}; under half it looks soft."


def _sharpest_line(plan: Plan) -> str:
    """Return which f-number is the sharpest over all places, where that is another than the plan's."""
    from kitgauge.planner.f_numbers import f_number_row, sharpest

    best = sharpest(plan)
    if best is None or settings_dict(plan.setting)["f_number"] == nominal_f_number(best.f_number):
        return ""
    own = f_number_row(plan, plan.setting.f_number)
    if best.sharpness.worst - own.sharpness.worst < _SEEN_CONTRAST:
        return ""
    stops = 2 * math.log2(best.f_number / plan.setting.f_number)
    where = "in focus" if plan.optics.near_m == plan.optics.far_m else "at the softest place"
    cost = f"it takes {stops:.1f} stops more light" if stops > 0 else f"it lets in {-stops:.1f} stops more light"
    if best.above_limit_stops > 0.05 or best.exposure_error_stops < -0.2:
        cost += " than there is within the limits"
    return (
        f"Sharpest of all: {format_f_number(best.f_number)}, {percent(max(best.sharpness.worst, 0.0))} {where} instead "
        f"of {percent(max(own.sharpness.worst, 0.0))} at {format_f_number(plan.setting.f_number)}; {cost}."
    )


def _burst_line(plan: Plan) -> str:
    """Return how many frames to shoot, where one does not do."""
    burst, rate = plan.burst, plan.predicted.sharp_rate
    if rate is None or burst.frames == burst.keepers:
        return ""
    wanted = "one" if burst.keepers == 1 else str(burst.keepers)
    sure = f"{wanted} sharp with {percent(burst.confidence)} confidence"
    most = max(MOST_FRAMES, 3 * burst.keepers)
    if burst.frames is None or burst.frames > most:
        return f"Not even {most} frames hold {sure}."
    said = f"Shoot {burst.frames} frames to have {sure}"
    if burst.at_low_end is not None and burst.at_low_end > burst.frames:
        said += f"; {burst.at_low_end} if your keep rate lies at the low end"
    if burst.in_one_burst is not None and burst.in_one_burst > burst.frames:
        said += f"; {burst.in_one_burst} in one burst, whose frames share part of their movement"
    return f"{said}."


def explained_text(plan: Plan) -> str:
    """Return the letter with each choice explained, and the f-numbers beside each other."""
    from kitgauge.planner.f_numbers import compare_f_numbers
    from kitgauge.planner.why import TITLES, why

    lines = [plan_text(plan).rstrip("\n"), "", "Why:"]
    for name, sentences in why(plan).items():
        lines += wrapped(f"{TITLES[name]}: {sentences}", "  ", "    ")
    rows = compare_f_numbers(plan)
    places = list(rows[0].sharpness.contrast)
    time = format_shutter(plan.setting.shutter_s)
    lines += ["", f"f-numbers beside each other, at {time}: contrast of the finest detail seen"]
    lines.append("  " + f"{'':8}" + "".join(f"{_PLACES[place]:>10}" for place in places) + f"{'ISO':>9}")
    for row in rows:
        own = " *" if row.f_number == plan.setting.f_number else ""
        shares = "".join(f"{percent(max(row.sharpness.contrast[place], 0.0)):>10}" for place in places)
        note = f"  {row.above_limit_stops:.1f} stops above the limit" if row.above_limit_stops > 0.05 else ""
        if abs(row.exposure_error_stops) > 0.2:
            side = "bright" if row.exposure_error_stops > 0 else "dark"
            note += f"{',' if note else ' '} {abs(row.exposure_error_stops):.1f} stops too {side}"
        lines.append(f"  {format_f_number(row.f_number) + own:8}{shares}{nominal_iso(row.iso):>9.0f}{note}")
    if not plan.optics.viewing.aberration:
        lines.append("  This lens was not measured: an ideal one is taken, limited by depth and diffraction alone.")
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
        kept = f"{percent(predicted.keep_rate)} of frames sharp{_interval(predicted.keep_rate_interval, percent)}"
        said.append(f"{kept}, carried on from the measured shutter times" if predicted.extrapolated else kept)
    if predicted.focused_rate is not None:
        hit = _interval(predicted.focused_interval, percent)
        said.append(f"{percent(predicted.focused_rate)} of frames focused well enough{hit}")
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
    index = dial.at_most(plan.bounds.iso_limit)
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
