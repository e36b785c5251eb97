"""One folder being watched: files are read once they are whole, judged, and the fit runs in a worker beside that."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable
from concurrent.futures import Executor, Future
from dataclasses import replace
from functools import partial

from kitgauge import runner
from kitgauge.errors import KitgaugeError
from kitgauge.frames.kept_frames import KeptFrames
from kitgauge.frames.settings_file import Overrides, overrides_for, read_settings_file
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.scan import FrameRead, Scan, read_by_worker, read_frame, scan_of
from kitgauge.ingest.tasks import Measurement, Task
from kitgauge.live.arrivals import BROKEN_AFTER_S, Arrivals, Stamp
from kitgauge.live.enough import next_speeds, what_comes
from kitgauge.live.folder_watch import FolderWatch, ends_in_zeros
from kitgauge.live.shot_states import ShotBook, next_shot
from kitgauge.live.state import LiveState, Verdict
from kitgauge.protocol.marked import format_setting
from kitgauge.protocol.shot_list import CameraRange, Shot, shot_list
from kitgauge.runs import live_kinds
from kitgauge.runs.context import Kit, RunContext
from kitgauge.runs.live_fit import RunningFit
from kitgauge.runs.live_words import (
    again_text,
    arriving_text,
    doubts_of,
    kit_text,
    next_text,
    of_all,
    shot_at,
    verdict_on,
)
from kitgauge.runs.request import Chosen, Request, chosen_frames

_MAY_PASS = ("unreadable", "measurement-failed", "empty-picture")  # flags of files that may not be whole yet
_LONGEST_WAIT_S = 1.0
_WAIT_FOR_FIT_S = 0.1
_FIT_EVERY_S = 5.0  # while frames wait to be measured: the fit takes a worker from them
_SOON_S = 0.5


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
        kept: KeptFrames | None = None,
        enough_stops: float | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Watch for `request`; `show` is called with each new state, `enough_stops` is how narrow is narrow enough.

        Frames that are needed again wait in `kept`.
        """
        self.request, self.camera = request, camera
        self.kept = kept
        self._executor, self._cache, self._show, self._clock = executor, cache, show, clock
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
        self._fit = RunningFit(executor, enough_stops)
        self._fit_stale = False
        self._fitted_at = -math.inf
        self._at_once = 2 * request.workers
        self._problem = self._stage = ""
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
                begun = self._clock()
                due = self.arrivals.due(begun)
                if due:
                    changed = self._read_files(due[: self._at_once]) or changed
                if changed:
                    self._update()
                if len(due) > self._at_once:
                    self._read_more_at_once(self._clock() - begun)
                self._take_fit()
                self._show(self.state())
                if self._finished():
                    return
                relist = self._watch.wait(self._patience_s(), arriving=bool(self.arrivals.in_state("arriving")))
        finally:
            self._watch.close()

    def _patience_s(self) -> float:
        wait = _WAIT_FOR_FIT_S if self._fit.busy or self._fit_stale else _LONGEST_WAIT_S
        due = self.arrivals.next_due()
        return wait if due is None else max(0.0, min(wait, due - self._clock()))

    def _read_more_at_once(self, took_s: float) -> None:
        """Set how many files are read before the next word on them: few where they are measured, so that each is
        spoken of soon, ever more where it is quick (all is in the cache), since the records of all are gone through
        each time."""
        if took_s < _SOON_S:
            self._at_once *= 2
        else:
            self._at_once = max(2 * self.request.workers, self._at_once // 2)

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
            read = read_by_worker(future, name, folder / name)
            # some cameras fill their files up with zeros: after a while that is taken for the end
            blank = self.arrivals.age(name, self._clock()) < BROKEN_AFTER_S and ends_in_zeros(folder / name)
            whole = not blank and not set(read[0].flags) & set(_MAY_PASS)
            if whole:
                self.arrivals.opened(name, stamp)
            if (whole or self.arrivals.failed(name, stamp, self._clock())) and self.arrivals.holds(name, stamp):
                self._read[name] = (stamp, read)
                new = True
        return new

    def _update(self) -> None:
        """Match the frames to the list again, measure what is new, and judge."""
        if not self._read:
            self._chosen, self._judged = None, live_kinds.Judged(())
            self._fit.forget()
            return
        try:
            self._chosen = self._matched()
            self._problem = ""
        except KitgaugeError as error:  # it may pass: a stray frame is deleted, the right ones come
            self._chosen, self._problem = None, error.message()
            return
        kit = self._chosen.kit
        self.measuring = True
        try:
            context = self._context(self._chosen, self._executor)
            if self.kept is not None:
                self.kept = replace(self.kept, again=live_kinds.needed_again(context, self._book.shots))
                context = replace(context, kept=self.kept)
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
        if self.kept is not None:
            self.kept.let_go()
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

    def _matched(self) -> Chosen:
        """Return the frames matched to the list, and make the list for the kit that they tell.

        The list says which settings are still to come, and so which one will be the middle or the highest. Raises
        KitgaugeError.
        """
        scan, listed = self.scan, self._book.values
        chosen = chosen_frames(self.request, scan, listed=listed)
        self._book = ShotBook(self.request.loaded.protocol, self._list_for(chosen.kit))
        if self._book.values == listed:
            return chosen
        return chosen_frames(self.request, scan, listed=self._book.values)

    def _list_for(self, kit: Kit) -> tuple[Shot, ...]:
        camera = self.camera
        if camera.focal_mm is None:
            camera = replace(camera, focal_mm=kit.focal_mm, focal_35mm=camera.focal_35mm or kit.focal_35mm)
        shots = shot_list(self.request.loaded.protocol, camera).shots
        if self.request.loaded.protocol.measures == "noise" and kit.developed:
            return tuple(shot for shot in shots if shot.role != "dark")  # developed pictures need none
        return shots

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
        """Have the conclusion drawn where there is something new; while many frames wait, only now and then."""
        if self._fit.busy or not self._fit_stale or self._chosen is None:
            return
        now = self._clock()
        if self.arrivals.due(now) and now - self._fitted_at < _FIT_EVERY_S:
            return
        self._fit_stale, self._fitted_at = False, now
        context = replace(self._context(self._chosen, self._executor), records=self._judged_input())
        self._fit.begin(self.request.module_for(self._chosen.kit), context, self._judged.results)

    def _judged_input(self) -> tuple[FrameRecord, ...]:
        """Return the records as they were matched, without those that wait for a partner."""
        assert self._chosen is not None
        return tuple(record for record in self._chosen.records if record.file not in self._judged.waiting)

    def _take_fit(self) -> None:
        section = self._fit.section if self._fit.take() else None
        if section is not None and not self._fit_stale:
            # what only all frames together tell, such as one that is softer than its twin
            said = {record.file: record for record in section.records}
            self._tell([said.get(record.file, record) for record in self._judged.records])
        self._start_fit()

    def _tell(self, records: Iterable[FrameRecord]) -> None:
        """Give a verdict on each frame of which something new is to be said."""
        records = tuple(records)
        self._judged.records = records
        for record in records:
            waiting = self._judged.waiting.get(record.file)
            remark = self._judged.remarks.get(record.file, "")
            said = (record.status, record.step, record.reason, doubts_of(record), waiting is None)
            if self._told.get(record.file) == said:
                continue
            first = record.file not in self._told
            self._told[record.file] = said
            seconds = self.arrivals.age(record.file, self._clock()) if first else 0.0
            self._verdicts.append(verdict_on(record, waiting, remark, self._book, seconds))
            if (shot := self._book.shot_of(record)) is not None:
                self._last = shot

    def state(self) -> LiveState:
        """Return what there is to show now."""
        protocol = self.request.loaded.protocol
        shots = self._book.states(self._judged.records, self._judged.waiting)
        upcoming = next_shot(shots, self._last)
        complete = bool(shots) and all(shot.complete for shot in shots)
        section, estimate = self._fit.section, self._fit.estimate
        speeds = next_speeds(None if section is None else section.curves)
        wanted = "" if upcoming is None else next_text(upcoming.shot, upcoming.lacking)
        enough = estimate is not None and estimate.enough
        if complete and speeds and not enough and (more := shot_at(speeds[0][0], self._book.shots)) is not None:
            wanted = next_text(more, speeds[0][1])
        adaptive = ""
        if speeds:
            parts = [f"{frames} at {format_setting('shutter_s', speed)}" for speed, frames in speeds]
            adaptive = f"{', '.join(parts)} would tell most"
        return LiveState(
            title=protocol.title,
            folder=str(self.request.frames),
            kit="" if self._chosen is None else kit_text(self._chosen),
            shots=shots,
            verdicts=tuple(self._verdicts),
            frames=len(self._read),
            next=wanted,
            next_number=None if upcoming is None else upcoming.shot.number,
            again=tuple(again_text(shot, self._book) for shot in shots if shot.failed and not shot.complete),
            arriving=tuple(
                arriving_text(name, self.arrivals) for name in self.arrivals.in_state("arriving", "reading")
            ),
            busy=self._stage or ("fitting" if self._fit.busy or self._fit_stale else ""),
            estimate=estimate,
            no_estimate=self._no_estimate(complete),
            of_all=of_all(self._judged.records),
            adaptive=adaptive,
            complete=complete,
            away=self.arrivals.away,
            problem=self._problem,
        )

    def _no_estimate(self, complete: bool) -> str:
        """Return why there is no estimate (yet), "" where there is one."""
        section = self._fit.section
        if self._fit.estimate is not None or self._chosen is None:
            return ""
        protocol = self.request.loaded.protocol
        said: list[str] = []
        if section is not None and (complete or protocol.measures == "blur"):  # of others, frames to come may tell
            said = [*(section.missing if complete else ()), *section.no_limit]
        comes = what_comes(protocol, developed=self._chosen.kit.developed)
        return "; ".join(said) or self._fit.problem or comes

    def _finished(self) -> bool:
        """Tell whether the list is complete and, of a blur run, its interval narrow enough or nothing left to ask."""
        busy = self._fit.busy or self._fit_stale or self.arrivals.in_state("arriving", "reading")
        state = self.state()
        if not state.complete or busy or state.problem or state.away or self._judged.waiting:
            return False
        if self.request.loaded.protocol.measures != "blur":
            return True
        return state.estimate is not None and (state.estimate.enough or not state.adaptive)
