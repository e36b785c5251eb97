"""From accepted limits to the bounds of one plan: measured where measured, scaled or common practice where
not.

Pure standard library. Each bound says its basis: "measured run", "scaled" (measured at another focal length
or criterion and carried over), "common practice", or "given" by who asks.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from kitgauge.errors import PlanError, UsageError
from kitgauge.exposure import exact_f_number
from kitgauge.limits.criteria import STREAK_DIAGONAL_FRACTION, Criteria
from kitgauge.limits.entries import AcceptedLimit, sharp_range
from kitgauge.limits.several import labels
from kitgauge.planner.basis import GIVEN, MEASURED, PRACTICE, SCALED, Because
from kitgauge.planner.kit_model import KitModel
from kitgauge.planner.motion import Hands, Motion
from kitgauge.planner.noise_bound import NoiseBound, noise_bound
from kitgauge.planner.request import FULL_FRAME_DIAGONAL_MM, TRIPOD, CameraFacts, PlanRequest
from kitgauge.planner.steadiness import SAME_STOPS, steadiness
from kitgauge.planner.subjects import named_subjects, of_subject, subject_bound

PRACTICE_SHARP_F_NUMBERS = (4.0, 11.0)  # common practice, no source
PRACTICE_FOCAL_35MM = 50.0
REGIONS = ("centre", "left", "right", "top", "bottom", "top-left", "top-right", "bottom-left", "bottom-right")


@dataclass(frozen=True)
class SharpBound:
    """Range of sharp f-numbers (exact), and the `region` of the frame whose MTF50 is predicted."""

    low: float
    high: float
    lens: str | None
    region: str
    because: Because


@dataclass(frozen=True)
class Inputs:
    """Everything the choice needs."""

    focal_mm: float
    frame_diagonal_mm: float
    motion: Motion
    technique: str | None
    hands: Because
    subject: Because
    sharp: SharpBound
    noise: NoiseBound
    frame: Because


def resolve(request: PlanRequest, limits: Sequence[AcceptedLimit], camera: CameraFacts, model: KitModel) -> Inputs:
    """Return the bounds for a checked request; PlanError or UsageError where the limits do not fit it."""
    _require_one_body(limits, camera)
    diagonal = camera.frame_diagonal_mm or model.frame_diagonal_mm
    frame = Because(
        PRACTICE if diagonal is None else GIVEN if camera.frame_diagonal_mm else MEASURED,
        "frame size not known: 36 x 24 mm assumed" if diagonal is None else f"frame diagonal {diagonal:.1f} mm",
    )
    diagonal = diagonal or FULL_FRAME_DIAGONAL_MM
    focal_mm = request.focal_mm or _only_focal(limits) or PRACTICE_FOCAL_35MM * diagonal / FULL_FRAME_DIAGONAL_MM
    hands, hands_cap_s, technique, hands_because, streak_px, keep = _hands(request, limits, model, focal_mm, diagonal)
    named = named_subjects(request, limits)
    if named and hands is None:  # on a tripod, or by rule of thumb: what was sharp enough of the subject, often enough
        streak_px = named[0].limit.criterion.get("streak_px")
        keep = request.keep or named[0].limit.criterion.get("keep", keep)
    streak_mm = diagonal * STREAK_DIAGONAL_FRACTION
    pitch_um = camera.pixel_pitch_um or model.pixel_pitch_um
    if streak_px is not None and pitch_um is not None:
        streak_mm = streak_px * pitch_um / 1000
    spread, subject_cap_s, streak_per_s, subject_because = subject_bound(
        request, limits, model, focal_mm, streak_mm, keep
    )
    return Inputs(
        focal_mm=focal_mm,
        frame_diagonal_mm=diagonal,
        motion=Motion(hands, hands_cap_s, subject_cap_s, streak_per_s, keep, spread),
        technique=technique,
        hands=hands_because,
        subject=subject_because,
        sharp=_sharp(request, limits, focal_mm),
        noise=noise_bound(request, limits, camera, model),
        frame=frame,
    )


def _require_one_body(limits: Sequence[AcceptedLimit], camera: CameraFacts) -> None:
    bodies = sorted({limit.body for limit in limits})
    if len(bodies) > 1 or (camera.body is not None and bodies and bodies != [camera.body]):
        raise PlanError(
            "the limits belong to another body",
            got=", ".join(bodies),
            needed=camera.body or "limits of one body",
            fix="choose the kit with --kit, or measure this body",
        )


def _only_focal(limits: Sequence[AcceptedLimit]) -> float | None:
    focals = {limit.limit.focal_mm for limit in limits if limit.limit.focal_mm is not None}
    return focals.pop() if len(focals) == 1 else None


def _hands(
    request: PlanRequest,
    limits: Sequence[AcceptedLimit],
    model: KitModel,
    focal_mm: float,
    diagonal_mm: float,
) -> tuple[Hands | None, float, str | None, Because, float | None, float]:
    """Return (steadiness, slowest shutter [s], technique, basis, streak limit [px], keep rate)."""
    measured = [limit for limit in limits if limit.limit.kind == "shutter" and not of_subject(limit)]
    techniques = sorted({limit.limit.technique for limit in measured if limit.limit.technique})
    asked = request.technique
    keep = request.keep or Criteria().keep
    if asked is not None and asked.casefold() == TRIPOD and TRIPOD not in (item.casefold() for item in techniques):
        return None, math.inf, TRIPOD, Because(GIVEN, "on a tripod the hands set no limit"), None, keep
    if asked is not None and techniques:
        measured = [limit for limit in measured if (limit.limit.technique or "").casefold() == asked.casefold()]
        if not measured:
            raise UsageError(
                "this technique was not measured",
                where="--technique",
                got=asked,
                needed=", ".join([*techniques, TRIPOD]),
                fix=f"choose one of these, or measure it with `kitgauge run handheld-shutter ... --technique {asked}`",
            )
    if not measured:
        focal_35mm = focal_mm * FULL_FRAME_DIAGONAL_MM / diagonal_mm
        at = f"{focal_35mm:.0f} mm in 35 mm terms"
        if request.focal_mm is None and _only_focal(limits) is None:
            at += ", assumed as no focal length was given"
        text = f"by the rule of 1/(focal length), 1/{focal_35mm:.0f} s at {at}; these hands were not measured"
        return None, 1 / focal_35mm, asked, Because(PRACTICE, text), None, keep
    candidates = []
    for accepted in measured:
        steady, because = steadiness(accepted, model, focal_mm, request.keep)
        wanted = request.keep or accepted.limit.criterion.get("keep", Criteria().keep)
        same = because.basis == MEASURED
        distance = abs(math.log2(focal_mm / (accepted.limit.focal_mm or focal_mm)))
        # the nearest focal length; of several techniques the one that asks for the faster shutter
        candidates.append(((not same, round(distance, 3), steady.slowest_s(wanted)), accepted, steady, because, wanted))
    _, accepted, steady, because, wanted = min(candidates, key=lambda item: item[0])
    if asked is None and len(techniques) > 1:
        because = replace(
            because,
            note=f"of {', '.join(techniques)} the one that asks for the fastest shutter, as no --technique was given",
        )
    elif len(measured) > 1:
        because = replace(because, note=f"of {', '.join(labels(measured))} the one that fits best")
    return (
        steady,
        steady.slowest_s(wanted),
        accepted.limit.technique,
        because,
        accepted.limit.criterion.get("streak_px"),
        wanted,
    )


def _between_focal_lengths(limits: Sequence[AcceptedLimit], focal_mm: float) -> SharpBound | None:
    """Return the sharp range of a zoom at a focal length between two measured ones, None where it lies between none.

    `limits` are f-number limits, those to be preferred first. Both must be of the same lens, place and criterion; their
    ends are interpolated in log f-number against log focal length. Nothing is carried beyond the measured ones.
    """
    for first in limits:
        own = [
            item.limit
            for item in limits
            if (item.limit.lens, item.limit.region, item.limit.criterion)
            == (first.limit.lens, first.limit.region, first.limit.criterion)
        ]
        known = {limit.focal_mm: limit for limit in reversed(own) if limit.focal_mm is not None}
        below = max((focal for focal in known if focal < focal_mm), default=None)
        above = min((focal for focal in known if focal > focal_mm), default=None)
        if below is None or above is None:
            continue
        share = math.log(focal_mm / below) / math.log(above / below)
        low, high = (
            known[below].value[end] ** (1 - share) * known[above].value[end] ** share
            for end in ("f_number_low", "f_number_high")
        )
        text = (
            f"{first.limit.lens or 'this lens'} is sharp from {sharp_range(low, high)} at {focal_mm:g} mm, "
            f"interpolated between {below:g} and {above:g} mm"
        )
        region = first.limit.region
        because = Because(SCALED, text, first.run)
        return SharpBound(low, high, first.limit.lens, region if region in REGIONS else "centre", because)
    return None


def _sharp(request: PlanRequest, limits: Sequence[AcceptedLimit], focal_mm: float) -> SharpBound:
    def rank(accepted: AcceptedLimit) -> tuple[bool, bool, bool, float]:
        limit = accepted.limit
        developed = "rendered" in limit.flags  # holds for one picture style: only where raw files tell nothing
        by_picture = "picture_mtf" in limit.criterion  # made for one size of picture: only where there is no other
        return developed, by_picture, limit.region not in (None, "whole frame"), -accepted.accepted_at.timestamp()

    measured = [limit for limit in limits if limit.limit.kind == "f_number"]
    of_lens = [
        limit
        for limit in measured
        if request.lens is None or (limit.limit.lens or "").casefold() == request.lens.casefold()
    ]
    fitting = [
        limit
        for limit in of_lens
        if limit.limit.focal_mm is None or abs(math.log2(focal_mm / limit.limit.focal_mm)) < 2 * SAME_STOPS
    ]
    if fitting:
        best = min(fitting, key=rank)
        low, high = best.limit.value["f_number_low"], best.limit.value["f_number_high"]
        text = f"{best.limit.lens or 'this lens'} is sharp from {sharp_range(low, high)}"
        others = [item for item in fitting if rank(item)[:3] == rank(best)[:3]]
        note = f"of {len(others)} such limits ({', '.join(labels(others))}) the one accepted last"
        because = Because(MEASURED, text, best.run, note if len(others) > 1 else "")
        region = best.limit.region
        return SharpBound(low, high, best.limit.lens, region if region in REGIONS else "centre", because)
    between = _between_focal_lengths(sorted(of_lens, key=rank), focal_mm)
    if between is not None:
        return between
    low, high = (exact_f_number(value) for value in PRACTICE_SHARP_F_NUMBERS)
    text = "most lenses are sharp from f/4 to f/11; this one was not measured"
    if measured:
        known = sorted({f"{item.limit.lens or 'a lens'} {item.limit.focal_mm or 0:g} mm" for item in measured})
        text += f" at this focal length (measured: {', '.join(known)})"
    return SharpBound(low, high, request.lens, "centre", Because(PRACTICE, text))
