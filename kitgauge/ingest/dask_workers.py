"""The workers of an existing Dask cluster, as an executor of `concurrent.futures`.

The cluster must run the same kitgauge and see the frames at the same paths; both are asked for before the work begins.
A worker that is lost in the middle of a piece of work loses nothing else: the cluster gives it to another one, and a
file that breaks one worker after the other is named as lost.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import Executor, Future
from contextlib import suppress
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from kitgauge.errors import UsageError
from kitgauge.ingest.worker_pool import WorkerLostError

_P = ParamSpec("_P")
_T = TypeVar("_T")
_CONNECT_S = 10.0
_INSTALL = "install kitgauge with its extra: pip install 'kitgauge[dask]'"


class DaskWorkers(Executor):
    """All workers of the cluster whose scheduler is at an address."""

    def __init__(self, address: str, frames: Path) -> None:
        """Connect to the scheduler at `address` ("tcp://host:8786", or a scheduler file's path).

        `frames` is the folder that every worker must see. Raises UsageError where Dask is not installed, nobody
        answers, there are no workers, or these have another kitgauge or no such folder.
        """
        try:
            from distributed import Client
        except ImportError as error:
            raise UsageError(
                "Dask is not installed here", where=f"--dask {address}", got=error, needed="distributed", fix=_INSTALL
            ) from None
        where = {"scheduler_file": address} if Path(address).is_file() else {"address": address}
        try:
            self._client: Any = Client(**where, timeout=_CONNECT_S, set_as_default=False)
        except (OSError, ValueError, TypeError) as error:  # nobody there, or no address
            raise UsageError(
                "no Dask scheduler answers",
                where=f"--dask {address}",
                got=error,
                needed="the address of a running scheduler, such as tcp://host:8786",
                fix="start one with 'dask scheduler', and workers with 'dask worker ADDRESS'",
            ) from None
        try:
            threads = self._client.nthreads()
            self.workers = sum(threads.values())
            if not self.workers:
                raise UsageError(
                    "this Dask cluster has no workers", where=f"--dask {address}", fix="start some: dask worker ADDRESS"
                )
            _check(self._client.run(_about_worker, str(frames), on_error="return"), frames, address)
            _check_scheduler(self._client.submit(_about_worker, str(frames), pure=False), address)
        except BaseException:
            self._client.close()
            raise
        self._executor: Executor = self._client.get_executor(pure=False)

    def submit(self, fn: Callable[_P, _T], /, *args: _P.args, **kwargs: _P.kwargs) -> Future[_T]:
        """Have `fn(*args, **kwargs)` done by a worker; all of them, and the result, must be picklable."""
        answer: Future[_T] = Future()
        asked = self._executor.submit(fn, *args, **kwargs)
        answer.set_running_or_notify_cancel()
        asked.add_done_callback(lambda done: _pass_on(done, answer))
        return answer

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Let go of the cluster, which goes on; with `cancel_futures` what is not done is cancelled."""
        if cancel_futures:
            with suppress(RuntimeError):
                self._executor.shutdown(wait=False)
        self._client.close(timeout=_CONNECT_S if wait else 0.0)


def _pass_on(done: Future[_T], answer: Future[_T]) -> None:
    from distributed import KilledWorker

    if done.cancelled():
        answer.set_exception(WorkerLostError("the cluster gave the work up", None))
    elif (error := done.exception()) is None:
        answer.set_result(done.result())
    elif isinstance(error, KilledWorker):
        answer.set_exception(WorkerLostError("it ended one worker of the cluster after the other", None))
    else:
        answer.set_exception(error)


def _about_worker(frames: str) -> dict[str, Any]:
    """Return what a worker must have in common with the one who asks; done on the worker."""
    import cv2

    from kitgauge.ingest.cache import code_fingerprint

    cv2.setNumThreads(1)  # as in kitgauge's own workers: each piece of work computes on one core
    return {"code": code_fingerprint(), "frames": Path(frames).is_dir()}


def _check_scheduler(asked: Any, address: str) -> None:
    """Raise UsageError where the scheduler, which reads every piece of work, does not know kitgauge."""
    try:
        asked.result()
    except RuntimeError as error:
        raise UsageError(
            "the Dask scheduler cannot pass on kitgauge's work",
            where=f"--dask {address}",
            got=str(error).partition("\n")[0],
            needed="the same kitgauge and libraries as here",
            fix="install the same kitgauge where the scheduler runs",
        ) from None


def _check(found: Mapping[str, Any], frames: Path, address: str) -> None:
    from kitgauge.ingest.cache import code_fingerprint

    for worker, about in found.items():
        if not isinstance(about, Mapping):
            got, fix = f"{type(about).__name__}: {about}", "install the same kitgauge, and the same libraries, there"
        elif about["code"] != code_fingerprint():
            got = "another version of kitgauge, or of a library that decodes frames"
            fix = "install the same kitgauge, and the same libraries, there"
        elif not about["frames"]:
            got, fix = f"no folder {frames}", "put the frames where all workers see them at the same path"
        else:
            continue
        raise UsageError(
            "a worker of the Dask cluster cannot measure these frames",
            where=f"--dask {address}, worker {worker}",
            got=got,
            needed="the same kitgauge and libraries as here, and the frames at the same path",
            fix=fix,
        )
