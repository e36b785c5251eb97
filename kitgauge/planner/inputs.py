"""From accepted limits to the bounds of one plan: measured where measured, scaled or common practice where not.

Pure standard library. Each bound says its basis: "measured run", "scaled" (measured at another focal length or
criterion and carried over), "common practice", or "given" by who asks.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from kitgauge.errors import PlanError, UsageError
from kitgauge.exposure import exact_f_number, exact_iso, exact_shutter_s, format_f_number, format_shutter
from kitgauge.limits.compare import limit_stderr_stops
from kitgauge.limits.criteria import STREAK_DIAGONAL_FRACTION, Criteria
from kitgauge.limits.entries import AcceptedLimit
from kitgauge.planner.depth_of_field import magnification
from kitgauge.planner.kit_model import KitModel
from kitgauge.planner.motion import Hands, Motion
from kitgauge.planner.request import (
    FULL_FRAME_DIAGONAL_MM,
    SUBJECT_SHUTTER_S,
    TRIPOD,
    CameraFacts,
    PlanRequest,
    subject_speed_mm_s,
)

Basis = Literal["measured run", "scaled", "common practice", "given"]
MEASURED: Basis = "measured run"
SCALED: Basis = "scaled"
PRACTICE: Basis = "common practice"
GIVEN: Basis = "given"

PRACTICE_ISO_LIMIT = 3200.0  # common practice, no source
PRACTICE_SHARP_F_NUMBERS = (4.0, 11.0)  # common practice, no source
PRACTICE_FOCAL_35MM = 50.0
REGIONS = ("centre", "left", "right", "top", "bottom", "top-left", "top-right", "bottom-left", "bottom-right")
_SAME_FOCAL_STOPS = 0.05


@dataclass(frozen=True)
class Because:
    """Where a bound comes from: its basis, one sentence, and the run if there is one."""

    basis: Basis
    text: str
    run: str | None = None


@dataclass(frozen=True)
class NoiseBound:
    """Highest ISO (exact), and the SNR at an ISO: `snr(iso)` gives (value, low, high), NaN = not known."""

    iso_limit: float
    snr: Callable[[float], tuple[float, float, float]]
    wanted_snr: float
    output_mp: float
    because: Because


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
    streak_mm = diagonal * STREAK_DIAGONAL_FRACTION
    pitch_um = camera.pixel_pitch_um or model.pixel_pitch_um
    if streak_px is not None and pitch_um is not None:
        streak_mm = streak_px * pitch_um / 1000
    subject_cap_s, streak_per_s, subject_because = _subject(request, focal_mm, streak_mm)
    return Inputs(
        focal_mm=focal_mm,
        frame_diagonal_mm=diagonal,
        motion=Motion(hands, hands_cap_s, subject_cap_s, streak_per_s, keep),
        technique=technique,
        hands=hands_because,
        subject=subject_because,
        sharp=_sharp(request, limits, focal_mm),
        noise=_noise(request, limits, camera, model),
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
    request: PlanRequest, limits: Sequence[AcceptedLimit], model: KitModel, focal_mm: float, diagonal_mm: float
) -> tuple[Hands | None, float, str | None, Because, float | None, float]:
    """Return (steadiness, slowest shutter [s], technique, basis, streak limit [px], keep rate)."""
    measured = [limit for limit in limits if limit.limit.kind == "shutter"]
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
                fix="choose one of these, or measure it with `kitgauge run handheld-shutter ... --technique "
                f"{asked}`",
            )
    if not measured:
        focal_35mm = focal_mm * FULL_FRAME_DIAGONAL_MM / diagonal_mm
        text = f"1/(focal length in 35 mm terms) = 1/{focal_35mm:.0f} s; these hands were not measured"
        return None, 1 / focal_35mm, asked, Because(PRACTICE, text), None, keep
    candidates = []
    for accepted in measured:
        steady, because = _steadiness(accepted, model, focal_mm, request.keep)
        wanted = request.keep or accepted.limit.criterion.get("keep", Criteria().keep)
        same = because.basis == MEASURED
        distance = abs(math.log2(focal_mm / (accepted.limit.focal_mm or focal_mm)))
        # the nearest focal length; of several techniques the one that asks for the faster shutter
        candidates.append(((not same, round(distance, 3), steady.slowest_s(wanted)), accepted, steady, because, wanted))
    _, accepted, steady, because, wanted = min(candidates, key=lambda item: item[0])
    return (
        steady, steady.slowest_s(wanted), accepted.limit.technique, because, accepted.limit.criterion.get("streak_px"),
        wanted,
    )  # fmt: skip


def _steadiness(
    accepted: AcceptedLimit, model: KitModel, focal_mm: float, keep_asked: float | None
) -> tuple[Hands, Because]:
    limit = accepted.limit
    time, keep = limit.value["shutter_s"], limit.criterion.get("keep", Criteria().keep)
    stderr = limit_stderr_stops(limit)
    spread = next((item for item in model.streaks if item.run == accepted.run), None)
    if spread is None:
        hands = Hands(time, keep, stderr)
    else:
        hands = Hands(time, keep, stderr, spread.family, spread.shape, spread.slope)
    at = f" at {limit.focal_mm:g} mm" if limit.focal_mm else ""
    text = f"{limit.technique or 'hands'}{at}: {format_shutter(time)} keeps {keep:.0%} of frames"
    basis: Basis = MEASURED
    if limit.focal_mm and abs(math.log2(focal_mm / limit.focal_mm)) > _SAME_FOCAL_STOPS:
        hands = hands.at_focal(limit.focal_mm, focal_mm)
        text += f", carried to {focal_mm:g} mm by angle"
        basis = SCALED
    if keep_asked is not None and abs(keep_asked - keep) > 1e-6 and spread is None:
        text += f", carried to {keep_asked:.0%} by the usual spread of streaks"
        basis = SCALED
    return hands, Because(basis, text, accepted.run)


def _subject(request: PlanRequest, focal_mm: float, streak_mm: float) -> tuple[float, float, Because]:
    """Return (slowest shutter [s], streak limits per second, basis)."""
    speed = subject_speed_mm_s(request.subject)
    if speed is None:
        marked = SUBJECT_SHUTTER_S[str(request.subject)]
        text = f"a {request.subject} subject wants {format_shutter(marked)} or faster"
        return exact_shutter_s(marked), 0.0, Because(PRACTICE, text)
    if speed == 0:
        return math.inf, 0.0, Because(GIVEN, "the subject does not move")
    distance = request.distance_m or request.near_m
    if distance is None:
        raise UsageError(
            "the subject's speed needs its distance",
            where="--subject",
            got=f"{speed:g} mm/s, no distance",
            needed="--distance M, or --near M --far M",
            fix="give the distance at which it passes",
        )
    image_mm_s = speed * magnification(focal_mm, distance)
    cap = math.inf if image_mm_s == 0 else streak_mm / image_mm_s
    text = f"{speed:g} mm/s at {distance:g} m moves {image_mm_s:.3g} mm/s on the sensor; it may smear {streak_mm:.3f} mm"
    return cap, image_mm_s / streak_mm, Because(GIVEN, text)


def _sharp(request: PlanRequest, limits: Sequence[AcceptedLimit], focal_mm: float) -> SharpBound:
    def rank(accepted: AcceptedLimit) -> tuple[bool, float]:
        return accepted.limit.region not in (None, "whole frame"), -accepted.accepted_at.timestamp()

    measured = [limit for limit in limits if limit.limit.kind == "f_number"]
    fitting = [
        limit
        for limit in measured
        if (request.lens is None or (limit.limit.lens or "").casefold() == request.lens.casefold())
        and (
            limit.limit.focal_mm is None or abs(math.log2(focal_mm / limit.limit.focal_mm)) < 2 * _SAME_FOCAL_STOPS
        )
    ]
    if fitting:
        best = min(fitting, key=rank)
        low, high = best.limit.value["f_number_low"], best.limit.value["f_number_high"]
        text = f"{best.limit.lens or 'this lens'} is sharp from {format_f_number(low)} to {format_f_number(high)}"
        because = Because(MEASURED, text, best.run)
        region = best.limit.region
        return SharpBound(low, high, best.limit.lens, region if region in REGIONS else "centre", because)
    low, high = (exact_f_number(value) for value in PRACTICE_SHARP_F_NUMBERS)
    text = "most lenses are sharp from f/4 to f/11; this one was not measured"
    if measured:
        known = sorted({f"{item.limit.lens or 'a lens'} {item.limit.focal_mm or 0:g} mm" for item in measured})
        text += f" at this focal length (measured: {', '.join(known)})"
    return SharpBound(low, high, request.lens, "centre", Because(PRACTICE, text))


def _noise(
    request: PlanRequest, limits: Sequence[AcceptedLimit], camera: CameraFacts, model: KitModel
) -> NoiseBound:
    defaults = Criteria()
    measured = [limit for limit in limits if limit.limit.kind == "iso"]
    wanted_mp, wanted_snr = request.output_mp, request.snr
    best = max(
        measured,
        key=lambda item: (
            _agrees(wanted_snr, item.limit.criterion.get("snr")) + _agrees(wanted_mp, item.limit.criterion.get("output_mp")),
            item.accepted_at,
        ),
        default=None,
    )
    mp0 = snr0 = math.nan
    if best is not None:
        snr0 = best.limit.criterion.get("snr", defaults.snr)
        mp0 = best.limit.criterion.get("output_mp", defaults.output_mp)
    output_mp = wanted_mp or (mp0 if best else defaults.output_mp)
    snr = wanted_snr or (snr0 if best else defaults.snr)
    pixels = camera.sensor_pixels or model.sensor_pixels
    predict = _snr_function(model, pixels, output_mp, best, snr0, mp0)
    if best is None:
        text = f"ISO {PRACTICE_ISO_LIMIT:.0f} is taken as the highest; this body was not measured"
        return NoiseBound(exact_iso(PRACTICE_ISO_LIMIT), predict, snr, output_mp, Because(PRACTICE, text))
    iso0 = best.limit.value["iso"]
    ratio = snr / snr0 * math.sqrt(output_mp / mp0)
    text = f"SNR {snr:g} for {output_mp:g} megapixels"
    if abs(math.log2(ratio)) < 1e-3:
        return NoiseBound(iso0, predict, snr, output_mp, Because(MEASURED, f"{text}: ISO {iso0:.0f}", best.run))
    iso, basis = _iso_for_ratio(model, iso0, ratio)
    text += f": ISO {iso:.0f}, from ISO {iso0:.0f} for SNR {snr0:g} and {mp0:g} megapixels"
    return NoiseBound(iso, predict, snr, output_mp, Because(basis, text, best.run))


def _agrees(wanted: float | None, given: float | None) -> bool:
    return wanted is not None and given is not None and math.isclose(wanted, given, rel_tol=1e-6)


def _iso_for_ratio(model: KitModel, iso0: float, ratio: float) -> tuple[float, Basis]:
    """Return the ISO with `ratio` times the SNR per pixel of `iso0`, on the measured curve, else by photon noise alone."""
    start, _ = model.snr_per_pixel(iso0)
    if math.isnan(start):
        return iso0 / ratio**2, SCALED
    low, high = model.noise[0][0], model.noise[-1][0]
    needed = start * ratio
    if model.snr_per_pixel(high)[0] >= needed:
        return high, MEASURED  # nothing is promised beyond what was measured
    if model.snr_per_pixel(low)[0] <= needed:
        return low, MEASURED
    for _ in range(60):  # SNR falls with ISO: halve the bracket in log ISO
        middle = math.sqrt(low * high)
        if model.snr_per_pixel(middle)[0] >= needed:
            low = middle
        else:
            high = middle
    return low, MEASURED


def _snr_function(
    model: KitModel, pixels: float | None, output_mp: float, best: AcceptedLimit | None, snr0: float, mp0: float
) -> Callable[[float], tuple[float, float, float]]:
    """Return the SNR of the picture at an ISO: from the curve and the pixel count, else relative to the limit."""

    def snr(iso: float) -> tuple[float, float, float]:
        value, error = model.snr_per_pixel(iso)
        if not math.isnan(value) and pixels is not None:
            factor = math.sqrt(pixels / (output_mp * 1e6))
            spread = 1.959963984540054 * error
            return value * factor, (value - spread) * factor, (value + spread) * factor
        if best is None:
            return math.nan, math.nan, math.nan
        iso0 = best.limit.value["iso"]
        start, _ = model.snr_per_pixel(iso0)
        # photon noise alone where there is no curve: SNR falls with the root of the exposure
        relative = math.sqrt(iso0 / iso) if math.isnan(value) or math.isnan(start) else value / start
        return snr0 * relative * math.sqrt(mp0 / output_mp), math.nan, math.nan

    return snr
