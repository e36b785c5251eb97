"""How a run ends: results, log and report written, every frame with its status and reason."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kitgauge.atomic import write_atomically
from kitgauge.errors import KitgaugeError
from kitgauge.ingest.match import missing_values
from kitgauge.ingest.record import FrameRecord
from kitgauge.limits.model import Limit
from kitgauge.runs.context import RunContext, Section
from kitgauge.runs.files import (
    CURVES_FILE,
    FRAMES_FILE,
    RUN_FILE,
    SCHEMA,
    RunLog,
    make_folder,
    now,
    plain,
    write_arrays,
    write_frames_csv,
    write_json,
)

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Run:
    """One protocol applied to one folder of frames, and its results.

    `status` is "complete" or "partial" (results written, something missing; `reason` says what). `curves` is the
    content of curves.json; `noise`, `sharpness` and `blur` are its points as tidy tables.
    """

    folder: Path
    status: str
    reason: str
    curves: dict[str, Any]
    records: tuple[FrameRecord, ...]
    limits: tuple[Limit, ...]
    notes: tuple[str, ...]
    frames_decoded: int

    @cached_property
    def noise(self) -> pd.DataFrame:
        """One row per ISO and colour; empty where the protocol does not measure noise."""
        return self._table("noise", "points")

    @cached_property
    def sharpness(self) -> pd.DataFrame:
        """One row per f-number, target patch and orientation; empty where sharpness was not measured."""
        return self._table("sharpness", "points")

    @cached_property
    def blur(self) -> pd.DataFrame:
        """One row per tripod and handheld frame; empty where blur was not measured."""
        return self._table("blur", "frames")

    def _table(self, section: str, rows: str) -> pd.DataFrame:
        import pandas as pd

        return pd.DataFrame((self.curves.get(section) or {}).get(rows, []))


@dataclass(frozen=True)
class Begun:
    """A run that has begun: where its files go, and what run.json says of it from the start."""

    folder: Path
    log: RunLog
    header: Mapping[str, Any]
    not_frames: Mapping[str, str]  # what else was in the folder of frames, and why it is none


def finish(
    begun: Begun,
    context: RunContext,
    section: Section,
    *,
    shape: tuple[int, int] | None,
    measured: Collection[str],
    decoded: int,
    interrupted: bool,
    report: bool,
) -> Run:
    """Write the results of `section`, the report last if it is wanted, and return the run.

    `shape` is the frame size that most measurements had, `measured` the files that they took in, `decoded` how many of
    those were opened for it. Raises ResultsError; where only the report cannot be written, the run is partial.
    """
    missing = list(section.missing)
    if values := missing_values(section.records, context.protocol):
        missing.append(f"no frames at {', '.join(values)}")
    if interrupted:  # what else is missing, is missing for this
        goes_on = "go on where it stopped" if context.cache.folder is not None else "start again"
        missing = [f"interrupted; run the same command again to {goes_on}"]
    status = "partial" if missing else "complete"
    reason = "; ".join(missing)
    shape = section.shape or shape
    records = _settle(section.records, measured, interrupted)
    curves = {
        "schema": SCHEMA,
        "kit": context.kit.as_dict(shape),
        "protocol": context.protocol.id,
        "technique": context.technique,
        "noise": None,
        "sharpness": None,
        "blur": None,
        **(section.curves or {}),
        "limits": [limit.as_dict() for limit in section.limits],
        "status": status,
        "missing": missing,
        "notes": list(section.notes),
    }
    write_frames_csv(begun.folder / FRAMES_FILE, records)
    for name, arrays in section.arrays.items():
        write_arrays(begun.folder / name, arrays)
    for name, content in section.files.items():
        make_folder((begun.folder / name).parent)
        write_atomically(begun.folder / name, content)
    write_json(begun.folder / CURVES_FILE, curves)
    begun.log.add("result", limits=[limit.text for limit in section.limits], notes=section.notes)
    counts = Counter(record.status for record in records)
    write_json(
        begun.folder / RUN_FILE,
        {
            **begun.header,
            "kit": context.kit.as_dict(shape),
            "stopped_at": now(),
            "status": status,
            "reason": reason,
            "missing": missing,
            "notes": list(section.notes),
            "frames": {name: counts.get(name, 0) for name in ("used", "rejected", "unmatched")},
            "frames_decoded": decoded,
            "not_frames": dict(begun.not_frames),
        },
    )
    begun.log.add("stop", status=status, reason=reason)
    if report:
        from kitgauge.report.page import write_report

        try:
            write_report(begun.folder)
        except KitgaugeError as error:  # the numbers are safe
            status, reason = "partial", "; ".join([*missing, f"the report was not written: {error.got or error.what}"])
    return Run(
        folder=begun.folder,
        status=status,
        reason=reason,
        curves=plain(curves),
        records=records,
        limits=section.limits,
        notes=section.notes,
        frames_decoded=decoded,
    )


def fail(begun: Begun, error: Exception) -> None:
    """Record a failed run; results of an earlier run in the same folder stay as they are.

    Where even that cannot be written, the first error is the one to tell.
    """
    reason = error.message() if isinstance(error, KitgaugeError) else f"{type(error).__name__}: {error}"
    try:
        begun.log.add("stop", status="failed", reason=reason)
        if not (begun.folder / CURVES_FILE).exists():
            write_json(
                begun.folder / RUN_FILE, {**begun.header, "stopped_at": now(), "status": "failed", "reason": reason}
            )
    except KitgaugeError:
        return


def _settle(records: tuple[FrameRecord, ...], measured: Collection[str], interrupted: bool) -> tuple[FrameRecord, ...]:
    """Give every frame that is still open its end: nothing leaves a run without a status and a reason."""
    waiting = "not measured yet: the run was interrupted" if interrupted else "not measured"
    return tuple(
        replace(record, status="unmatched", reason=waiting)
        if not record.reason and (record.status == "unmatched" or record.file not in measured)
        else record
        for record in records
    )
