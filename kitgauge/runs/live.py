"""A run that measures the frames while they arrive, and ends as any run over the same folder would.

Each file is read once it is whole, then judged; the fit runs in a worker beside that. Whatever is measured goes into
the cache, so that the run at the end, which is the ordinary one, opens hardly a frame again.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterable
from concurrent.futures import Executor, Future
from contextlib import ExitStack
from dataclasses import replace
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from kitgauge import runner
from kitgauge.errors import DEBUG_VARIABLE, IngestError, KitgaugeError
from kitgauge.flags import FLAGS, Severity
from kitgauge.frames.settings_file import Overrides, overrides_for, read_settings_file
from kitgauge.ingest.cache import MeasurementCache, cache_folder
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.scan import FrameRead, Scan, read_frame, scan_of
from kitgauge.ingest.tasks import Measurement, Task
from kitgauge.ingest.worker_pool import WorkerLostError
from kitgauge.live.arrivals import Arrivals, Stamp
from kitgauge.live.enough import Estimate, estimate_of, next_speeds
from kitgauge.live.folder_watch import FolderWatch
from kitgauge.live.shot_states import ShotBook, failed_frame, next_shot, settings_text
from kitgauge.live.state import LiveState, Verdict
from kitgauge.load_ahead import LoadAhead
from kitgauge.protocol.marked import format_setting
from kitgauge.protocol.shot_list import CameraRange, Shot, shot_list
from kitgauge.runs import live_kinds
from kitgauge.runs.context import RunContext, Section
from kitgauge.runs.outcome import Run
from kitgauge.runs.request import Chosen, Request, chosen_frames

_MAY_PASS = ("unreadable", "measurement-failed", "empty-picture")  # flags of files that may not be whole yet
_LONGEST_WAIT_S = 1.0
_A_FEW = 16
_WAIT_FOR_FIT_S = 0.1


class NothingMore(Executor):
    """In place of workers once the run has been interrupted: what is not in the cache stays unmeasured."""

    def submit(self, _work: Callable[..., Any], /, *_args: Any, **_kwargs: Any) -> Future[Any]:
        """Take no work."""
        raise KeyboardInterrupt


class LiveRun:
    """One folder being watched for one protocol."""

    def __init__(
        self,
        request: Request,
        camera: CameraRange,
        executor: Executor,
        cache: MeasurementCache,
        show: Callable[[LiveState], None],
        *,
        enough_stops: float | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Watch for `request`; `show` is called with each new state, `enough_stops` is how narrow is narrow enough."""
        self.request, self.camera = request, camera
        self._executor, self._cache, self._show, self._clock = executor, cache, show, clock
        self._enough_stops = enough_stops
        self.arrivals = Arrivals()
        self._watch = FolderWatch(request.frames)
        self._rows: dict[str, Overrides] = {}
        self._read: dict[str, tuple[Stamp, FrameRead]] = {}
        self._order: list[str] = []
        self._chosen: Chosen | None = None
        self._book = ShotBook(request.loaded.protocol, shot_list(request.loaded.protocol, camera).shots)
        self._judged = live_kinds.Judged(())
        self._handheld = live_kinds.Handheld()
        self._told: dict[str, tuple[object, ...]] = {}
        self._verdicts: list[Verdict] = []
        self._last: Shot | None = None
        self._fit: Future[Section] | None = None
        self._fit_stale = False
        self._section: Section | None = None
        self._estimate: Estimate | None = None
        self._problem = self._no_fit = self._stage = ""
        self.measuring = False  # an interrupt now leaves frames unmeasured

    @property
    def scan(self) -> Scan:
        """What has been read so far; files still on their way are named among those that are no frames."""
        reads = [self._read[name][1] for name in self._order if name in self._read]
        arriving = dict.fromkeys(self.arrivals.in_state("arriving", "reading"), "had not arrived whole")
        return scan_of(self.request.frames, reads, {**self._watch.others, **arriving})

    def follow(self) -> None:
        """Measure what arrives until the list is complete; KeyboardInterrupt passes through."""
        if self.request.settings is not None:
            self._rows = read_settings_file(self.request.settings)
        relist = True
        try:
            while True:
                changed = False
                if relist:
                    changed = self._listen()
                if due := self.arrivals.due(self._clock()):
                    # few at a time, so that each is spoken of soon; a folder that was full before is taken at once
                    few = len(due) <= _A_FEW
                    changed = self._read_files(due[: 2 * self.request.workers] if few else due) or changed
                if changed:
                    self._update()
                self._take_fit()
                self._show(self.state())
                if self._finished():
                    return
                relist = self._watch.wait(self._patience_s(), arriving=bool(self.arrivals.in_state("arriving")))
        finally:
            self._watch.close()

    def _patience_s(self) -> float:
        wait = _LONGEST_WAIT_S if self._fit is None else _WAIT_FOR_FIT_S
        due = self.arrivals.next_due()
        return wait if due is None else max(0.0, min(wait, due - self._clock()))

    def _listen(self) -> bool:
        """Take in what the folder holds; return whether files that were read have gone or changed."""
        listing = self._watch.listing()
        self.arrivals.observe(listing, self._clock())
        if not self.arrivals.away and listing is not None:
            self._order = list(listing)
        gone = [name for name, (stamp, _) in self._read.items() if not self.arrivals.holds(name, stamp)]
        for name in gone:
            del self._read[name]
            self._told.pop(name, None)
        return bool(gone)

    def _read_files(self, names: Iterable[str]) -> bool:
        """Read hash and settings of whole files; return whether there is anything new."""
        folder = self.request.frames
        reading: list[tuple[str, Stamp, Future[FrameRead]]] = []
        for name in names:
            path = folder / name
            work = partial(read_frame, name, path, overrides_for(self._rows, path, folder))
            reading.append((name, self.arrivals.begin(name), self._executor.submit(work)))
        new = False
        for name, stamp, future in reading:
            try:
                read = future.result()
            except WorkerLostError as lost:
                read = (FrameRecord(file=name, path=folder / name).rejected("unreadable", str(lost)), None)
            whole = not set(read[0].flags) & set(_MAY_PASS)
            if whole:
                self.arrivals.opened(name, stamp)
            if (whole or self.arrivals.failed(name, stamp, self._clock())) and self.arrivals.holds(name, stamp):
                self._read[name] = (stamp, read)
                new = True
        return new

    def _update(self) -> None:
        """Match the frames to the list again, measure what is new, and judge."""
        if not self._read:
            self._chosen, self._judged, self._section, self._estimate = None, live_kinds.Judged(()), None, None
            return
        try:
            self._chosen = chosen_frames(self.request, self.scan)
            self._problem = ""
        except KitgaugeError as error:  # it may pass: a stray frame is deleted, the right ones come
            self._chosen, self._problem = None, error.message()
            return
        kit = self._chosen.kit
        self._book = ShotBook(self.request.loaded.protocol, self._list_for(kit.focal_mm, kit.focal_35mm))
        self.measuring = True
        try:
            context = self._context(self._chosen, self._executor)
            judged = live_kinds.judge(self.request.module_for(kit), context, self._handheld)
        except KitgaugeError as error:
            self._problem, self.measuring = error.message(), False
            return
        finally:
            self._stage = ""
        self.measuring = False
        if self._not_whole(judged):
            self._update()
            return
        self._judged = judged
        self._fit_stale = judged.concludes
        self._tell(judged.records)
        self._start_fit()
        if self._stills_complete():
            self._show(self.state())
            live_kinds.prepare(self.request.module_for(kit), context)

    def _stills_complete(self) -> bool:
        """Tell whether the list asks for no more tripod frames."""
        assert self._chosen is not None
        states = self._book.states(self._chosen.records, {})
        return all(state.complete for state in states if state.shot.role == "tripod")

    def _not_whole(self, judged: live_kinds.Judged) -> bool:
        """Take back files that did not open and may not be whole yet; return whether there were any."""
        found = False
        for record in judged.records:
            if record.status != "rejected" or not set(record.flags) & set(_MAY_PASS) or record.file not in self._read:
                continue
            stamp = self._read[record.file][0]
            if self.arrivals.in_state("read").count(record.file) and not self.arrivals.failed(
                record.file, stamp, self._clock()
            ):
                del self._read[record.file]
                found = True
        return found

    def _list_for(self, focal_mm: float | None, focal_35mm: float | None) -> tuple[Shot, ...]:
        camera = self.camera
        if camera.focal_mm is None:
            camera = replace(camera, focal_mm=focal_mm, focal_35mm=camera.focal_35mm or focal_35mm)
        return shot_list(self.request.loaded.protocol, camera).shots

    def _context(self, chosen: Chosen, executor: Executor) -> RunContext:
        return runner.run_context(
            self.request, chosen, self._cache, executor, tell=self._measured, expect=self._expected
        )

    def _expected(self, stage: str, total: int) -> None:
        self._stage = f"{stage}: {total}" if total > 1 else stage

    def _measured(self, _task: Task, _measurement: Measurement, from_cache: bool) -> None:
        if not from_cache:  # it has taken its time
            self._show(self.state())

    def _start_fit(self) -> None:
        """Have the conclusion drawn in a worker, unless one is being drawn: then again after it."""
        if self._fit is not None or not self._fit_stale or self._chosen is None:
            return
        self._fit_stale = False
        context = replace(
            self._context(self._chosen, NothingMore()),
            cache=MeasurementCache(None),
            tell=_silent,
            expect=_silent,
            records=self._judged_input(),
        )
        work = partial(live_kinds.conclude, self.request.module_for(self._chosen.kit), context, self._judged.results)
        self._fit = self._executor.submit(work)

    def _judged_input(self) -> tuple[FrameRecord, ...]:
        """Return the records as they were matched, without those that wait for a partner."""
        assert self._chosen is not None
        return tuple(record for record in self._chosen.records if record.file not in self._judged.waiting)

    def _take_fit(self) -> None:
        if self._fit is None or not self._fit.done():
            return
        fit, self._fit = self._fit, None
        try:
            self._section = fit.result()
        except Exception as error:  # a few frames may defeat a fit that more of them make possible
            if os.environ.get(DEBUG_VARIABLE):
                raise
            what = error.what if isinstance(error, KitgaugeError) else f"{type(error).__name__}: {error}"
            self._section, self._estimate, self._no_fit = None, None, f"nothing could be fitted ({what})"
        else:
            self._no_fit = ""
            self._estimate = estimate_of(self._section.limits, self._enough_stops)
            if not self._fit_stale:  # what only all frames together tell, such as one that is softer than its twin
                said = {record.file: record for record in self._section.records}
                self._tell([said.get(record.file, record) for record in self._judged.records])
        self._start_fit()

    def _tell(self, records: Iterable[FrameRecord]) -> None:
        """Give a verdict on each frame of which something new is to be said."""
        records = tuple(records)
        self._judged.records = records
        for record in records:
            waiting = self._judged.waiting.get(record.file)
            remark = self._judged.remarks.get(record.file, "")
            said = (record.status, record.step, record.reason, _doubts(record), waiting is None)
            if self._told.get(record.file) == said:
                continue
            first = record.file not in self._told
            self._told[record.file] = said
            seconds = self.arrivals.age(record.file, self._clock()) if first else 0.0
            self._verdicts.append(_verdict(record, waiting, remark, self._book, seconds))
            if (shot := self._book.shot_of(record)) is not None:
                self._last = shot

    def state(self) -> LiveState:
        """Return what there is to show now."""
        protocol = self.request.loaded.protocol
        shots = self._book.states(self._judged.records, self._judged.waiting)
        upcoming = next_shot(shots, self._last)
        complete = bool(shots) and all(shot.complete for shot in shots)
        no_estimate, adaptive = self._no_fit, ""
        if self._section is not None and self._estimate is None and complete:  # before that, frames are to come
            no_estimate = "; ".join(self._section.missing)
        if speeds := next_speeds(None if self._section is None else self._section.curves):
            parts = [f"{frames} at {format_setting('shutter_s', speed)}" for speed, frames in speeds]
            adaptive = f"{', '.join(parts)} would narrow the interval most"
        return LiveState(
            title=protocol.title,
            folder=str(self.request.frames),
            kit="" if self._chosen is None else _kit_text(self._chosen),
            shots=shots,
            verdicts=tuple(self._verdicts),
            frames=len(self._read),
            next="" if upcoming is None else _next_text(upcoming.shot, upcoming.lacking),
            next_number=None if upcoming is None else upcoming.shot.number,
            again=tuple(self._again(shots)),
            arriving=tuple(self._arriving()),
            busy=self._stage or ("fitting" if self._fit is not None else ""),
            estimate=self._estimate,
            no_estimate=no_estimate,
            adaptive=adaptive,
            complete=complete,
            away=self.arrivals.away,
            problem=self._problem,
        )

    def _again(self, shots: Iterable[Any]) -> Iterable[str]:
        for state in shots:
            if state.failed and not state.complete:
                hint = ""
                if self._book.by_order(state.shot):
                    hint = "; delete the failed frame first, since frames at this setting are told apart by their order"
                yield f"{state.shot.step}: {state.lacking} of {state.shot.frames}{hint}"

    def _arriving(self) -> Iterable[str]:
        for name in self.arrivals.in_state("arriving", "reading"):
            megabytes = self.arrivals.size(name) / 1e6
            broken = " (does not open yet)" if self.arrivals.does_not_open(name) else ""
            yield f"{name} {megabytes:.1f} MB{broken}"

    def _finished(self) -> bool:
        """Tell whether the list is complete and, of a blur run, its interval narrow enough or nothing left to ask."""
        busy = self._fit is not None or self._fit_stale or self.arrivals.in_state("arriving", "reading")
        state = self.state()
        if not state.complete or busy or state.problem or state.away or self._judged.waiting:
            return False
        if self.request.loaded.protocol.measures != "blur":
            return True
        return self._estimate is not None and (self._estimate.enough or not state.adaptive)


def _silent(*_anything: object) -> None:
    """Tell nobody."""


def _doubts(record: FrameRecord) -> tuple[str, ...]:
    return tuple(name for name in record.flags if FLAGS[name].severity is Severity.DOUBT)


def _verdict(record: FrameRecord, waiting: str | None, remark: str, book: ShotBook, seconds: float) -> Verdict:
    step = record.step or ""
    if record.status == "rejected":
        failed = failed_frame(record)
        return Verdict(record.file, "failed", step, failed.why, failed.advice, seconds)
    if waiting is not None:
        return Verdict(record.file, "waiting", step, waiting, "", seconds)
    if record.status == "unmatched":
        return Verdict(record.file, "left out", step, record.reason or "serves no step", "", seconds)
    if book.shot_of(record) is None:
        remark = "; ".join(part for part in (remark, "besides the list, used all the same") if part)
    if doubts := [FLAGS[name] for name in _doubts(record)]:
        words = "; ".join([*([remark] if remark else []), *(flag.text for flag in doubts)])
        return Verdict(record.file, "doubtful", step, words, doubts[0].advice, seconds)
    return Verdict(record.file, "good", step, remark, "", seconds)


def _next_text(shot: Shot, lacking: int) -> str:
    many = f"{lacking} frame{'' if lacking == 1 else 's'}"
    return f"{shot.step}: {many} at {settings_text(shot)}"


def _kit_text(chosen: Chosen) -> str:
    kit = chosen.kit
    focal = f"{kit.focal_mm:g} mm" if kit.focal_mm else ""
    return ", ".join(part for part in (kit.body or "a body that is not named", kit.lens or "", focal) if part)


def watch(
    request: Request,
    camera: CameraRange,
    show: Callable[[LiveState], None],
    *,
    enough_stops: float | None = None,
    report: bool = True,
    progress: runner.Progress | None = None,
    ending: Callable[[str], None] = _silent,
) -> Run:
    """Follow the folder until its list is complete or Ctrl-C, then write the results of what has come.

    `camera` is what the shot list is for; `show` is called with what there is to show, `ending` with one sentence when
    that is over, `progress` as in `runner.run` from then on. Raises IngestError where no frame has arrived.
    """
    with ExitStack() as stack:
        executor: Executor = stack.enter_context(runner.workers_for(request))
        folder = cache_folder() if request.use_cache else Path(stack.enter_context(TemporaryDirectory()))
        cache = MeasurementCache(folder)
        live = LiveRun(request, camera, executor, cache, show, enough_stops=enough_stops)
        LoadAhead(request.module, *runner.NEEDED_FOR_REPORTS)  # until the first frame comes
        try:
            live.follow()
            ending("All that the list asks for is there.")
        except KeyboardInterrupt:
            if live.measuring:
                executor.shutdown(cancel_futures=True)
                executor = NothingMore()
            ending("Stopped: the results so far are being written. Ctrl-C again leaves without them.")
        scan = live.scan
        if not scan.frames:
            raise IngestError(
                "no frame has arrived",
                where=request.frames,
                needed=f"frames as in 'kitgauge brief {request.loaded.protocol.id}'",
                fix="check that this is the folder into which the frames are copied",
            )
        return runner.run_scanned(request, scan, cache, executor, report=report, progress=progress or _silent)
