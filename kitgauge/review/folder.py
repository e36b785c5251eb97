"""A frame or a folder of frames reviewed, worst first. RAW and JPEG of one exposure are one picture.

Frames are opened by worker processes only: what breaks there costs the frame, not the review.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from kitgauge.errors import FrameError, IngestError, UsageError
from kitgauge.frames.opening import RAW_SUFFIXES, RENDERED_SUFFIXES, frame_paths
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.in_worker import in_worker, refusal
from kitgauge.ingest.tasks import Measurement, Task, run_tasks
from kitgauge.ingest.worker_pool import default_workers, start_workers
from kitgauge.review.kit import Kits
from kitgauge.review.one_frame import Review, Wishes
from kitgauge.review.shots import MODULES, ShotReview, by_name, review_one, shot_task

SCHEMA = 1


@dataclass(frozen=True)
class Reviewed:
    """What came of a review: `frames` worst first; files that are named as frames but cannot be opened, and files that
    are no frames, each with the reason."""

    where: Path
    frames: tuple[Review, ...]
    not_opened: dict[str, str]
    not_frames: dict[str, str]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "schema": SCHEMA,
            "where": str(self.where),
            "frames": [frame.as_dict() for frame in self.frames],
            "not_opened": dict(self.not_opened),
            "not_frames": dict(self.not_frames),
        }


def review(
    path: Path | str,
    results: Path | str = "results",
    kit: str | None = None,
    *,
    limits: Path | str | None = None,
    technique: str | None = None,
    output_mp: float | None = None,
    keep: float | None = None,
    pitch_um: float | None = None,
    workers: int | None = None,
    executor: Executor | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Reviewed:
    """Return the review of a frame, or of all frames of a folder and its subfolders.

    `results` and `kit` as for plans, or `limits`, the path of a limits file; `progress(done, total)` is called per
    shot. Frames are opened and looked at by `workers` processes (default: one for each core, at most 8), or by
    `executor`, any executor of `concurrent.futures` whose workers find the frames at the same paths, `workers` shots at
    a time. A file of a folder that cannot be opened, or that a worker does not survive, is listed with the reason; a
    single frame raises FrameError. Raises UsageError, PlanError, LimitsError or ResultsError where the limits do not
    serve.
    """
    path = Path(path)
    kits = Kits(Path(results), kit, None if limits is None else Path(limits))
    wishes = Wishes(technique, output_mp, keep, pitch_um)
    if not path.is_dir():
        return Reviewed(path, (_single(path, kits, wishes, executor),), {}, {})
    listing = frame_paths(path)
    if not listing.frames:
        raise IngestError(
            "no frames in this folder",
            where=path,
            got=f"{len(listing.others)} other files" if listing.others else "nothing",
            needed="raw files, or JPEG, TIFF or PNG pictures",
            fix="name the folder that holds the frames",
        )
    tasks = [shot_task(files, path, kits, wishes) for files in by_name(listing.frames)]
    found: list[Review] = []
    failed: dict[str, str] = {}
    for measurement in _done_by_workers(tasks, workers, executor, progress):
        shot: ShotReview = measurement.get("shot", ShotReview())
        found += shot.reviews
        for name, error in shot.not_opened.items():
            failed[name] = error.what if error.got is None else f"{error.what} ({error.got})"
        failed |= {name: reason for name, (_, reason) in measurement.get("refused", {}).items()}
    found.sort(
        key=lambda frame: (-frame.stops_wanting, -max((way.stops for way in frame.next), default=0.0), frame.file)
    )
    return Reviewed(path, tuple(found), failed, dict(listing.others))


def _done_by_workers(
    tasks: Sequence[Task],
    workers: int | None,
    executor: Executor | None,
    progress: Callable[[int, int], None] | None,
) -> list[Measurement]:
    """Return the measurements of tasks from `shot_task`, in their order.

    Workers share the machine's memory. A shot that needs more than its part is reviewed again when the others are done,
    by one that has all of it. Raises the error of the first frame that the limits do not serve; that, and Ctrl-C, ends
    the workers at once.
    """
    workers = min(workers or default_workers(), len(tasks))
    results: dict[str, Measurement] = {}
    ended = 0

    def done(_task: Task, measurement: Measurement, _from_cache: bool) -> None:
        nonlocal ended
        shot: ShotReview | None = measurement.get("shot")
        if shot is not None and shot.stop is not None:
            raise shot.stop
        if shot is None or not shot.short_of_memory:
            ended += 1
        if progress is not None:
            progress(ended, len(tasks))

    remaining = list(tasks)
    for at_once in (workers, 1) if executor is None and workers > 1 else (workers,):
        with ExitStack() as stack:
            if executor is None:
                pool = start_workers(at_once, MODULES)
                stack.callback(pool.shutdown, cancel_futures=True)
            else:
                pool = executor
            run_tasks(remaining, results, MeasurementCache(None), executor=pool, at_once=at_once, done=done)
        remaining = [task for task in remaining if _short_of_memory(results[task.label])]
        if not remaining:
            break
    for task in remaining:
        results[task.label] = {"refused": dict.fromkeys(task.files, refusal(MemoryError()))}
    return [results[task.label] for task in tasks]


def _short_of_memory(measurement: Measurement) -> bool:
    return "shot" in measurement and measurement["shot"].short_of_memory


def _single(path: Path, kits: Kits, wishes: Wishes, executor: Executor | None) -> Review:
    """Return the review of one file, with the developed picture beside it if it is a raw file."""
    if not path.exists():
        raise UsageError("there is no such file or folder", where=path, fix="check the path")
    beside: list[Path] = []
    with suppress(OSError):  # what else lies in the folder does not matter to this frame
        beside = [
            other
            for other in path.parent.iterdir()
            if other.stem.casefold() == path.stem.casefold()
            and other.suffix.lower() in {*RAW_SUFFIXES, *RENDERED_SUFFIXES}
        ]
    try:
        return in_worker(partial(review_one, path, beside, kits, wishes), path, executor=executor, modules=MODULES)
    except FrameError as error:
        if error.flag != "measurement-failed" or error.where == str(path):
            raise
    return in_worker(partial(review_one, path, (), kits, wishes), path, executor=executor, modules=MODULES)
