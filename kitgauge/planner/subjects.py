"""What the subject's movement asks of the shutter: measured and named, given as a speed, or by rule of thumb.

Pure standard library.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from kitgauge.errors import UsageError
from kitgauge.exposure import exact_shutter_s, format_shutter
from kitgauge.planner.basis import GIVEN, PRACTICE, Because
from kitgauge.planner.depth_of_field import magnification
from kitgauge.planner.kit_model import KitModel
from kitgauge.planner.motion import Hands
from kitgauge.planner.request import SUBJECT_SHUTTER_S, PlanRequest, subject_speed_mm_s
from kitgauge.planner.steadiness import extra, subject_steadiness

if TYPE_CHECKING:
    from kitgauge.limits.entries import AcceptedLimit

_SUBJECT_SHARE = 0.5  # of the frame's diagonal that a subject is taken to fill (own choice)


def of_subject(accepted: AcceptedLimit) -> bool:
    """Tell whether a shutter limit was measured on a moving subject, the camera on a tripod."""
    return accepted.limit.kind == "shutter" and accepted.limit.extra.get("role") == "subject"


def subject_label(accepted: AcceptedLimit) -> str:
    """Return what a plan may call a measured subject."""
    return str(accepted.limit.extra.get("subject") or accepted.limit.technique or "measured")


def named_subjects(request: PlanRequest, limits: Sequence[AcceptedLimit]) -> list[AcceptedLimit]:
    """Return the limits of the subject that the request names; none where it names one of the words, or a speed."""
    if not isinstance(request.subject, str):
        return []
    asked = request.subject.strip().casefold()
    return [item for item in limits if of_subject(item) and subject_label(item).casefold() == asked]


def subject_bound(
    request: PlanRequest,
    limits: Sequence[AcceptedLimit],
    model: KitModel,
    focal_mm: float,
    streak_mm: float,
    keep: float,
    diagonal_mm: float,
) -> tuple[Hands | None, float, float, Because]:
    """Return (spread of a measured subject, slowest shutter [s], streak limits per second, basis).

    Of several limits of one name that in mm/s is taken, then the nearest in focal length, then the last accepted.
    """
    named = named_subjects(request, limits)
    distance = request.distance_m or request.near_m
    if named:
        _refuse_direction(request)

        def rank(item: AcceptedLimit) -> tuple[bool, float, float]:
            away = abs(math.log2(focal_mm / (item.limit.focal_mm or focal_mm)))
            return extra(item, "mm_per_px") is None, round(away, 3), -item.accepted_at.timestamp()

        best = min(named, key=rank)
        spread, because = subject_steadiness(best, model, focal_mm, distance, streak_mm, request.keep)
        return spread, spread.slowest_s(keep), 0.0, because
    known = tuple(dict.fromkeys(subject_label(item) for item in limits if of_subject(item)))
    speed = subject_speed_mm_s(request.subject, known)
    if speed is None:
        _refuse_direction(request)
        marked = SUBJECT_SHUTTER_S[str(request.subject)]
        text = f"a {request.subject} subject wants {format_shutter(marked)} or faster"
        return None, exact_shutter_s(marked), 0.0, Because(PRACTICE, text)
    if speed == 0:
        return None, math.inf, 0.0, Because(GIVEN, "the subject does not move")
    if distance is None:
        raise UsageError(
            "the subject's speed needs its distance",
            where="--subject",
            got=f"{speed:g} mm/s, no distance",
            needed="--distance M, or --near M --far M",
            fix="give the distance at which it passes",
        )
    image_mm_s = image_speed_mm_s(speed, distance, focal_mm, diagonal_mm, request.direction_deg)
    cap = math.inf if image_mm_s == 0 else streak_mm / image_mm_s
    how = "" if request.direction_deg is None else f", {_direction_words(request.direction_deg)},"
    text = (
        f"{speed:.4g} mm/s at {distance:g} m{how} moves {image_mm_s:.3g} mm/s on the sensor; "
        f"it may smear {streak_mm:.3f} mm"
    )
    return None, cap, image_mm_s / streak_mm, Because(GIVEN, text)


def image_speed_mm_s(
    speed_mm_s: float, distance_m: float, focal_mm: float, diagonal_mm: float, direction_deg: float | None
) -> float:
    """Return how fast the picture of a subject moves on the sensor [mm/s].

    Across the line of sight: speed x magnification. Along it the picture grows or shrinks: a point at the height h from
    the middle of the frame moves h v / s (h = m y, dh/dt = h v / s for a lens focal lengths away). The subject is taken
    to fill half of the frame's diagonal, h = diagonal / 4, and its fastest point counts, where both add.
    """
    angle = math.radians(90.0 if direction_deg is None else direction_deg)
    across, along = speed_mm_s * math.sin(angle), speed_mm_s * abs(math.cos(angle))
    growth = 0.0 if direction_deg is None else diagonal_mm * _SUBJECT_SHARE / 2 * along / (distance_m * 1000)
    return across * magnification(focal_mm, distance_m) + growth


def _direction_words(direction_deg: float) -> str:
    if abs(direction_deg - 90) < 0.5:
        return "straight across"
    if min(direction_deg, 180 - direction_deg) < 0.5:
        return "straight towards or away"
    return f"at {direction_deg:g} degrees to the line of sight"


def _refuse_direction(request: PlanRequest) -> None:
    """Raise UsageError where a direction is given that says nothing."""
    if request.direction_deg is not None:
        raise UsageError(
            "a direction needs a speed",
            where="--direction",
            got=f"{request.direction_deg:g} degrees, --subject {request.subject}",
            needed="the speed of the subject beside it",
            fix="for example --subject 5km/h --direction 0, or leave --direction out",
        )
