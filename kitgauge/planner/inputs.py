"""From accepted limits to the bounds of one plan: measured where measured, scaled or common practice where
not.

Pure standard library. Each bound says its basis: "measured run", "scaled" (measured at another focal length
or criterion and carried over), "common practice", or "given" by who asks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from kitgauge.errors import PlanError
from kitgauge.limits.criteria import STREAK_DIAGONAL_FRACTION
from kitgauge.limits.viewing import print_megapixels
from kitgauge.planner.basis import GIVEN, MEASURED, PRACTICE, Because
from kitgauge.planner.kit_model import KitModel
from kitgauge.planner.lens_bound import FocusBound, SharpBound, focus_bound, sharp_bound
from kitgauge.planner.motion import Motion
from kitgauge.planner.noise_bound import NoiseBound, noise_bound
from kitgauge.planner.request import FULL_FRAME_DIAGONAL_MM, FULL_FRAME_MM, CameraFacts, PlanRequest
from kitgauge.planner.subjects import named_subjects, subject_bound
from kitgauge.planner.support import hands_bound

if TYPE_CHECKING:
    from kitgauge.limits.entries import AcceptedLimit

PRACTICE_FOCAL_35MM = 50.0


class Inputs(NamedTuple):
    """Everything the choice needs. `focus` is None where focusing was not measured."""

    focal_mm: float
    frame_diagonal_mm: float
    motion: Motion
    technique: str | None
    hands: Because
    subject: Because
    sharp: SharpBound
    noise: NoiseBound
    frame: Because
    focus: FocusBound | None = None
    margin_stops: float = 0.0  # kept free for the highlights


def resolve(request: PlanRequest, limits: Sequence[AcceptedLimit], camera: CameraFacts, model: KitModel) -> Inputs:
    """Return the bounds for a checked request; PlanError or UsageError where the limits do not fit it."""
    _require_one_body(limits, camera)
    request = _with_picture(request, camera, model)
    diagonal = camera.frame_diagonal_mm or model.frame_diagonal_mm
    frame = Because(
        PRACTICE if diagonal is None else GIVEN if camera.frame_diagonal_mm else MEASURED,
        "frame size not known: 36 x 24 mm assumed" if diagonal is None else f"frame diagonal {diagonal:.1f} mm",
    )
    diagonal = diagonal or FULL_FRAME_DIAGONAL_MM
    known_focal = request.focal_mm or _only_focal(limits)
    focal_mm = known_focal or PRACTICE_FOCAL_35MM * diagonal / FULL_FRAME_DIAGONAL_MM
    hands = hands_bound(request, limits, model, focal_mm, diagonal, known_focal is not None)
    streak_px, keep = hands.streak_px, hands.keep
    named = named_subjects(request, limits)
    if named and hands.hands is None:  # on a tripod, or by rule of thumb: what was sharp enough of the subject
        streak_px = named[0].limit.criterion.get("streak_px")
        keep = request.keep or named[0].limit.criterion.get("keep", keep)
    streak_mm = diagonal * STREAK_DIAGONAL_FRACTION
    pitch_um = camera.pixel_pitch_um or model.pixel_pitch_um
    if streak_px is not None and pitch_um is not None:
        streak_mm = streak_px * pitch_um / 1000
    spread, subject_cap_s, streak_per_s, subject_because = subject_bound(
        request, limits, model, focal_mm, streak_mm, keep, diagonal
    )
    return Inputs(
        focal_mm=focal_mm,
        frame_diagonal_mm=diagonal,
        motion=Motion(hands.hands, hands.cap_s, subject_cap_s, streak_per_s, keep, spread, streak_mm),
        technique=hands.technique,
        hands=hands.because,
        subject=subject_because,
        sharp=sharp_bound(request, limits, focal_mm),
        noise=noise_bound(request, limits, camera, model),
        frame=frame,
        focus=focus_bound(request, limits, model, focal_mm),
        margin_stops=request.highlight_margin_stops,
    )


def _with_picture(request: PlanRequest, camera: CameraFacts, model: KitModel) -> PlanRequest:
    """Return the request with the megapixels that an eye resolves of the print it names, at most the sensor's."""
    long_cm, seen_from_cm = request.print_long_side_cm, request.viewing_distance_cm
    if long_cm is None or seen_from_cm is None:
        return request
    sides = (camera.frame_height_mm or FULL_FRAME_MM[1], camera.frame_width_mm or FULL_FRAME_MM[0])
    if camera.frame_width_mm is None and model.frame_px is not None:
        sides = model.frame_px
    shape = round(1000 * sides[0]), round(1000 * sides[1])
    megapixels = print_megapixels(long_cm, seen_from_cm, shape)
    pixels = camera.sensor_pixels or model.sensor_pixels
    return replace(request, output_mp=megapixels if pixels is None else min(megapixels, pixels / 1e6))


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
