"""A plan as a short letter for the terminal. Pure standard library; the lines are plain text."""

from __future__ import annotations

import math
from collections.abc import Callable

from kitgauge.exposure import format_f_number, format_shutter, nominal_iso
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


def plan_text(plan: Plan) -> str:
    """Return the plan as text: settings first, then why, what to expect, ways out, and where the numbers come
    from.
    """
    lines = [_settings_line(plan.setting), f"for {_light(plan)}", ""]
    lines += [f"  {sentence}" for sentence in plan.reasons.values()]
    lines += ["", _binds_line(plan)]
    if plan.optics.focus_m is not None:
        lines.append(f"Focus at {plan.optics.focus_m:.2f} m.")
    lines += ["Expect: " + "; ".join(expectations(plan.predicted)) + "."]
    if plan.burst_frames is not None and plan.burst_frames > 1:
        lines.append(
            f"Shoot {plan.burst_frames} frames to have one sharp with {plan.request.confidence:.0%} confidence."
        )
    if abs(plan.exposure_error_stops) > 0.005:
        side = "brighter" if plan.exposure_error_stops > 0 else "darker"
        lines.append(f"The dials expose {abs(plan.exposure_error_stops):.2f} stops {side} than the light asks for.")
    if plan.alternatives:
        lines += ["", "Ways out, best first:"]
        for number, way in enumerate(plan.alternatives, 1):
            lines += [f"  {number}. {_settings_line(way.setting)}", f"     {way.price}"]
    lines += ["", "Where the numbers come from:"]
    for name, because in plan.basis.items():
        run = f" [{because.run}]" if because.run else ""
        lines.append(f"  {name}: {because.basis}: {because.text}{run}")
    if plan.measure_next:
        lines += ["", "To be surer, measure:", *(f"  {item}" for item in plan.measure_next)]
    if plan.cautions:
        lines += ["", *(f"Caution: {item}" for item in plan.cautions)]
    return "\n".join(lines) + "\n"


def _light(plan: Plan) -> str:
    source = plan.light.source
    return source if source.startswith("EV ") else f"{source} (EV {plan.light.ev100:.1f} at ISO 100)"


def expectations(predicted: Predicted) -> list[str]:
    """Return what is predicted, one phrase each; what is not known is said so."""
    said = []
    if predicted.keep_rate is None:
        said.append("keep rate not measured")
    else:
        said.append(f"{_share(predicted.keep_rate)} of frames sharp{_interval(predicted.keep_rate_interval, _share)}")
    if predicted.snr is None:
        said.append("noise not measured")
    else:
        said.append(f"SNR {predicted.snr:.1f} at mid-grey{_interval(predicted.snr_interval, '{:.1f}'.format)}")
    if predicted.mtf50_cy_per_px is not None:
        said.append(
            f"MTF50 {predicted.mtf50_cy_per_px:.3f} cycles/pixel{_interval(predicted.mtf50_interval, '{:.3f}'.format)}"
        )
    if predicted.near_m is not None and predicted.far_m is not None:
        far = "infinity" if math.isinf(predicted.far_m) else f"{predicted.far_m:.2f} m"
        said.append(f"sharp from {predicted.near_m:.2f} m to {far}")
    return said


def _settings_line(setting: Setting) -> str:
    return (
        f"{format_shutter(setting.shutter_s)}, {format_f_number(setting.f_number)}, ISO {nominal_iso(setting.iso):.0f}"
    )


def _binds_line(plan: Plan) -> str:
    if plan.binds is None:
        return "Nothing binds: there is room on every side."
    stops = plan.binds_stops[plan.binds]
    words = _BOUND_WORDS[plan.binds]
    if plan.choice.faster or plan.choice.closed:
        return f"There is light to spare for every limit. The narrowest bound is {words}."
    if plan.binds == "noise":
        return f"What binds: {words}; {stops:.1f} stops of light are missing to keep every limit."
    return f"What binds: {words}; without it there would be {stops:.1f} stops of light to spare."


def _interval(interval: Interval, form: Callable[[float], str]) -> str:
    if interval is None:
        return ""
    low, high = form(interval[0]), form(interval[1])
    return "" if low == high else f" ({low} to {high})"


def _share(share: float) -> str:
    """Return a share in per cent; never 100 % or 0 % for what is only near it."""
    if 0.995 <= share < 1:
        return "over 99%"
    return "under 1%" if 0 < share < 0.005 else f"{share:.0%}"
