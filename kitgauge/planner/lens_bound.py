"""What the lens asks of the f-number: its sharp range, and what focusing needs, from accepted limits.

Pure standard library.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from kitgauge.errors import UsageError
from kitgauge.exposure import exact_f_number, format_exact_f_number, percent
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.setting_words import sharp_range
from kitgauge.limits.several import labels
from kitgauge.planner.basis import MEASURED, PRACTICE, SCALED, Because
from kitgauge.planner.focusing import Focusing
from kitgauge.planner.kit_model import KitModel
from kitgauge.planner.request import PlanRequest
from kitgauge.planner.steadiness import SAME_STOPS

if TYPE_CHECKING:
    from kitgauge.limits.entries import AcceptedLimit

PRACTICE_SHARP_F_NUMBERS = (4.0, 11.0)  # common practice, no source
OTHER_LENS = "other"  # --lens other: one that was not measured
REGIONS = ("centre", "left", "right", "top", "bottom", "top-left", "top-right", "bottom-left", "bottom-right")


class SharpBound(NamedTuple):
    """Range of sharp f-numbers (exact), and the `region` of the frame whose MTF50 is predicted."""

    low: float
    high: float
    lens: str | None
    region: str
    because: Because


class FocusBound(NamedTuple):
    """The lowest f-number at which focusing, as measured, serves in the wanted share of frames."""

    f_number: float
    focusing: Focusing
    because: Because


def sharp_bound(request: PlanRequest, limits: Sequence[AcceptedLimit], focal_mm: float) -> SharpBound:
    """Return the sharp range of the lens at a focal length, common practice where it was not measured there.

    Raises UsageError for the name of a lens that is none of the measured ones ("other" stands for such a lens).
    """

    def rank(accepted: AcceptedLimit) -> tuple[bool, bool, bool, float]:
        limit = accepted.limit
        developed = "rendered" in limit.flags  # holds for one picture style: only where raw files tell nothing
        by_picture = "picture_mtf" in limit.criterion  # made for one size of picture: only where there is no other
        return developed, by_picture, limit.region not in (None, "whole frame"), -accepted.accepted_at.timestamp()

    measured = [limit for limit in limits if limit.limit.kind == "f_number"]
    of_lens = [item for item in measured if _same_lens(request.lens, item.limit.lens)]
    _require_known(request.lens, measured, of_lens)
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
    if of_lens:
        known = sorted({f"{item.limit.lens or 'a lens'} {item.limit.focal_mm or 0:g} mm" for item in of_lens})
        text += f" at this focal length (measured: {', '.join(known)})"
    return SharpBound(low, high, request.lens, "centre", Because(PRACTICE, text))


def _same_lens(asked: str | None, measured: str | None) -> bool:
    return asked is None or (measured or "").casefold() == asked.strip().casefold()


def _require_known(asked: str | None, measured: Sequence[AcceptedLimit], of_lens: Sequence[AcceptedLimit]) -> None:
    if asked is None or asked.strip().casefold() == OTHER_LENS or of_lens or not measured:
        return
    names = sorted({item.limit.lens for item in measured if item.limit.lens})
    raise UsageError(
        "this lens was not measured",
        where="--lens",
        got=asked,
        needed=", ".join([*names, f"{OTHER_LENS} (for a lens that was not measured)"]),
        fix=f"choose one of these, or measure it with `kitgauge run aperture-sweep ...`; --lens {OTHER_LENS} plans by "
        "common practice",
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


def focus_bound(
    request: PlanRequest, limits: Sequence[AcceptedLimit], model: KitModel, focal_mm: float
) -> FocusBound | None:
    """Return what focusing asks of the f-number, None where it was not measured with this lens at this focal length.

    A limit whose criterion was not met at any measured f-number gives no bound, only predictions.
    """
    fitting = [
        item
        for item in limits
        if item.limit.kind == "focus"
        and _same_lens(request.lens, item.limit.lens)
        and (item.limit.focal_mm is None or abs(math.log2(focal_mm / item.limit.focal_mm)) < 2 * SAME_STOPS)
    ]
    if not fitting:
        return None
    best = max(fitting, key=lambda item: item.accepted_at)
    keep = best.limit.criterion.get("keep", Criteria().keep)
    number = best.limit.value["f_number"]
    curve = model.focusing.get(best.run)
    focusing = curve if curve is not None else Focusing.from_limit(number, keep)
    wanted = request.keep or keep
    met = "criterion-not-met" not in best.limit.flags
    if abs(wanted - keep) > 1e-6:
        number = focusing.lowest_f_number(wanted)
    text = f"from {format_exact_f_number(number)} on, {percent(wanted)} of frames are focused well enough"
    if not met:
        text = f"up to {format_exact_f_number(number)} less than {percent(keep)} of frames are focused well enough"
    basis = MEASURED if abs(wanted - keep) <= 1e-6 or curve is not None else SCALED
    return FocusBound(number if met else 0.0, focusing, Because(basis, text, best.run))
