"""What a card is about: the accepted limits of one kit, its lenses with their focal lengths, its ways of holding."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from kitgauge.errors import UsageError
from kitgauge.limits.commands import limits_path
from kitgauge.limits.entries import AcceptedLimit
from kitgauge.limits.store import read_limits
from kitgauge.planner.basis import PRACTICE
from kitgauge.planner.command import camera_of
from kitgauge.planner.kit_model import KitModel, model_behind
from kitgauge.planner.plan import Plan, make_plan
from kitgauge.planner.request import FULL_FRAME_DIAGONAL_MM, TRIPOD, CameraFacts, PlanRequest
from kitgauge.planner.subjects import of_subject

MOST_FOCALS = 12  # of a card that is still one page
_FEW_FOCALS, _FEW_MEASURED = 6, 4  # that a card without --focal is filled up to, without and with measured ones
# Focal lengths that photographers think in, in 35 mm terms, those asked for most often first (common practice)
_USUAL_35MM = (50.0, 35.0, 85.0, 24.0, 135.0, 200.0)
_MARKED_MM = (
    3, 4, 5, 6, 7, 8, 9, 10, 12, 14, 16, 18, 20, 24, 28, 35, 40, 50, 60, 70, 85, 100, 135, 150, 200, 300, 400, 600, 800,
)  # fmt: skip
_APART_STOPS = 0.4  # focal lengths nearer than this share a line of a card
_ANY_EV = 10.0  # limits do not depend on the light that a plan is asked for


@dataclass(frozen=True)
class Optic:
    """A lens at one focal length; `lens` None where none was measured there."""

    lens: str | None
    focal_mm: float

    @property
    def label(self) -> str:
        """The focal length with the lens's name, '50 mm, Zoom 24-70 mm'; once where the name says it."""
        focal = f"{self.focal_mm:g} mm"
        if not self.lens:
            return focal
        return self.lens if re.search(rf"(?<![\d.-]){re.escape(focal)}\b", self.lens) else f"{focal}, {self.lens}"


@dataclass(frozen=True)
class CardKit:
    """One kit as a card needs it.

    `body` None where nothing was measured. `techniques` are the measured ways of holding, (None,) without any.
    `asked`: the focal lengths were asked for. `notes` say what was left out.
    """

    body: str | None
    limits: tuple[AcceptedLimit, ...]
    model: KitModel
    optics: tuple[Optic, ...]
    techniques: tuple[str | None, ...]
    asked: bool = False
    notes: tuple[str, ...] = ()
    _cameras: dict[Optic, CameraFacts] = field(default_factory=dict, compare=False, repr=False)

    @property
    def measured_subjects(self) -> tuple[str, ...]:
        """Names of the measured moving subjects."""
        names = (str(item.limit.extra.get("subject") or "") for item in self.limits if of_subject(item))
        return tuple(dict.fromkeys(name for name in names if name))

    @property
    def main_optics(self) -> tuple[Optic, ...]:
        """The lenses that the card tells most of: those asked for, else the measured ones, else all."""
        measured = tuple(optic for optic in self.optics if optic.lens)
        return self.optics if self.asked or not measured else measured

    def camera(self, optic: Optic) -> CameraFacts:
        """Return the camera's ranges with a lens, as `kitgauge plan` takes them."""
        if optic not in self._cameras:
            self._cameras[optic] = camera_of(self.model, PlanRequest(lens=optic.lens, focal_mm=optic.focal_mm))
        return self._cameras[optic]

    def plan(self, optic: Optic, **asked: Any) -> Plan:
        """Return the plan for a lens and fields of PlanRequest, of EV 10 where they name no light."""
        request = PlanRequest(**{"ev100": _ANY_EV, "lens": optic.lens, "focal_mm": optic.focal_mm, **asked})
        return make_plan(request, self.limits, self.camera(optic), self.model)


def read_card_kit(
    results: Path, kit: str | None = None, focals_mm: Sequence[float] = (), lenses: Sequence[str] = ()
) -> CardKit:
    """Return the kit that `kitgauge plan` would use, with the focal lengths and lenses of its card.

    Without `focals_mm`: those measured, filled up with the usual ones; without `lenses`: those measured. No kit with
    limits at all gives common practice. Raises UsageError for a kit, lens or number of focal lengths that cannot be
    had, LimitsError, ResultsError or PlanError for files that are damaged or contradict each other.
    """
    path = limits_path(results, kit)
    file = read_limits(path)
    limits, model = tuple(file.limits), model_behind(file)
    chosen = _chosen_lenses(limits, lenses)
    focals, notes = _focals(limits, model, focals_mm, chosen if lenses else None)
    notes, model = (*notes, *model.notes), replace(model, notes=())  # said once for the card, not with every plan
    bare = CardKit(limits[0].body if limits else None, limits, model, (), _techniques(limits), bool(focals_mm), notes)
    optics = tuple(optic for focal in focals for optic in _at_focal(bare, focal, chosen, named=bool(lenses)))
    return replace(bare, optics=optics)


def hands_limits(limits: Sequence[AcceptedLimit]) -> list[AcceptedLimit]:
    """Return the shutter limits of the hands."""
    return [item for item in limits if item.limit.kind == "shutter" and not of_subject(item)]


def _techniques(limits: Sequence[AcceptedLimit]) -> tuple[str | None, ...]:
    named = {item.limit.technique for item in hands_limits(limits) if item.limit.technique}
    return tuple(sorted(named, key=lambda name: (name.casefold() == TRIPOD, name.casefold()))) or (None,)


def _chosen_lenses(limits: Sequence[AcceptedLimit], lenses: Sequence[str]) -> tuple[str, ...]:
    """Return the lenses asked for, as the limits write them, else all that are measured for sharpness."""
    known = {item.limit.lens.casefold(): item.limit.lens for item in limits if item.limit.lens}
    wrong = [name for name in lenses if name.casefold() not in known]
    if wrong and known:
        raise UsageError(
            "this lens was not measured",
            where="--lens",
            got=", ".join(wrong),
            needed=", ".join(sorted(known.values())),
            fix="choose one of these, or leave --lens out and give --focal for common practice",
        )
    if lenses:
        return tuple(dict.fromkeys(known.get(name.casefold(), name) for name in lenses))
    return tuple(dict.fromkeys(item.limit.lens for item in limits if item.limit.kind == "f_number" and item.limit.lens))


def _focals(
    limits: Sequence[AcceptedLimit], model: KitModel, given: Sequence[float], lenses: Sequence[str] | None
) -> tuple[list[float], tuple[str, ...]]:
    """Return the focal lengths of a card [mm], rising, and what was left out."""
    if given:
        focals = sorted(set(given))
        if len(focals) > MOST_FOCALS:
            raise UsageError(
                "too many focal lengths for one card",
                where="--focal",
                got=len(focals),
                needed=f"at most {MOST_FOCALS}",
                fix="make a card per lens",
            )
        return focals, ()
    own = [item for item in limits if item.limit.kind in ("f_number", "shutter") and item.limit.focal_mm is not None]
    if lenses is not None:
        own = [item for item in own if item.limit.lens in lenses] or own
    measured = sorted({item.limit.focal_mm for item in own if item.limit.focal_mm is not None})
    notes: tuple[str, ...] = ()
    if len(measured) > MOST_FOCALS:
        step = (len(measured) - 1) / (MOST_FOCALS - 1)
        kept = [measured[round(k * step)] for k in range(MOST_FOCALS)]
        notes = (f"{len(measured)} focal lengths were measured; {MOST_FOCALS} are shown. --focal chooses others.",)
        return kept, notes
    focals = list(measured)
    crop = FULL_FRAME_DIAGONAL_MM / (model.frame_diagonal_mm or FULL_FRAME_DIAGONAL_MM)
    if lenses is None or not measured:
        few = _FEW_MEASURED if measured else _FEW_FOCALS
        for usual in _USUAL_35MM:
            marked = min(_MARKED_MM, key=lambda mark: abs(math.log2(mark * crop / usual)))
            if len(focals) < few and all(abs(math.log2(marked / focal)) > _APART_STOPS for focal in focals):
                focals.append(float(marked))
    return sorted(focals), notes


def _at_focal(kit: CardKit, focal_mm: float, lenses: Sequence[str], *, named: bool) -> list[Optic]:
    """Return the lenses that were measured at a focal length, or between two of theirs; else the bare focal length."""
    fitting = [
        optic
        for optic in (Optic(lens, focal_mm) for lens in lenses)
        if kit.plan(optic, subject=0.0).inputs.sharp.because.basis != PRACTICE
    ]
    only = lenses[0] if named and len(lenses) == 1 else None
    return fitting or [Optic(only, focal_mm)]
