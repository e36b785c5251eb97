"""How a run ends: results, log and report written, every frame with its status and reason."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kitgauge.atomic import alone_in, write_together
from kitgauge.errors import DEBUG_VARIABLE, KitgaugeError
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
    arrays_content,
    frames_table,
    make_folder,
    now,
    plain,
    to_json,
    write_json,
)

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Run:
    """One protocol applied to one folder of frames, and its results.

    `status` is "complete" or "partial" (results written, something missing; `reason` says what). `curves` is the
    content of curves.json; `noise`, `sharpness` and `blur` are its points as tidy tables. `report` is the page, None
    where none was written; `remarks` tell what went wrong beside the results.
    """

    folder: Path
    status: str
    reason: str
    curves: dict[str, Any]
    records: tuple[FrameRecord, ...]
    limits: tuple[Limit, ...]
    notes: tuple[str, ...]
    frames_decoded: int
    report: Path | None = None
    remarks: tuple[str, ...] = ()

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
    cut_short: str,
    report: bool,
) -> Run:
    """Write the results of `section`, all of them or none, the report last if it is wanted, and return the run.

    `shape` is the frame size that most measurements had, `measured` the files that they took in, `decoded` how many of
    those were opened for it; `cut_short` is what kept the run from measuring all ("" if nothing did). Raises
    ResultsError; where only the report cannot be written, the run is partial.
    """
    missing = list(section.missing)
    if values := missing_values(section.records, context.protocol):
        missing.append(f"no frames at {', '.join(values)}")
    if cut_short:  # what else is missing, is missing for this
        goes_on = "go on where it stopped" if context.cache.keeps else "start again"
        missing = [f"{cut_short}; run the same command again to {goes_on}"]
    status = "partial" if missing else "complete"
    reason = "; ".join(missing)
    shape = section.shape or shape
    records = _settle(section.records, measured, cut_short)
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
    counts = Counter(record.status for record in records)
    head = {
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
    }
    for folder in {(begun.folder / name).parent for name in section.files}:
        make_folder(folder)
    contents: dict[str, str | bytes] = {
        FRAMES_FILE: frames_table(records),
        **{name: arrays_content(arrays) for name, arrays in section.arrays.items()},
        **section.files,
        CURVES_FILE: to_json(curves),
        RUN_FILE: to_json(head),
    }
    with alone_in(begun.folder):  # of two runs, one after the other
        write_together({begun.folder / name: content for name, content in contents.items()})
    remarks = [remark] if (remark := context.cache.remark) else []
    page = None
    try:
        for remark in remarks:
            begun.log.add("remark", text=remark)
        begun.log.add("result", limits=[limit.text for limit in section.limits], notes=section.notes)
        if report:
            page, fault = _reported(begun.folder)
            if fault:
                status, reason = "partial", "; ".join([*missing, fault])
        begun.log.add("stop", status=status, reason=reason)
    except KitgaugeError as error:  # the numbers are safe
        status, reason = "partial", "; ".join([*missing, f"the log has no end ({error.got or error.what})"])
    return Run(
        folder=begun.folder,
        status=status,
        reason=reason,
        curves=plain(curves),
        records=records,
        limits=section.limits,
        notes=section.notes,
        frames_decoded=decoded,
        report=page,
        remarks=tuple(remarks),
    )


def _reported(folder: Path) -> tuple[Path | None, str]:
    """Write the report; return its path, or None and why there is none: the numbers are safe, whatever happens here."""
    from kitgauge.report.page import write_report

    again = f"to try again: kitgauge report {folder}"
    try:
        return write_report(folder), ""
    except KitgaugeError as error:
        return None, f"the report was not written ({error.got or error.what}); {again}"
    except KeyboardInterrupt:
        return None, f"the report was not written (interrupted); {again}"
    except Exception as error:
        if os.environ.get(DEBUG_VARIABLE):
            raise
        return None, f"the report was not written (a fault in kitgauge: {type(error).__name__}: {error}); {again}"


def fail(begun: Begun, error: Exception) -> None:
    """Record a failed run; results of an earlier run in the same folder stay as they are.

    Where even that cannot be written, the first error is the one to tell.
    """
    reason = error.message() if isinstance(error, KitgaugeError) else f"{type(error).__name__}: {error}"
    try:
        begun.log.add("stop", status="failed", reason=reason)
        head = {**begun.header, "stopped_at": now(), "status": "failed", "reason": reason}
        with alone_in(begun.folder):
            if not (begun.folder / CURVES_FILE).exists():
                write_json(begun.folder / RUN_FILE, head)
    except KitgaugeError:
        return


def _settle(records: tuple[FrameRecord, ...], measured: Collection[str], cut_short: str) -> tuple[FrameRecord, ...]:
    """Give every frame that is still open its end: nothing leaves a run without a status and a reason."""
    waiting = "not measured yet: the run was interrupted" if cut_short else "not measured"
    return tuple(
        replace(record, status="unmatched", reason=waiting)
        if not record.reason and (record.status == "unmatched" or record.file not in measured)
        else record
        for record in records
    )
