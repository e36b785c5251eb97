"""Protocol and folder of frames in, run out: the one orchestration function."""

from __future__ import annotations

import os
import platform
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from contextlib import ExitStack
from dataclasses import replace
from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import kitgauge
from kitgauge.errors import IngestError, KitgaugeError, ResultsError, UsageError
from kitgauge.frames.pitch import pixel_pitch_um as find_pixel_pitch_um
from kitgauge.ingest.cache import MeasurementCache, cache_folder
from kitgauge.ingest.frame_region import check_regions, parse_regions
from kitgauge.ingest.lens_in_use import named_lens, one_focal_length, with_teleconverter
from kitgauge.ingest.match import match_frames, prefer_raw
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.scan import Scan, content_hash, one_kit, scan_folder
from kitgauge.ingest.tasks import Measurement, Task
from kitgauge.ingest.worker_pool import start_workers
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.kit_folder import kit_folder_name
from kitgauge.load_ahead import LoadAhead
from kitgauge.protocol.loading import LoadedProtocol, load_protocol
from kitgauge.runs.context import Kit, Results, RunContext, common_shape, most_common
from kitgauge.runs.files import LOG_FILE, RUN_FILE, SCHEMA, RunLog, make_folder, new_run_folder, now, read_json
from kitgauge.runs.outcome import Begun, Run, fail, finish

# stage of the work, how much is done, how much there is
Progress = Callable[[str, int, int], None]

# what a protocol measures -> the module that does it; each brings libraries along, so only one is loaded
_KINDS = {
    "noise": "kitgauge.runs.noise",
    "dark-current": "kitgauge.runs.dark_current",
    "sharpness": "kitgauge.runs.sharpness",
    "blur": "kitgauge.runs.blur",
    "practice": "kitgauge.runs.practice",
}
_FOCUS_BRACKET = "kitgauge.runs.focus_bracket"  # sharpness, where the frames run through the focus
_DEVELOPED_NOISE = "kitgauge.runs.developed_noise"  # noise, where all frames are developed pictures
# what the workers of each kind load before the first frame comes
_NEEDED_BY_WORKERS = {
    "noise": ("rawpy", "kitgauge.ingest.iso_group"),
    "dark-current": ("rawpy", "kitgauge.ingest.dark_current"),
    "sharpness": ("rawpy", "kitgauge.ingest.edge_frames"),
    "blur": ("rawpy", "kitgauge.ingest.blur_frames"),
    "practice": ("rawpy", "kitgauge.ingest.practice_blur", "kitgauge.ingest.practice_frames"),
}
_NEEDED_FOR_REPORTS = ("matplotlib.figure", "matplotlib.backends.backend_svg", "jinja2", "kitgauge.report.page")


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
    teleconverter: float | None = None,
    workers: int | None = None,
    regions: Sequence[str] = (),
    subject_name: str | None = None,
    distance_m: float | None = None,
    executor: Executor | None = None,
    use_cache: bool = True,
    report: bool = True,
    progress: Progress | None = None,
) -> Run:
    """Measure the frames in folder `frames` as `protocol` (id or file) says, fit, set limits, and write the results.

    Results go to `out`, else to a new folder below `results`. `settings` is a CSV file that overrides or fills
    metadata; `body` and `lens` pick one of several; `pitch_um` and `focal_mm` fill in what the frames do not tell, and
    `focal_mm` picks the frames of one focal length of a zoom. `teleconverter` is the factor of one that the camera does
    not know of. A `lens` that no frame names is taken for the name of an adapted lens.
    `subject_name` is what a plan may call a moving subject, `distance_m` its distance from the lens, needed for speeds
    in mm/s where the printed target's markers are not in view.
    Frames are opened and measured by `workers` processes (default: one for each core, at most 8), or by `executor`, any
    executor of `concurrent.futures` whose workers find the frames at the same paths, `workers` tasks at a time.
    `regions` ("x,y,width,height" in pixels of the frame as shown, or in percent) restrict the search for edges.
    Raises a KitgaugeError if nothing can be measured; an interrupted run (Ctrl-C) returns with status "partial".
    """
    tell_progress = progress or (lambda _stage, _done, _total: None)
    workers = workers or min(os.cpu_count() or 2, 8)
    criteria = criteria or Criteria()
    for name, value in (("pixel pitch", pitch_um), ("focal length", focal_mm), ("distance", distance_m)):
        if value is not None and not 0 < value < 100_000:
            raise UsageError(f"the {name} is not possible", got=value, needed="a positive number")
    loaded = load_protocol(protocol)
    wanted = parse_regions(regions)
    if wanted and loaded.protocol.measures != "sharpness":
        raise UsageError(
            "regions serve to find edges whose sharpness is measured",
            where="--region",
            got=f"the protocol {loaded.protocol.id}, which measures {loaded.protocol.measures}",
            needed="a protocol that measures sharpness, such as aperture-sweep",
            fix="leave --region out",
        )
    subject_name = _of_subject(loaded, subject_name, distance_m)
    folder = Path(frames)
    module = _FOCUS_BRACKET if loaded.protocol.focus_stepped else _KINDS[loaded.protocol.measures]
    with ExitStack() as stack:
        if executor is None:
            executor = stack.enter_context(start_workers(workers, _NEEDED_BY_WORKERS[loaded.protocol.measures]))
        ahead = LoadAhead(module, *(_NEEDED_FOR_REPORTS if report else ()))
        try:
            scan = scan_folder(
                folder,
                None if settings is None else Path(settings),
                executor=executor,
                at_once=2 * workers,
                progress=lambda done, total: tell_progress("reading metadata", done, total),
            )
        except KitgaugeError:
            ahead.stop()
            raise
        scan = replace(scan, frames=named_lens(scan.frames, lens))
        scan = one_kit(scan, body, lens)
        frames_in_use = with_teleconverter(prefer_raw(scan.frames), teleconverter)
        if loaded.protocol.measures in ("sharpness", "blur"):
            frames_in_use = one_focal_length(frames_in_use, focal_mm)
        records = match_frames(frames_in_use, loaded.protocol)
        _require_usable(records, loaded, folder)
        check_regions((record.path for record in records if record.status == "used"), wanted)
        kit = _kit(records, scan, pitch_um, focal_mm)
        run_folder = _prepared(out, Path(results), kit, loaded)
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
            "teleconverter": teleconverter,
            "regions": [str(region) for region in wanted],
            "subject_name": subject_name,
            "distance_m": distance_m,
            "workers": workers,
            "use_cache": use_cache,
        }
        begun = Begun(run_folder, RunLog(run_folder / LOG_FILE), _header(loaded, kit, given), scan.not_frames)
        begun.log.add("start", **begun.header)
        cache = MeasurementCache(cache_folder() if use_cache else None)
        listener = _Listener(begun.log, tell_progress)
        context = RunContext(
            protocol=loaded.protocol,
            records=records,
            kit=kit,
            criteria=criteria,
            technique=technique,
            cache=cache,
            executor=executor,
            workers=workers,
            tell=listener.measured,
            expect=listener.expect,
            regions=wanted,
            subject_name=subject_name,
            distance_m=distance_m,
            results=Path(results),
        )
        developed_noise = loaded.protocol.measures == "noise" and kit.developed
        kind = import_module(_DEVELOPED_NOISE) if developed_noise else ahead.module(module)
        measured: Results = {}
        interrupted = False
        try:
            try:
                kind.measure(context, measured)
            except KeyboardInterrupt:
                interrupted = True
                executor.shutdown(cancel_futures=True)
            tell_progress("fitting", 0, 1)
            section = kind.conclude(context, measured)
            tell_progress("fitting", 1, 1)
            return finish(
                begun,
                context,
                section,
                shape=common_shape(measured),
                measured=listener.files,
                decoded=listener.decoded,
                interrupted=interrupted,
                report=report,
            )
        except KeyboardInterrupt:
            stopped = ResultsError(
                "interrupted before the results were written",
                where=run_folder,
                fix="run the same command again" + ("; nothing is measured twice" if cache.folder is not None else ""),
            )
            fail(begun, stopped)
            raise stopped from None
        except Exception as error:
            fail(begun, error)
            raise


def _of_subject(loaded: LoadedProtocol, name: str | None, distance_m: float | None) -> str | None:
    """Return the subject's name, checked; UsageError where the protocol has no moving subject."""
    if name is None and distance_m is None:
        return None
    if loaded.protocol.measures != "blur" or all(step.role != "subject" for step in loaded.protocol.step):
        raise UsageError(
            "this protocol has no moving subject",
            where="--distance-m" if name is None else "--subject-name",
            got=f"the protocol {loaded.protocol.id}",
            needed="a protocol with a step of role subject, such as subject-motion",
            fix="leave the option out",
        )
    from kitgauge.runs.subject import checked_name

    return checked_name(name)


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
