"""One piece of work on one frame, done in a process of its own: what it does not survive is that frame's error."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from contextlib import ExitStack
from pathlib import Path
from typing import TypeVar

from kitgauge.errors import DEBUG_VARIABLE, FrameError, KitgaugeError
from kitgauge.ingest.worker_pool import WorkerLostError, start_workers

_T = TypeVar("_T")


def in_worker(
    work: Callable[[], _T], path: Path, *, executor: Executor | None = None, modules: Sequence[str] = ()
) -> _T:
    """Return what `work()` gives, done by `executor`, or by a worker process that has loaded `modules`.

    `work` and what it gives must be picklable; it opens the frame at `path`. Raises FrameError where the worker breaks
    down, takes too long or runs out of memory, or for whatever nobody foresaw; its `where` is the file that was opened
    last. KitgaugeErrors pass as they are. Ctrl-C ends the worker at once.
    """
    with ExitStack() as stack:
        if executor is None:
            executor = start_workers(1, modules)
            stack.callback(executor.shutdown, cancel_futures=True)
        try:
            return executor.submit(work).result()
        except KitgaugeError:
            raise
        except Exception as error:
            raise _failed_on(path, error) from error


def refusal(error: Exception) -> list[str]:
    """Return flag and reason of a frame on which a piece of work has failed with an error that nobody foresaw.

    With KITGAUGE_DEBUG set, a fault of kitgauge itself is raised as it is.
    """
    failed = _failed_on(None, error)
    return [failed.flag, f"{failed.what}; {failed.fix}"]


def _failed_on(path: Path | None, error: Exception) -> FrameError:
    """Return what `refusal` does, as the error for the frame at `path`."""
    flag, fix = "measurement-failed", "please report this file"
    if isinstance(error, WorkerLostError):
        return FrameError(f"measuring it failed ({error})", flag=flag, where=error.path or path, fix=fix)
    if isinstance(error, MemoryError):
        fix = "use fewer --workers, or a computer with more memory"
        return FrameError("measuring it takes more memory than a worker may use", flag=flag, where=path, fix=fix)
    if os.environ.get(DEBUG_VARIABLE):
        raise error
    return FrameError(f"measuring it failed ({type(error).__name__}: {error})", flag=flag, where=path, fix=fix)
