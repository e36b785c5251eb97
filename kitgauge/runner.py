"""Protocol and folder of frames in, run out: the one orchestration function."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from contextlib import ExitStack
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from typing import Any

from kitgauge.atomic import alone_in
from kitgauge.errors import KitgaugeError, ResultsError
from kitgauge.frames.kept_frames import KeptFrames
from kitgauge.ingest.cache import MeasurementCache, cache_folder
from kitgauge.ingest.scan import Scan, scan_folder
from kitgauge.ingest.tasks import Measurement, Task
from kitgauge.ingest.worker_pool import default_workers, start_workers
from kitgauge.limits.criteria import Criteria
from kitgauge.load_ahead import LoadAhead
from kitgauge.runs.context import Results, RunContext, common_shape
from kitgauge.runs.files import LOG_FILE, RUN_FILE, RunLog, make_folder, new_run_folder, read_json
from kitgauge.runs.outcome import Begun, Run, fail, finish
from kitgauge.runs.provenance import header, keep_protocol
from kitgauge.runs.request import Chosen, Request, checked_request, chosen_frames

# stage of the work, how much is done, how much there is
Progress = Callable[[str, int, int], None]

# what the workers of each kind load before the first frame comes
_NEEDED_BY_WORKERS = {
    "noise": ("rawpy", "kitgauge.ingest.iso_group"),
    "dark-current": ("rawpy", "kitgauge.ingest.dark_current"),
    "sharpness": ("rawpy", "kitgauge.ingest.edge_frames"),
    "blur": ("rawpy", "kitgauge.ingest.blur_frames"),
    "practice": ("rawpy", "kitgauge.ingest.practice_blur", "kitgauge.ingest.practice_frames"),
}
NEEDED_FOR_REPORTS = (
    "kitgauge.matplotlib_ready",
    "matplotlib.figure",
    "matplotlib.backends.backend_svg",
    "jinja2",
    "kitgauge.report.page",
)


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
    request = checked_request(
        protocol,
        frames,
        out=out,
        results=results,
        criteria=criteria,
        technique=technique,
        settings=settings,
        pitch_um=pitch_um,
        body=body,
        lens=lens,
        focal_mm=focal_mm,
        teleconverter=teleconverter,
        workers=workers or default_workers(),
        regions=regions,
        subject_name=subject_name,
        distance_m=distance_m,
        use_cache=use_cache,
    )
    with ExitStack() as stack:
        if executor is None:
            executor = stack.enter_context(workers_for(request))
        ahead = LoadAhead(request.module, *(NEEDED_FOR_REPORTS if report else ()))
        return run_scanned(
            request,
            _scanned(request, executor, ahead, tell_progress),  # not kept here: of thousands of frames it is large
            MeasurementCache(cache_folder() if use_cache else None),
            executor,
            report=report,
            progress=tell_progress,
        )


def _scanned(request: Request, executor: Executor, ahead: LoadAhead, progress: Progress) -> Scan:
    try:
        return scan_folder(
            request.frames,
            request.settings,
            executor=executor,
            at_once=2 * request.workers,
            progress=lambda done, total: progress("reading metadata", done, total),
        )
    except KitgaugeError:
        ahead.stop()
        raise
    except KeyboardInterrupt:
        ahead.stop()
        executor.shutdown(cancel_futures=True)  # a file that is hard to read would be waited for
        raise


def workers_for(request: Request) -> Executor:
    """Return the workers of a run, with what they need being loaded."""
    return start_workers(request.workers, _NEEDED_BY_WORKERS[request.loaded.protocol.measures])


def run_scanned(
    request: Request,
    scan: Scan,
    cache: MeasurementCache,
    executor: Executor,
    *,
    report: bool,
    progress: Progress,
    kept: KeptFrames | None = None,
) -> Run:
    """Measure the frames of `scan` as `run` does, looking into `cache` first, and write the results.

    Frames that were decoded before may be found among those `kept`.
    """
    chosen = chosen_frames(request, scan)
    begun = _begun(request, chosen)
    listener = _Listener(begun.log, progress)
    context = run_context(request, chosen, cache, executor, tell=listener.measured, expect=listener.expect)
    context = replace(context, kept=kept)
    kind = import_module(request.module_for(chosen.kit))
    del scan, chosen  # the records of the context are all that is needed of them
    measured: Results = {}
    cut_short = ""
    try:
        try:
            kind.measure(context, measured)
        except KeyboardInterrupt:
            cut_short = "interrupted"
            executor.shutdown(cancel_futures=True)
        if not cut_short and (gone := _gone(request.frames, measured)):
            cut_short = f"{gone} frame{' has' if gone == 1 else 's have'} gone since the run began"
        progress("fitting", 0, 1)
        section = kind.conclude(context, measured)
        progress("fitting", 1, 1)
        shape = common_shape(measured)
        measured.clear()  # writing needs memory too
        return finish(
            begun,
            context,
            section,
            shape=shape,
            measured=listener.files,
            decoded=listener.decoded,
            cut_short=cut_short,
            report=report,
        )
    except KeyboardInterrupt:
        stopped = ResultsError(
            "interrupted before the results were written",
            where=begun.folder,
            fix=_again(cache),
        )
        fail(begun, stopped)
        raise stopped from None
    except ResultsError as error:
        fail(begun, error)
        if not begun.folder.is_dir():
            raise ResultsError("the folder of this run is gone", where=begun.folder, fix=_again(cache)) from error
        raise ResultsError(
            error.what,
            where=error.where,
            got=error.got,
            needed=error.needed,
            fix="; then ".join([*([error.fix] if error.fix else []), _again(cache)]),
        ) from error
    except Exception as error:
        fail(begun, error)
        raise


def run_context(
    request: Request,
    chosen: Chosen,
    cache: MeasurementCache,
    executor: Executor,
    *,
    tell: Callable[[Task, Measurement, bool], None],
    expect: Callable[[str, int], None],
) -> RunContext:
    """Return what the modules of `runs` need to know of a run."""
    return RunContext(
        protocol=request.loaded.protocol,
        records=chosen.records,
        kit=chosen.kit,
        criteria=request.criteria,
        technique=request.technique,
        cache=cache,
        executor=executor,
        workers=request.workers,
        tell=tell,
        expect=expect,
        regions=request.regions,
        subject_name=request.subject_name,
        distance_m=request.distance_m,
        results=request.results,
    )


def _again(cache: MeasurementCache) -> str:
    return "run the same command again" + ("; nothing is measured twice" if cache.keeps else "")


def _gone(frames: Path, measured: Results) -> int:
    """Return how many files could not be opened since they are no longer there: a card was pulled out, perhaps."""
    refused = (file for result in measured.values() for file in result.get("refused") or ())
    return sum(not (frames / file).exists() for file in refused)


def _begun(request: Request, chosen: Chosen) -> Begun:
    """Return the run begun in its folder, made and writable; ResultsError if that holds another kit's or protocol's."""
    loaded, kit = request.loaded, chosen.kit
    out = request.out
    folder = new_run_folder(request.results, kit.name, loaded.protocol.id) if out is None else Path(out)
    make_folder(folder)
    begun = Begun(folder, RunLog(folder / LOG_FILE), header(request, kit), chosen.scan.not_frames)
    with alone_in(folder):  # two runs that begin at once know of each other
        was = _run_in(begun)
        if was is not None and was != (loaded.protocol.id, kit.name):
            raise ResultsError(
                "this folder holds another run",
                where=folder,
                got=f"{was[0]} of {was[1]}",
                needed=f"a new folder, or one with {loaded.protocol.id} of {kit.name}",
                fix="choose another folder with --out",
            )
        begun.log.add("start", **begun.header)
    keep_protocol(folder, loaded)
    return begun


def _run_in(begun: Begun) -> tuple[Any, Any] | None:
    """Return protocol and kit of the run that has its folder already, finished or begun; None if there is none."""
    path = begun.folder / RUN_FILE
    earlier = read_json(path) if path.exists() else begun.log.last("start")
    if earlier is None:
        return None
    named = [earlier.get(name) for name in ("protocol", "kit")]
    protocol, kit = (part if isinstance(part, dict) else {} for part in named)
    return protocol.get("id"), kit.get("name")


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
