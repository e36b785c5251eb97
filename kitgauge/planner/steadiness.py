"""How a measured shutter limit stands for other keep rates, focal lengths and, of a subject, distances.

Pure standard library.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from kitgauge.exposure import format_exact_shutter, percent
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.interval_errors import limit_stderr_stops
from kitgauge.planner.basis import MEASURED, SCALED, Basis, Because
from kitgauge.planner.depth_of_field import magnification
from kitgauge.planner.kit_model import KitModel
from kitgauge.planner.motion import Hands
from kitgauge.planner.streaks import FAMILIES

if TYPE_CHECKING:
    from kitgauge.limits.entries import AcceptedLimit

SAME_STOPS = 0.05  # focal lengths, or magnifications, nearer than this count as the same
# forms of spread beyond these tell of no movement (as `kit_model` has it)
_SLOPES, _SHAPES = (0.05, 20.0), (1e-3, 1e3)


def known_spread(accepted: AcceptedLimit, model: KitModel) -> Hands:
    """Return the limit with the spread of its streaks: from its run, else as the limit itself tells, else the usual.

    A limit that is the slowest measured time only (`fitted_shutter_s` beyond it) is anchored where the fit has it: its
    keep rate at the slowest measured time is higher than asked for.
    """
    limit = accepted.limit
    at_s = max(limit.value["shutter_s"], extra(accepted, "fitted_shutter_s") or 0.0)
    hands = Hands(at_s, limit.criterion.get("keep", Criteria().keep), limit_stderr_stops(limit))
    spread = next((item for item in model.streaks if item.run == accepted.run), None)
    if spread is not None:
        return replace(
            hands,
            family=spread.family,
            shape=spread.shape,
            slope=spread.slope,
            bend=spread.bend,
            burst_spread=spread.burst_spread,
            reference_s=spread.reference_s,
            covariance=spread.covariance,
            measured_s=spread.measured_s,
            lost_share=spread.lost_share,
        )
    family, shape, slope = str(limit.extra.get("distribution")), extra(accepted, "shape"), extra(accepted, "slope")
    if family not in FAMILIES or shape is None or slope is None:
        return hands
    if not (_SLOPES[0] < slope < _SLOPES[1] and _SHAPES[0] < shape < _SHAPES[1]):
        return hands
    return replace(hands, family=family, shape=shape, slope=slope)


def has_spread(accepted: AcceptedLimit, model: KitModel) -> bool:
    """Tell whether the spread of the streaks behind a limit is known."""
    return any(item.run == accepted.run for item in model.streaks) or "distribution" in accepted.limit.extra


def extra(accepted: AcceptedLimit, name: str) -> float | None:
    """Return a further number of a limit, None where it is missing or impossible."""
    value = accepted.limit.extra.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1e12:
        return None
    return float(value)


def steadiness(
    accepted: AcceptedLimit, model: KitModel, focal_mm: float, keep_asked: float | None
) -> tuple[Hands, Because]:
    """Return the hands at a focal length, and the basis: the same angles as measured."""
    limit = accepted.limit
    hands = known_spread(accepted, model)
    at = f" at {limit.focal_mm:g} mm" if limit.focal_mm else ""
    kept = f"{format_exact_shutter(hands.limit_s)} keeps {percent(hands.limit_keep)} of frames"
    text = f"{limit.technique or 'hands'}{at}: {kept}"
    basis: Basis = MEASURED
    if limit.focal_mm and abs(math.log2(focal_mm / limit.focal_mm)) > SAME_STOPS:
        hands = hands.at_focal(limit.focal_mm, focal_mm)
        text += f", carried to {focal_mm:g} mm by angle: {_at_its_keep(hands)}"
        basis = SCALED
    said, basis = _at_keep(accepted, model, hands, keep_asked, basis)
    return hands, Because(basis, text + said, accepted.run)


def subject_steadiness(
    accepted: AcceptedLimit,
    model: KitModel,
    focal_mm: float,
    distance_m: float | None,
    streak_mm: float,
    keep_asked: float | None,
) -> tuple[Hands, Because]:
    """Return a measured subject at a focal length and distance, where its streak may be `streak_mm` on the sensor.

    What is carried over is its speed in mm/s: the streak allowed at the subject is `streak_mm` over the magnification,
    and streaks grow with the shutter time to the power of the measured slope. Where its speed in mm/s, or the distance,
    is not known, only the focal length is carried, at the distance of the measurement.
    """
    limit = accepted.limit
    hands = known_spread(accepted, model)
    name = str(limit.extra.get("subject") or limit.technique or "subject")
    measured_m, mm_per_px = extra(accepted, "distance_m"), extra(accepted, "mm_per_px")
    at = f" at {limit.focal_mm:g} mm" if limit.focal_mm else ""
    at += f" and {measured_m:.3g} m" if measured_m else ""
    text = f"{name}{at}: {format_exact_shutter(hands.limit_s)} keeps {percent(hands.limit_keep)} of frames"
    basis: Basis = MEASURED
    distance = distance_m or measured_m
    streak_px = limit.criterion.get("streak_px")
    if mm_per_px is not None and distance is not None and streak_px is not None:
        allowed_mm, measured_mm = streak_mm / magnification(focal_mm, distance), streak_px * mm_per_px
        ratio = allowed_mm / measured_mm
        speed = measured_mm / hands.limit_s
        text += f", a speed of {speed:.3g} mm/s"
        if abs(math.log2(ratio)) > SAME_STOPS:
            hands = hands.slowed(ratio)
            text += f"; carried by it to {focal_mm:g} mm and {distance:.3g} m: {_at_its_keep(hands)}"
            basis = SCALED
        if distance_m is None:
            text += "; taken to be as far as it was measured, as no distance was given"
    else:
        if limit.focal_mm and abs(math.log2(focal_mm / limit.focal_mm)) > SAME_STOPS:
            hands = hands.at_focal(limit.focal_mm, focal_mm)
            text += f", carried to {focal_mm:g} mm by angle: {_at_its_keep(hands)}"
            basis = SCALED
        text += "; its speed in mm/s was not measured, so this holds at the distance of the measurement only"
    said, basis = _at_keep(accepted, model, hands, keep_asked, basis)
    return hands, Because(basis, text + said, accepted.run)


def _at_its_keep(hands: Hands) -> str:
    return format_exact_shutter(hands.slowest_s(hands.limit_keep))


def _at_keep(
    accepted: AcceptedLimit, model: KitModel, hands: Hands, keep_asked: float | None, basis: Basis
) -> tuple[str, Basis]:
    if keep_asked is None or abs(keep_asked - hands.limit_keep) <= 1e-6:
        return "", basis
    said = f"; {format_exact_shutter(hands.slowest_s(keep_asked))} keeps {percent(keep_asked)}"
    return (said, basis) if has_spread(accepted, model) else (f"{said}, by the usual spread of streaks", SCALED)
