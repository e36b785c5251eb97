"""Protocol and folder of frames in, run out: the one orchestration function."""

from __future__ import annotations

import os
import platform
from collections import Counter
from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from functools import cached_property
from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import kitgauge
from kitgauge.errors import IngestError, KitgaugeError, ResultsError, UsageError
from kitgauge.frames.pitch import pixel_pitch_um as find_pixel_pitch_um
from kitgauge.ingest.cache import MeasurementCache, cache_folder
from kitgauge.ingest.match import match_frames, missing_values, prefer_raw
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.scan import Scan, content_hash, one_kit, scan_folder
from kitgauge.ingest.tasks import Measurement, Task
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.kit_folder import kit_folder_name
from kitgauge.limits.model import Limit
from kitgauge.load_ahead import LoadAhead
from kitgauge.protocol.loading import LoadedProtocol, load_protocol
from kitgauge.run_context import Kit, Results, RunContext, Section, common_shape, most_common
from kitgauge.run_files import (
    CURVES_FILE,
    FRAMES_FILE,
    LOG_FILE,
    RUN_FILE,
    SCHEMA,
    RunLog,
    make_folder,
    new_run_folder,
    now,
    plain,
    read_json,
    write_frames_csv,
    write_json,
)

if TYPE_CHECKING:
    import pandas as pd

# stage of the work, how much is done, how much there is
Progress = Callable[[str, int, int], None]

# what a protocol measures -> the module that does it; each brings libraries along, so only one is loaded
_KINDS = {
    "noise": "kitgauge.run_noise",
    "dark-current": "kitgauge.run_dark_current",
    "sharpness": "kitgauge.run_sharpness",
    "blur": "kitgauge.run_blur",
    "practice": "kitgauge.run_practice",
}
_DEVELOPED_NOISE = "kitgauge.run_developed_noise"  # noise, where all frames are developed pictures
_NEEDED_FOR_REPORTS = ("matplotlib.figure", "matplotlib.backends.backend_svg", "jinja2", "kitgauge.report.page")


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


def run(
    protocol: str | Path,
    frames: str | Path,
    *,
    out: str | Path | None = None,
    results: str | Path = "results",
    criteria: Criteria | None = None,
    technique: str | None = None,
    settings: str | Path | None = None,
    pitch_um: float | None = None,
    body: str | None = None,
    lens: str | None = None,
    focal_mm: float | None = None,
    workers: int | None = None,
    use_cache: bool = True,
    report: bool = True,
    progress: Progress | None = None,
) -> Run:
    """Measure the frames in folder `frames` as `protocol` (id or file) says, fit, set limits, and write the results.

    Results go to `out`, else to a new folder below `results`. `settings` is a CSV file that overrides or fills
    metadata; `body` and `lens` pick one of several; `pitch_um` and `focal_mm` fill in what the frames do not tell.
    Raises a KitgaugeError if nothing can be measured; an interrupted run (Ctrl-C) returns with status "partial".
    """
    tell_progress = progress or (lambda _stage, _done, _total: None)
    workers = workers or min(os.cpu_count() or 2, 8)
    criteria = criteria or Criteria()
    for name, value in (("pixel pitch", pitch_um), ("focal length", focal_mm)):
        if value is not None and not 0 < value < 100_000:
            raise UsageError(f"the {name} is not possible", got=value, needed="a positive number")
    loaded = load_protocol(protocol)
    folder = Path(frames)
    ahead = LoadAhead(_KINDS[loaded.protocol.measures], *(_NEEDED_FOR_REPORTS if report else ()))
    try:
        scan = scan_folder(
            folder,
            None if settings is None else Path(settings),
            workers=workers,
            progress=lambda done, total: tell_progress("reading metadata", done, total),
        )
    except KitgaugeError:
        ahead.stop()
        raise
    scan = one_kit(scan, body, lens)
    records = match_frames(prefer_raw(scan.frames), loaded.protocol)
    _require_usable(records, loaded, folder)
    kit = _kit(records, scan, pitch_um, focal_mm)
    run_folder = _prepared(out, Path(results), kit, loaded)
    log = RunLog(run_folder / LOG_FILE)
    given = {
        "frames": str(folder),
        "working_folder": str(Path.cwd()),
        "out": None if out is None else str(out),
        "results": str(results),
        "criteria": criteria.as_dict(),
        "technique": technique,
        "settings_file": None if settings is None else str(settings),
        "settings_sha256": None if settings is None else content_hash(Path(settings)),
        "pitch_um": pitch_um,
        "body": body,
        "lens": lens,
        "focal_mm": focal_mm,
        "workers": workers,
        "use_cache": use_cache,
    }
    header = _header(loaded, kit, given)
    log.add("start", **header)
    cache = MeasurementCache(cache_folder() if use_cache else None)
    listener = _Listener(log, tell_progress)
    context = RunContext(
        protocol=loaded.protocol,
        records=records,
        kit=kit,
        criteria=criteria,
        technique=technique,
        cache=cache,
        workers=workers,
        tell=listener.measured,
        expect=listener.expect,
    )
    developed_noise = loaded.protocol.measures == "noise" and kit.developed
    kind = import_module(_DEVELOPED_NOISE) if developed_noise else ahead.module(_KINDS[loaded.protocol.measures])
    measured: Results = {}
    interrupted = False
    try:
        try:
            kind.measure(context, measured)
        except KeyboardInterrupt:
            interrupted = True
        tell_progress("fitting", 0, 1)
        section = kind.conclude(context, measured)
        tell_progress("fitting", 1, 1)
        return _finish(run_folder, log, header, context, section, measured, listener, interrupted, report, scan)
    except KeyboardInterrupt:
        stopped = ResultsError(
            "interrupted before the results were written",
            where=run_folder,
            fix="run the same command again" + ("; nothing is measured twice" if cache.folder is not None else ""),
        )
        _fail(run_folder, log, header, stopped)
        raise stopped from None
    except Exception as error:
        _fail(run_folder, log, header, error)
        raise


def _prepared(out: str | Path | None, results: Path, kit: Kit, loaded: LoadedProtocol) -> Path:
    """Return the folder of the run, made and writable; ResultsError if it holds a run of another kit or protocol."""
    if out is None:
        folder = new_run_folder(results, kit.name, loaded.protocol.id)
        make_folder(folder)
        return folder
    folder = Path(out)
    make_folder(folder)
    if (folder / RUN_FILE).exists():
        earlier = read_json(folder / RUN_FILE)
        was = tuple(
            part.get(key) if isinstance(part := earlier.get(name), dict) else None
            for name, key in (("protocol", "id"), ("kit", "name"))
        )
        if was != (loaded.protocol.id, kit.name):
            raise ResultsError(
                "this folder holds another run",
                where=folder,
                got=f"{was[0]} of {was[1]}",
                needed=f"a new folder, or one with {loaded.protocol.id} of {kit.name}",
                fix="choose another folder with --out",
            )
    return folder


class _Listener:
    """Passes on what happens to the log and to the progress display, and counts decoded frames."""

    def __init__(self, log: RunLog, progress: Progress) -> None:
        self.log = log
        self.progress = progress
        self.decoded = 0
        self.files: set[str] = set()
        self.stage, self.done, self.total = "", 0, 0

    def expect(self, stage: str, total: int) -> None:
        self.stage, self.done, self.total = stage, 0, total
        self.progress(stage, 0, total)

    def measured(self, task: Task, measurement: Measurement, from_cache: bool) -> None:
        self.files.update(task.files)
        if not from_cache:
            self.decoded += len(task.files)
        refused = measurement.get("refused") or {}
        for file in task.files:
            values = {"flag": refused[file][0], "reason": refused[file][1]} if file in refused else {}
            self.log.add("frame", file=file, from_cache=from_cache, **values)
        self.log.add("step", stage=self.stage, measured=task.label)
        self.done += 1
        self.progress(self.stage, self.done, self.total)


def _require_usable(records: tuple[FrameRecord, ...], loaded: LoadedProtocol, folder: Path) -> None:
    if any(record.status != "rejected" and not record.reason for record in records):
        return
    reasons = Counter(record.reason for record in records).most_common(3)
    raise IngestError(
        f"no frame in this folder serves {loaded.protocol.id}",
        where=folder,
        got="; ".join(f"{count} x {reason}" for reason, count in reasons),
        needed=f"frames as in 'kitgauge brief {loaded.protocol.id}', with their settings recorded",
        fix="give what the frames do not record with --settings FILE.csv, or shoot what the brief says",
    )


def _kit(records: tuple[FrameRecord, ...], scan: Scan, pitch_um: float | None, focal_mm: float | None) -> Kit:
    serving = [record for record in records if record.status != "rejected" and not record.reason]
    pitch, source = find_pixel_pitch_um(scan.settings[serving[0].path], pitch_um)
    body = most_common([record.body for record in serving])
    serial = most_common([record.body_serial for record in serving])
    return Kit(
        name=kit_folder_name(body, serial),
        body=body,
        body_serial=serial,
        lens=most_common([record.lens for record in serving]),
        focal_mm=focal_mm or most_common([record.focal_mm for record in serving]),
        focal_35mm=most_common([record.focal_35mm for record in serving]),
        pixel_pitch_um=pitch,
        pixel_pitch_source=source,
        developed=not any(record.is_raw for record in serving),
    )


def _header(loaded: LoadedProtocol, kit: Kit, given: dict[str, Any]) -> dict[str, Any]:
    return {
        "schema": SCHEMA,
        "kitgauge_version": kitgauge.__version__,
        "protocol": {"id": loaded.protocol.id, "title": loaded.protocol.title, "sha256": loaded.sha256},
        "measures": loaded.protocol.measures,
        "cautions": list(loaded.protocol.cautions),
        "kit": kit.as_dict(None),
        "settings": given,
        "versions": _versions(),
        "started_at": now(),
    }


def _versions() -> dict[str, str]:
    import rawpy

    versions = {"python": platform.python_version()}
    for package in ("numpy", "scipy", "rawpy", "opencv-python-headless"):
        try:
            versions[package] = version(package)
        except PackageNotFoundError:  # installed under another distribution's name
            versions[package] = "unknown"
    versions["libraw"] = ".".join(str(part) for part in rawpy.libraw_version)
    return versions


def _fail(run_folder: Path, log: RunLog, header: dict[str, Any], error: Exception) -> None:
    """Record a failed run; results of an earlier run in the same folder stay as they are.

    Where even that cannot be written, the first error is the one to tell.
    """
    reason = error.message() if isinstance(error, KitgaugeError) else f"{type(error).__name__}: {error}"
    try:
        log.add("stop", status="failed", reason=reason)
        if not (run_folder / CURVES_FILE).exists():
            write_json(run_folder / RUN_FILE, {**header, "stopped_at": now(), "status": "failed", "reason": reason})
    except KitgaugeError:
        return


def _finish(
    run_folder: Path,
    log: RunLog,
    header: dict[str, Any],
    context: RunContext,
    section: Section,
    measured: Results,
    listener: _Listener,
    interrupted: bool,
    report: bool,
    scan: Scan,
) -> Run:
    missing = list(section.missing)
    if values := missing_values(section.records, context.protocol):
        missing.append(f"no frames at {', '.join(values)}")
    if interrupted:  # what else is missing, is missing for this
        goes_on = "go on where it stopped" if context.cache.folder is not None else "start again"
        missing = [f"interrupted; run the same command again to {goes_on}"]
    status = "partial" if missing else "complete"
    reason = "; ".join(missing)
    shape = section.shape or common_shape(measured)
    records = _settle(section.records, listener.files, interrupted)
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
    write_frames_csv(run_folder / FRAMES_FILE, records)
    write_json(run_folder / CURVES_FILE, curves)
    log.add("result", limits=[limit.text for limit in section.limits], notes=section.notes)
    counts = Counter(record.status for record in records)
    write_json(
        run_folder / RUN_FILE,
        {
            **header,
            "kit": context.kit.as_dict(shape),
            "stopped_at": now(),
            "status": status,
            "reason": reason,
            "missing": missing,
            "notes": list(section.notes),
            "frames": {name: counts.get(name, 0) for name in ("used", "rejected", "unmatched")},
            "frames_decoded": listener.decoded,
            "not_frames": dict(scan.not_frames),
        },
    )
    log.add("stop", status=status, reason=reason)
    if report:
        from kitgauge.report.page import write_report

        try:
            write_report(run_folder)
        except KitgaugeError as error:  # the numbers are safe
            status, reason = "partial", "; ".join([*missing, f"the report was not written: {error.got or error.what}"])
    return Run(
        folder=run_folder,
        status=status,
        reason=reason,
        curves=plain(curves),
        records=records,
        limits=section.limits,
        notes=section.notes,
        frames_decoded=listener.decoded,
    )


def _settle(records: tuple[FrameRecord, ...], measured: Collection[str], interrupted: bool) -> tuple[FrameRecord, ...]:
    """Give every frame that is still open its end: nothing leaves a run without a status and a reason."""
    waiting = "not measured yet: the run was interrupted" if interrupted else "not measured"
    return tuple(
        replace(record, status="unmatched", reason=waiting)
        if not record.reason and (record.status == "unmatched" or record.file not in measured)
        else record
        for record in records
    )
