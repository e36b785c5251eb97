"""A run that measures the frames while they arrive, and ends as any run over the same folder would.

Whatever is measured while frames arrive goes into the cache, so that the run at the end, which is the ordinary one,
opens hardly a frame again.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from contextlib import ExitStack

from kitgauge import runner
from kitgauge.errors import IngestError
from kitgauge.frames.kept_frames import room_for_frames
from kitgauge.ingest.cache import MeasurementCache, cache_folder
from kitgauge.live.state import LiveState
from kitgauge.load_ahead import LoadAhead
from kitgauge.protocol.shot_list import CameraRange
from kitgauge.runs.files import temporary_folder
from kitgauge.runs.live_fit import NothingMore, silent
from kitgauge.runs.live_run import LiveRun
from kitgauge.runs.outcome import Run
from kitgauge.runs.request import Request


def watch(
    request: Request,
    camera: CameraRange,
    show: Callable[[LiveState], None],
    *,
    enough_stops: float | None = None,
    report: bool = True,
    progress: runner.Progress | None = None,
    ending: Callable[[str], None] = silent,
) -> Run:
    """Follow the folder until its list is complete or Ctrl-C, then write the results of what has come.

    `camera` is what the shot list is for; `show` is called with what there is to show, `ending` with one sentence when
    that is over, `progress` as in `runner.run` from then on. Raises IngestError where no frame has arrived.
    """
    with ExitStack() as stack:
        executor: Executor = stack.enter_context(runner.workers_for(request))
        folder = cache_folder() if request.use_cache else stack.enter_context(temporary_folder())
        cache = MeasurementCache(folder)
        kept = stack.enter_context(room_for_frames(folder))
        live = LiveRun(request, camera, executor, cache, show, kept=kept, enough_stops=enough_stops)
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
        return runner.run_scanned(
            request, scan, cache, executor, report=report, progress=progress or silent, kept=live.kept
        )
