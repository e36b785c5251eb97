"""From the results folder to a plan: find the kit, read its accepted limits and the curves behind them.

Pure standard library; the frame of a light is opened by a worker process.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from kitgauge.errors import UsageError
from kitgauge.exposure import DIAL_STEPS, format_f_number, nominal_iso
from kitgauge.limits.kit_folder import chosen_kit
from kitgauge.planner.kit_model import KitModel, model_behind
from kitgauge.planner.light import FrameLight, parse_time_s, read_frame_light
from kitgauge.planner.plan import Plan, make_plan
from kitgauge.planner.request import CameraFacts, PlanRequest

if TYPE_CHECKING:
    from kitgauge.limits.entries import AcceptedLimit
    from kitgauge.planner.auto_iso import AutoIso
    from kitgauge.planner.table import PlanTable


class Kit(NamedTuple):
    """What is known of one kit: its accepted limits, and the curves behind them. Empty without any."""

    limits: Sequence[AcceptedLimit]
    model: KitModel


def read_kit(results: Path | str = "results", kit: str | None = None) -> Kit:
    """Return what is known of `kit` (default: the only kit in `results`; none: nothing is known).

    Raises UsageError if the kit cannot be told, LimitsError or ResultsError if its files are damaged.
    """
    folder = chosen_kit(Path(results), kit)
    if folder is None:
        return Kit((), KitModel())
    from kitgauge.limits.reading import FILE_NAME, read_limits  # only for a kit with limits: it costs start-up time

    file = read_limits(folder / FILE_NAME)
    return Kit(file.limits, model_behind(file))


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
    the ranges that the measured frames cover, `read_frame` to a worker process that opens the frame. Raises
    UsageError if the kit cannot be told, LimitsError or ResultsError if its files are damaged, and what
    `make_plan` raises.
    """
    known = read_kit(results, kit)
    asked = _request(request)
    facts = camera or camera_of(known.model, asked)
    return make_plan(asked, known.limits, facts, known.model, read_frame or _frame_light)


def answer(
    results: Path | str,
    kit: str | None,
    request: Mapping[str, Any],
    camera: Mapping[str, Any],
    *,
    table: bool = False,
    auto_iso: bool = False,
) -> Plan | PlanTable | AutoIso:
    """Return what `kitgauge plan` prints: a plan, a grid of plans or the entries of automatic ISO.

    `request` and `camera` hold fields of PlanRequest and CameraFacts, None where not given; shutter times of the camera
    as text. Raises UsageError for what does not go together, and what `plan_from_results` raises.
    """
    asked = _request(request)
    if table and auto_iso:
        raise UsageError("one thing at a time", got="--table and --auto-iso", fix="give one of them")
    if (table or auto_iso) and asked.light is not None:
        which = "--table" if table else "--auto-iso"
        raise UsageError(
            f"{which} is for any light",
            where="--light",
            got=f"{which} and --light {asked.light}",
            fix="leave one of them out",
        )
    known = read_kit(results, kit)
    facts = _changed(camera_of(known.model, asked), camera)
    if table:
        from kitgauge.planner.table import table_for

        found = table_for(asked, request.get("subject"), known.limits, facts, known.model)
        return replace(found, notes=known.model.notes)
    if auto_iso:
        from kitgauge.planner.auto_iso import auto_iso as entries

        return replace(entries(asked, known.limits, facts, known.model), notes=known.model.notes)
    return make_plan(asked, known.limits, facts, known.model, _frame_light)


def _frame_light(path: Path) -> FrameLight:
    """Return what a frame tells of the light; what breaks on it is an error of the frame. Raises FrameError."""
    from kitgauge.ingest.in_worker import in_worker  # only for a frame: it costs start-up time

    return in_worker(partial(read_frame_light, path), path)


def _request(request: Mapping[str, Any]) -> PlanRequest:
    """Return the request of the fields that are not None."""
    return PlanRequest(**{name: value for name, value in request.items() if value is not None})


def _changed(camera: CameraFacts, changes: Mapping[str, Any]) -> CameraFacts:
    """Return the camera with the facts that are given; then its range is no longer the measured one."""
    given = {name: value for name, value in changes.items() if value is not None}
    for name in ("shutter_fastest_s", "shutter_slowest_s"):
        if name in given:
            given[name] = parse_time_s(given[name], "--" + name.removeprefix("shutter_").removesuffix("_s"))
    step = given.get("dial_step")
    if step not in (None, *DIAL_STEPS):
        raise UsageError(
            "not a step of a dial", where="--dial", got=step, needed=", ".join(DIAL_STEPS), fix="name one of them"
        )
    if step is not None:
        given["iso_step"] = step
    return replace(camera, **given, measured_range=None) if given else camera


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
