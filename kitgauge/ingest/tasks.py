"""Run measurements on several cores, each looked up in the cache first.

A task's work is a pure function of its files and parameters that returns plain values (they are kept as JSON).
Threads do: decoding, NumPy and OpenCV release the interpreter lock, and threads share memory.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, MutableMapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from kitgauge.errors import DEBUG_VARIABLE
from kitgauge.frames import frame_memory
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.spare_workers import offer, take_back

Measurement = dict[str, Any]


@dataclass(frozen=True)
class Task:
    """One measurement: a label for people, the cache key, the files it opens, and the work itself."""

    label: str
    key: str
    files: tuple[str, ...]
    work: Callable[[], Measurement]


def run_tasks(
    tasks: Sequence[Task],
    results: MutableMapping[str, Measurement],
    cache: MeasurementCache,
    *,
    workers: int,
    done: Callable[[Task, Measurement, bool], None],
) -> None:
    """Fill `results` (label -> measurement); `done(task, measurement, from_cache)` is called as each one ends.

    A measurement with the key "refused" (files that could not be opened) is not kept in the cache: the cause may pass.
    On Ctrl-C what is finished is in `results` and in the cache, the rest is cancelled, and KeyboardInterrupt goes on.
    """
    waiting: list[Task] = []
    for task in tasks:
        kept = cache.get(task.key)
        if kept is None:
            waiting.append(task)
        else:
            results[task.label] = kept
            done(task, kept, True)
    if not waiting:
        return
    from threadpoolctl import threadpool_limits

    # each worker computes on one core: neither linear algebra nor OpenCV must start threads of its own beside them
    with threadpool_limits(1), _opencv_in_one_thread(), frame_memory.kept(), ThreadPoolExecutor(workers) as pool:
        pending: dict[Future[Measurement], Task] = {}
        queue = iter(waiting)
        offered = 0
        try:
            # no more tasks in flight than workers: a task holds frames in memory as soon as it starts
            for task in queue:
                pending[pool.submit(task.work)] = task
                if len(pending) >= workers:
                    _collect(pending, results, cache, done)
            while pending:
                while len(pending) + offered < workers:
                    offer()
                    offered += 1
                _collect(pending, results, cache, done)
        except BaseException:
            pool.shutdown(wait=True, cancel_futures=True)
            raise
        finally:
            for _ in range(offered):
                take_back()


@contextmanager
def _opencv_in_one_thread() -> Iterator[None]:
    import cv2

    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        yield
    finally:
        cv2.setNumThreads(before)


def _collect(
    pending: dict[Future[Measurement], Task],
    results: MutableMapping[str, Measurement],
    cache: MeasurementCache,
    done: Callable[[Task, Measurement, bool], None],
) -> None:
    finished, _ = wait(pending, return_when=FIRST_COMPLETED)
    for future in finished:
        task = pending.pop(future)
        try:
            measurement = future.result()
        except Exception as error:  # one frame that breaks a decoder or a fit must not cost the others
            if os.environ.get(DEBUG_VARIABLE):
                raise
            reason = f"measuring it failed ({type(error).__name__}: {error}); please report this file"
            measurement = {"refused": {file: ["measurement-failed", reason] for file in task.files}}
        if not measurement.get("refused"):
            cache.put(task.key, measurement)
        results[task.label] = measurement
        done(task, measurement, False)
