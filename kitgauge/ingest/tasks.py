"""Run measurements on several cores, each looked up in the cache first.

A task's work is a pure function of its files and parameters that returns plain values or arrays (`array`; they are kept
as JSON), and that any executor of `concurrent.futures` can do: `worker_pool` has the one that runs use. Long lists of
floats come back as arrays: they are most of what runs keep until the fit.
"""

from __future__ import annotations

from collections.abc import Callable, MutableMapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from kitgauge.ingest import spare_workers
from kitgauge.ingest.cache import MeasurementCache, compact
from kitgauge.ingest.in_worker import refusal
from kitgauge.ingest.worker_pool import WorkerLostError, WorkerPool, WorkerStartError

Measurement = dict[str, Any]


@dataclass(frozen=True)
class Task:
    """One measurement: a label for people, the cache key, the files it opens, and the work itself (picklable).

    `without` gives the task with one of several files left out, for when that one breaks the decoder; `lost` are those
    that did, with flag and reason.
    """

    label: str
    key: str
    files: tuple[str, ...]
    work: Callable[[], Measurement]
    without: Callable[[str], Task] | None = None
    lost: dict[str, list[str]] = field(default_factory=dict)


def run_tasks(
    tasks: Sequence[Task],
    results: MutableMapping[str, Measurement],
    cache: MeasurementCache,
    *,
    executor: Executor,
    at_once: int,
    done: Callable[[Task, Measurement, bool], None],
) -> None:
    """Fill `results` (label -> measurement), `at_once` tasks at a time; `done(task, measurement, from_cache)` is called
    as each one ends.

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
    pending: dict[Future[Measurement], Task] = {}
    spare = executor.spare if isinstance(executor, WorkerPool) else None
    waiting.reverse()
    offered = 0
    try:
        while waiting or pending:
            # no more tasks in flight than workers: a task holds frames in memory as soon as it starts
            while waiting and len(pending) < at_once:
                task = waiting.pop()
                pending[executor.submit(_compact, task.work)] = task
            while spare is not None and not waiting and len(pending) + offered < at_once:
                spare_workers.offer(spare)
                offered += 1
            waiting += _collect(pending, results, cache, done)
    except BaseException:
        for future in pending:
            future.cancel()
        raise
    finally:
        while spare is not None and offered and spare_workers.take(spare):
            offered -= 1


def _compact(work: Callable[[], Measurement]) -> Measurement:
    """Return what a task measures, its long rows of numbers as arrays."""
    measurement: Measurement = compact(work())
    return measurement


def _collect(
    pending: dict[Future[Measurement], Task],
    results: MutableMapping[str, Measurement],
    cache: MeasurementCache,
    done: Callable[[Task, Measurement, bool], None],
) -> list[Task]:
    """Wait for a task to end and keep what it gives; return what is to be tried again without a file."""
    again: list[Task] = []
    finished, _ = wait(pending, return_when=FIRST_COMPLETED)
    for future in finished:
        task = pending.pop(future)
        try:
            measurement = future.result()
        except WorkerStartError:  # no fault of the frame
            raise
        except Exception as error:  # one frame that breaks a decoder or a fit must not cost the others
            why = refusal(error)
            if (file := _culprit(task, error)) is not None and task.without is not None:
                again.append(replace(task.without(file), lost={**task.lost, file: why}))
                continue
            measurement = {"refused": dict.fromkeys(task.files, why)}
        if task.lost:
            measurement = {**measurement, "refused": {**(measurement.get("refused") or {}), **task.lost}}
        if not measurement.get("refused"):
            cache.put(task.key, measurement)
        results[task.label] = measurement
        done(task, measurement, False)
    return again


def _culprit(task: Task, error: Exception) -> str | None:
    """Return which of several files a worker was lost on, None where that is not known."""
    if not isinstance(error, WorkerLostError) or error.path is None or len(task.files) < 2:
        return None
    return next((file for file in task.files if error.path.parts[-len(Path(file).parts) :] == Path(file).parts), None)
