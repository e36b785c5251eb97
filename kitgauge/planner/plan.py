"""The plan: settings for a subject in a light, what binds, what to expect, and the ways out.

Pure standard library, so that the command answers at once.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kitgauge.exposure import format_f_number, format_shutter, nominal_iso
from kitgauge.planner.basis import GIVEN, MEASURED, PRACTICE, Because
from kitgauge.planner.bursts import Burst, frames_for, frames_in_one_burst
from kitgauge.planner.choose import Bounds, Choice, Dials, Setting, choose, dials
from kitgauge.planner.depth_of_field import (
    CIRCLE_OUTPUT_MP,
    circle_of_confusion_mm,
    focus_for,
    require_outside_focal_length,
)
from kitgauge.planner.inputs import Inputs, resolve
from kitgauge.planner.kit_model import KitModel
from kitgauge.planner.light import FrameLight, Light, checked_light, parse_light
from kitgauge.planner.optics import Optics
from kitgauge.planner.predict import Predicted, predict
from kitgauge.planner.request import CameraFacts, PlanRequest
from kitgauge.planner.sentences import cautions, measure_next, optical_cautions, reasons
from kitgauge.planner.viewing import Viewing, aberration_of, aberration_stderr_of
from kitgauge.planner.way_out import Alternative, settings_dict

if TYPE_CHECKING:
    from kitgauge.limits.entries import AcceptedLimit

SCHEMA = 1


@dataclass(frozen=True)
class Plan:
    """The answer to one request.

    `setting` holds exact values; `as_dict` gives the marked ones of the dials. `binds` names the input that
    sets the bounds most ("hands", "subject", "depth", "sharpness", "noise"), None where none does;
    `binds_stops` how many stops of light each would free if it alone did not count. `exposure_error_stops` >
    0 is too bright. `basis` says per input where its bound comes from. `without_movement`: the settings on a
    tripod for what does not move at all, None where that makes no difference.
    """

    request: PlanRequest
    light: Light
    inputs: Inputs
    optics: Optics
    bounds: Bounds
    available: Dials
    setting: Setting
    choice: Choice
    predicted: Predicted
    binds: str | None
    binds_stops: Mapping[str, float]
    alternatives: tuple[Alternative, ...]
    basis: Mapping[str, Because]
    reasons: Mapping[str, str]
    cautions: tuple[str, ...]
    measure_next: tuple[str, ...]
    burst: Burst
    without_movement: Setting | None = None

    @property
    def exposure_error_stops(self) -> float:
        """How far the settings expose above (+) or below (-) what the light asks for [stops]."""
        return self.setting.error_stops

    @property
    def burst_frames(self) -> int | None:
        """How many frames to shoot, one by one, for the wanted keepers; None where no number is known to do."""
        return self.burst.frames

    @property
    def shortfall_stops(self) -> float:
        """How many stops of light are missing to keep every limit; 0 where all are kept."""
        return self.choice.shortfall_stops

    def text(self) -> str:
        """Return the plan as a short letter for the terminal."""
        from kitgauge.planner.text import plan_text

        return plan_text(self)

    def explained(self) -> str:
        """Return the letter with each choice explained in two sentences, and the f-numbers beside each other."""
        from kitgauge.planner.text import explained_text

        return explained_text(self)

    def as_dict(self) -> dict[str, Any]:
        """Return the plan as plain values for JSON (NaN and infinity do not occur)."""
        from kitgauge.planner.f_numbers import compare_f_numbers, sharpest
        from kitgauge.planner.why import why

        best = sharpest(self)
        return {
            "schema": SCHEMA,
            "settings": settings_dict(self.setting),
            "exposure_error_stops": self.exposure_error_stops,
            "binds": self.binds,
            "binds_stops": dict(self.binds_stops),
            "predicted": self.predicted.as_dict(),
            "shortfall_stops": self.shortfall_stops,
            "overexposed_stops": self.choice.overexposed_stops,
            "underexposed_stops": self.choice.underexposed_stops,
            "depth_shortfall_stops": self.choice.depth_shortfall_stops,
            "alternatives": [way.as_dict() for way in self.alternatives],
            "basis": {name: because.basis for name, because in self.basis.items()},
            "basis_text": {name: because.full_text for name, because in self.basis.items()},
            "basis_run": {name: because.run for name, because in self.basis.items()},
            "reasons": dict(self.reasons),
            "cautions": list(self.cautions),
            "light": {"ev100": self.light.ev100, "source": self.light.source},
            "focus_m": self.optics.focus_m,
            "focal_mm": self.optics.focal_mm,
            "circle_of_confusion_mm": self.optics.viewing.circle_mm,
            "technique": self.inputs.technique,
            "keep_wanted": self.inputs.motion.keep,
            "burst": self.burst.as_dict(),
            "measure_next": list(self.measure_next),
            "why": why(self),
            "sharpest_f_number": None if best is None else best.as_dict()["f_number"],
            "f_numbers": [row.as_dict() for row in compare_f_numbers(self)],
        }


def make_plan(
    request: PlanRequest,
    limits: Sequence[AcceptedLimit] = (),
    camera: CameraFacts | None = None,
    model: KitModel | None = None,
    read_frame: Callable[[Path], FrameLight] | None = None,
) -> Plan:
    """Return settings for `request`, from accepted `limits` where measured and common practice where not.

    `model` holds the curves behind the limits, for predictions; `read_frame` reads the light of a frame
    (default: through kitgauge.frames). Raises UsageError or PlanError for a request that is impossible or
    contradicts itself or the limits.
    """
    request = request.checked()
    given = camera is not None
    camera = (camera or CameraFacts()).exact()
    model = model or KitModel()
    light = _light(request, read_frame)
    inputs = resolve(request, limits, camera, model)
    optics, depth_because = _optics(request, inputs, model, camera)
    f_depth, depth_missing_stops = optics.f_number_for_depth()
    bounds = Bounds(
        ev100=light.ev100 - request.nd_stops + request.highlight_margin_stops,
        motion=inputs.motion,
        f_depth=f_depth,
        depth_missing_stops=depth_missing_stops,
        f_sharp_low=inputs.sharp.low,
        f_sharp_high=inputs.sharp.high,
        # a margin for the highlights takes the same from the light on the scene's mid-grey
        iso_limit=inputs.noise.iso_limit * 2**-request.highlight_margin_stops,
        f_focus=0.0 if inputs.focus is None else inputs.focus.f_number,
    )
    available = dials(camera)
    choice = choose(bounds, available)

    def prediction(setting: Setting) -> Predicted:
        return predict(setting, inputs, optics, model)

    predicted = prediction(choice.setting)
    binds, binds_stops = what_binds(bounds, choice, available)
    basis = {
        "hands": inputs.hands,
        "subject": inputs.subject,
        "depth": depth_because,
        "sharpness": inputs.sharp.because,
        **({} if inputs.focus is None else {"focus": inputs.focus.because}),
        "noise": inputs.noise.because,
        "frame": inputs.frame,
        "camera": _camera_because(camera, given),
    }
    return Plan(
        request=request,
        light=light,
        inputs=inputs,
        optics=optics,
        bounds=bounds,
        available=available,
        setting=choice.setting,
        choice=choice,
        predicted=predicted,
        binds=binds,
        binds_stops=binds_stops,
        alternatives=_ways_out(request, inputs, bounds, choice, available, prediction),
        basis=basis,
        reasons=reasons(bounds, choice, inputs, available),
        cautions=(
            *light.cautions,
            *cautions(light, request, inputs, bounds, choice),
            *optical_cautions(optics, predicted),
            *model.notes,
        ),
        measure_next=measure_next(
            basis,
            next((item for item in model.streaks if item.run == inputs.hands.run), None),
            inputs.motion.keep,
            subject_binds=binds == "subject",
        ),
        burst=_burst(request, inputs, predicted, choice.setting),
        without_movement=_without_movement(request, bounds, choice, available),
    )


def _without_movement(request: PlanRequest, bounds: Bounds, choice: Choice, available: Dials) -> Setting | None:
    """Return the settings on a tripod for a thing that does not move at all, where a person holding still was
    planned for only because no subject was named; None where they are the same.
    """
    if request.subject != "still" or not math.isinf(bounds.motion.hands_cap_s):
        return None
    nothing_moves = replace(bounds.motion, subject_cap_s=math.inf, streak_per_s=0.0, subject=None)
    setting = choose(replace(bounds, motion=nothing_moves), available).setting
    return None if setting == choice.setting else setting


def _ways_out(
    request: PlanRequest,
    inputs: Inputs,
    bounds: Bounds,
    choice: Choice,
    available: Dials,
    prediction: Callable[[Setting], Predicted],
) -> tuple[Alternative, ...]:
    """Return the ways out, none where nothing is short."""
    if not (choice.short or choice.closed):
        return ()
    from kitgauge.planner.alternatives import ways_out  # only where something is short: it costs start-up time

    still = request.subject == "still"
    wanted_snr = inputs.noise.wanted_snr
    return ways_out(
        bounds, choice, available, prediction, request.confidence, wanted_snr, still=still, keepers=request.keepers
    )


def _burst(request: PlanRequest, inputs: Inputs, predicted: Predicted, setting: Setting) -> Burst:
    """Return how many frames to shoot for the wanted keepers."""
    keepers, confidence, motion = request.keepers, request.confidence, inputs.motion
    low, focused = predicted.sharp_rate_low, predicted.focused_rate
    together = None
    if motion.hands is not None and motion.hands.burst_spread > 0:

        def within(factor: float) -> float | None:
            rate = motion.keep_rate_in_burst(setting.shutter_s, factor)
            return rate if rate is None or focused is None else rate * focused

        together = frames_in_one_burst(keepers, confidence, within)
    return Burst(
        keepers,
        confidence,
        frames_for(keepers, confidence, predicted.sharp_rate),
        None if low is None else frames_for(keepers, confidence, low),
        together,
    )


def _camera_because(camera: CameraFacts, given: bool) -> Because:
    if camera.measured_range is not None:
        return Because(MEASURED, f"{camera.measured_range} were measured; the plan goes no further")
    text = (
        f"ISO {nominal_iso(camera.iso_min):.0f} to {nominal_iso(camera.iso_max):.0f}, "
        f"{format_f_number(camera.f_min)} to {format_f_number(camera.f_max)}, "
        f"{format_shutter(camera.shutter_fastest_s)} to {format_shutter(camera.shutter_slowest_s)}"
    )
    return Because(GIVEN, text) if given and camera != CameraFacts().exact() else Because(PRACTICE, text + " assumed")


def what_binds(bounds: Bounds, choice: Choice, available: Dials) -> tuple[str | None, dict[str, float]]:
    """Return the input that binds, and the stops each would free if it alone did not count.

    Noise binds wherever the ISO limit is exceeded; else the input that frees most.
    """
    motion = bounds.motion
    slowest, widest = available.shutter_s[-1], available.f_number[0]
    hands, subject = (min(cap, slowest) for cap in (motion.hands_cap_s, motion.subject_cap_s))
    numbers = {"depth": bounds.f_depth, "sharpness": bounds.f_sharp_low, "focus": bounds.f_focus}
    stops = {
        "hands": max(math.log2(subject / hands), 0.0),
        "subject": max(math.log2(hands / subject), 0.0),
        **{name: _freed(name, numbers, widest) for name in numbers},
        "noise": choice.shortfall_stops,
    }
    if choice.shortfall_stops > 0:
        return "noise", stops
    name = max(stops, key=lambda item: stops[item])
    return (name if stops[name] > 1e-6 else None), stops


def _freed(name: str, numbers: Mapping[str, float], widest: float) -> float:
    """Return the stops that one bound of the f-number alone takes."""
    others = max(widest, *(number for other, number in numbers.items() if other != name))
    return max(2 * math.log2(max(numbers[name], widest) / others), 0.0)


def _light(request: PlanRequest, read_frame: Callable[[Path], FrameLight] | None) -> Light:
    if request.ev100 is not None:
        return checked_light(Light(request.ev100, f"EV {request.ev100:g} at ISO 100"), f"{request.ev100:g}")
    return parse_light(request.light or "", read_frame)


def _optics(request: PlanRequest, inputs: Inputs, model: KitModel, camera: CameraFacts) -> tuple[Optics, Because]:
    """Return the optics, and the basis of what counts as sharp in depth."""
    output_mp, sharp = inputs.noise.output_mp, inputs.sharp
    circle = circle_of_confusion_mm(inputs.frame_diagonal_mm, output_mp)
    near, far = request.near_m, request.far_m
    pitch_um = camera.pixel_pitch_um or model.pixel_pitch_um
    errors = model.mtf50_errors(sharp.lens, inputs.focal_mm, sharp.region)
    mtf50 = tuple((number, value) for number, value, _ in errors)
    aberration = () if pitch_um is None else aberration_of(mtf50, pitch_um)
    stderr = () if pitch_um is None else aberration_stderr_of(errors, pitch_um)
    viewing = Viewing(circle, aberration, stderr)
    if near is None or far is None:
        nothing = Because(GIVEN, "no distance was given, so depth of field sets no bound")
        return Optics(inputs.focal_mm, viewing, None), nothing
    require_outside_focal_length(near, inputs.focal_mm)
    rule = f"frame diagonal/1500, for a picture of {CIRCLE_OUTPUT_MP:g} MP"
    if output_mp != CIRCLE_OUTPUT_MP:
        rule += f", made {'larger' if output_mp < CIRCLE_OUTPUT_MP else 'smaller'} for one of {output_mp:.3g} MP"
    text = f"a point may be blurred to {circle * 1000:.0f} µm on the sensor ({rule}), with "
    because = Because(PRACTICE, text + "an ideal lens and diffraction; this lens was not measured")
    if aberration:
        because = Because(MEASURED, text + "diffraction and the measured sharpness", sharp.because.run)
    focus = request.distance_m if near == far and request.distance_m is not None else focus_for(near, far)
    return Optics(inputs.focal_mm, viewing, focus, near, far), because
