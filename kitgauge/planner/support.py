"""How the camera is held: the measured hands, a rule of thumb, a tripod, and what a monopod or a stabiliser adds.

Pure standard library.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from kitgauge.errors import UsageError
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.several import labels
from kitgauge.planner.basis import GIVEN, MEASURED, PRACTICE, SCALED, Because
from kitgauge.planner.kit_model import KitModel
from kitgauge.planner.motion import Hands
from kitgauge.planner.request import FULL_FRAME_DIAGONAL_MM, MONOPOD, TRIPOD, PlanRequest
from kitgauge.planner.steadiness import steadiness
from kitgauge.planner.subjects import of_subject

if TYPE_CHECKING:
    from kitgauge.limits.entries import AcceptedLimit

MONOPOD_STOPS = 2.0  # slower than handheld (common practice, no source)
_STABILISED = "stabil"  # in the label of a technique that was measured with a stabiliser, on or off


class HandsBound(NamedTuple):
    """What the holding asks of the shutter: `hands` None on a tripod or by rule of thumb; `cap_s` the slowest time [s],
    infinite on a tripod; `streak_px` the streak limit of the measured hands, `keep` the share of frames wanted.
    """

    hands: Hands | None
    cap_s: float
    technique: str | None
    because: Because
    keep: float
    streak_px: float | None = None


def hands_bound(
    request: PlanRequest,
    limits: Sequence[AcceptedLimit],
    model: KitModel,
    focal_mm: float,
    diagonal_mm: float,
    focal_given: bool,
) -> HandsBound:
    """Return what the holding asks of the shutter.

    A monopod that was not measured is taken as two stops steadier than the hands, a stabiliser as steady as the request
    says. Raises UsageError for a technique that was not measured, and for a stabiliser counted twice.
    """
    measured = [limit for limit in limits if limit.limit.kind == "shutter" and not of_subject(limit)]
    techniques = sorted({limit.limit.technique for limit in measured if limit.limit.technique})
    known = {item.casefold() for item in techniques}
    asked = None if request.technique is None else request.technique.strip().casefold()
    keep = request.keep or Criteria().keep
    if asked == TRIPOD and TRIPOD not in known:
        if request.stabiliser_stops:
            raise UsageError(
                "a stabiliser gains nothing on a tripod",
                where="--stabiliser",
                got=f"{request.stabiliser_stops:g} stops on a tripod",
                needed="one of the two",
                fix="leave --stabiliser out; switch it as its maker says",
            )
        return HandsBound(None, math.inf, TRIPOD, Because(GIVEN, "on a tripod the hands set no limit"), keep)
    monopod = asked == MONOPOD and MONOPOD not in known
    if asked is not None and techniques and not monopod:
        measured = [limit for limit in measured if (limit.limit.technique or "").casefold() == asked]
        if not measured:
            raise UsageError(
                "this technique was not measured",
                where="--technique",
                got=request.technique,
                needed=", ".join([*techniques, TRIPOD, MONOPOD]),
                fix="choose one of these, or measure it with `kitgauge run handheld-shutter ... --technique "
                f"{request.technique}`",
            )
    if not measured:
        found = _by_rule(focal_mm, diagonal_mm, request.technique, focal_given, keep)
    else:
        found = _measured(request, measured, techniques, model, focal_mm)
    if monopod:
        text = f"a monopod is taken as {MONOPOD_STOPS:g} stops steadier (common practice; it was not measured)"
        found = _gained(found, MONOPOD_STOPS, text)._replace(technique=MONOPOD)
    if request.stabiliser_stops:
        if _STABILISED in (found.technique or "").casefold():
            raise UsageError(
                "the stabiliser is counted twice",
                where="--stabiliser",
                got=f"{request.stabiliser_stops:g} stops on top of hands measured as '{found.technique}'",
                needed="hands measured without it, or no --stabiliser",
                fix="leave --stabiliser out",
            )
        text = f"a stabiliser is taken to gain the {request.stabiliser_stops:g} stops given; that was not measured"
        found = _gained(found, request.stabiliser_stops, text)
    return found


def _gained(found: HandsBound, stops: float, text: str) -> HandsBound:
    because = found.because
    basis = PRACTICE if because.basis == PRACTICE else SCALED
    return found._replace(
        hands=None if found.hands is None else found.hands.supported(stops),
        cap_s=found.cap_s * 2**stops,
        because=because._replace(basis=basis, text=f"{because.text}; {text}"),
    )


def _by_rule(focal_mm: float, diagonal_mm: float, technique: str | None, focal_given: bool, keep: float) -> HandsBound:
    focal_35mm = focal_mm * FULL_FRAME_DIAGONAL_MM / diagonal_mm
    at = f"{focal_35mm:.0f} mm in 35 mm terms"
    if not focal_given:
        at += ", assumed as no focal length was given"
    text = f"by the rule of 1/(focal length), 1/{focal_35mm:.0f} s at {at}; these hands were not measured"
    return HandsBound(None, 1 / focal_35mm, technique, Because(PRACTICE, text), keep)


def _measured(
    request: PlanRequest,
    measured: Sequence[AcceptedLimit],
    techniques: Sequence[str],
    model: KitModel,
    focal_mm: float,
) -> HandsBound:
    """Return the bound by measured hands: the nearest focal length; of several techniques the one that asks for the
    faster shutter.
    """
    candidates = []
    for accepted in measured:
        steady, because = steadiness(accepted, model, focal_mm, request.keep)
        wanted = request.keep or accepted.limit.criterion.get("keep", Criteria().keep)
        cap_s = steady.slowest_s(wanted)
        ceiling_s = accepted.limit.value["shutter_s"]
        if "ladder-too-fast" in accepted.limit.flags and because.basis == MEASURED and wanted >= steady.limit_keep:
            cap_s = min(cap_s, ceiling_s)  # slower than the slowest measured time is not known to be safe
        distance = abs(math.log2(focal_mm / (accepted.limit.focal_mm or focal_mm)))
        rank = (because.basis != MEASURED, round(distance, 3), cap_s)
        candidates.append((rank, cap_s, accepted, steady, because, wanted))
    _, cap_s, accepted, steady, because, wanted = min(candidates, key=lambda item: item[0])
    technique = accepted.limit.technique
    if len(techniques) > 1 and len({item.limit.technique for item in measured}) > 1:
        because = because._replace(
            note=f"of {', '.join(techniques)} the one that asks for the fastest shutter, as no --technique was given",
        )
    elif len(measured) > 1:
        because = because._replace(note=f"of {', '.join(labels(measured))} the one that fits best")
    if steady.beyond_measured(cap_s) and because.basis == MEASURED:
        because = because._replace(basis=SCALED, text=f"{because.text}; carried beyond the measured shutter times")
    return HandsBound(steady, cap_s, technique, because, wanted, accepted.limit.criterion.get("streak_px"))
