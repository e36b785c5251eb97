"""From the results folder to a plan: find the kit, read its accepted limits and the curves behind them.

Pure standard library.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from kitgauge.errors import UsageError
from kitgauge.limits.entries import AcceptedLimit
from kitgauge.limits.kit_folder import kit_folder, known_kits
from kitgauge.limits.store import FILE_NAME, read_limits
from kitgauge.planner.kit_model import KitModel, read_kit_model
from kitgauge.planner.light import FrameLight
from kitgauge.planner.plan import Plan, make_plan
from kitgauge.planner.request import CameraFacts, PlanRequest


def plan_from_results(
    results: Path | str = "results",
    kit: str | None = None,
    *,
    camera: CameraFacts | None = None,
    read_frame: Callable[[Path], FrameLight] | None = None,
    **request: Any,
) -> Plan:
    """Return a plan made with the accepted limits of `kit` (default: the only kit in `results`; none: common
    practice).

    `request` holds the fields of PlanRequest; a field that is None keeps its default. `camera` defaults to
    the ranges that the measured frames cover. Raises UsageError if the kit cannot be told, LimitsError or
    ResultsError if its files are damaged, and what `make_plan` raises.
    """
    folder = _kit_folder(Path(results), kit)
    limits = [] if folder is None else read_limits(folder / FILE_NAME).limits
    # relative run names are below the kit's folder; an absolute one replaces it
    runs = {} if folder is None else {limit.run: folder / limit.run for limit in _oldest_first(limits)}
    model = read_kit_model(runs)
    asked = PlanRequest(**{name: value for name, value in request.items() if value is not None})
    return make_plan(asked, limits, camera or camera_of(model, asked), model, read_frame)


def camera_of(model: KitModel, request: PlanRequest) -> CameraFacts:
    """Return the camera's ranges as far as measured frames show them, else the usual ones."""
    usual = CameraFacts()
    isos = [iso for iso, _, _ in model.noise] or [usual.iso_min, usual.iso_max]
    f_numbers = model.f_numbers(request.lens, request.focal_mm) or (usual.f_min, usual.f_max)
    return CameraFacts(
        iso_min=min(isos),
        iso_max=max([usual.iso_max, *isos]),
        f_min=f_numbers[0],
        f_max=max(f_numbers[-1], usual.f_max),
    )


def _kit_folder(results: Path, kit: str | None) -> Path | None:
    kits = known_kits(results)
    if kit is None:
        if len(kits) > 1:
            raise UsageError(
                "several kits have limits here",
                where=results,
                got="no --kit",
                needed=f"one of: {', '.join(kits)}",
                fix=f"give --kit {kits[0]}",
            )
        return results / kits[0] if kits else None
    folder = kit_folder(results, kit)
    if kit not in kits:
        raise UsageError(
            "no accepted limits for this kit",
            where=folder / FILE_NAME,
            got=kit,
            needed=f"one of: {', '.join(kits)}" if kits else "a kit with accepted limits; there is none here",
            fix="accept the limits of a run first, or leave --kit out to plan by common practice",
        )
    return folder


def _oldest_first(limits: Sequence[AcceptedLimit]) -> list[AcceptedLimit]:
    return sorted(limits, key=lambda limit: limit.accepted_at)
