"""From the results folder to a plan: find the kit, read its accepted limits and the curves behind them.

Pure standard library.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from kitgauge.exposure import format_f_number, nominal_iso
from kitgauge.limits.entries import AcceptedLimit
from kitgauge.limits.kit_folder import chosen_kit
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
    folder = chosen_kit(Path(results), kit)
    limits = [] if folder is None else read_limits(folder / FILE_NAME).limits
    # relative run names are below the kit's folder; an absolute one replaces it
    runs = {} if folder is None else {limit.run: folder / limit.run for limit in _oldest_first(limits)}
    model = read_kit_model(runs)
    asked = PlanRequest(**{name: value for name, value in request.items() if value is not None})
    return make_plan(asked, limits, camera or camera_of(model, asked), model, read_frame)


def camera_of(model: KitModel, request: PlanRequest) -> CameraFacts:
    """Return the camera's ranges: no wider than the measured frames show them, the usual ones where none do.

    What the dials offer beyond the measured ISO values and below the lowest measured f-number is not known.
    """
    usual = CameraFacts()
    isos = [iso for iso, _, _ in model.noise]
    f_numbers = model.f_numbers(request.lens, request.focal_mm)
    measured = []
    if isos:
        measured.append(f"ISO {nominal_iso(min(isos)):.0f} to {nominal_iso(max(isos)):.0f}")
    if f_numbers:
        measured.append(f"{format_f_number(f_numbers[0])} and up")
    return CameraFacts(
        iso_min=min(isos, default=usual.iso_min),
        iso_max=max(isos, default=usual.iso_max),
        f_min=f_numbers[0] if f_numbers else usual.f_min,
        f_max=max([usual.f_max, *f_numbers]),
        measured_range=", ".join(measured) or None,
    )


def _oldest_first(limits: Sequence[AcceptedLimit]) -> list[AcceptedLimit]:
    return sorted(limits, key=lambda limit: limit.accepted_at)
