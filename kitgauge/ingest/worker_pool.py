"""Worker processes for the measurements of a run, as an executor of `concurrent.futures`.

A worker that breaks down, that takes too long or that asks for too much memory is replaced; the piece of work that it
had fails with `WorkerLostError`, which names the file it had opened last, and nothing else is touched.
"""

from __future__ import annotations

import os
import queue
import signal
import socket
import sys
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import suppress
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from kitgauge.errors import KitgaugeError
from kitgauge.ingest.worker_nursery import Nursery, start_process
from kitgauge.ingest.worker_process import DONE, OPENING

_P = ParamSpec("_P")
_T = TypeVar("_T")
_Item = tuple["Future[Any]", Callable[[], Any]]

# A frame of a hundred megapixels takes seconds, on a slow machine a minute.
SECONDS_PER_FILE = 300.0
_SHARE_OF_MEMORY = 0.75
_LEAST_MEMORY_BYTES = 2 << 30
_WAITS_S = (0.0, 0.1, 1.0)  # before each attempt to start a worker: a machine may be short of processes for a moment
_FORKS = sys.platform == "linux"  # elsewhere, what the libraries hold does not survive a fork


class WorkerLostError(Exception):
    """The process that did a piece of work has ended before it was done; `path` is the file it had opened last."""

    def __init__(self, reason: str, path: Path | None, *, begun: bool = True) -> None:
        super().__init__(reason)
        self.path = path
        self.begun = begun  # False: it had ended before it was given the work


class WorkerStartError(KitgaugeError):
    """The system lets no worker process start."""

    def __init__(self, error: OSError | RuntimeError) -> None:
        super().__init__(
            "no process can be started to measure the frames",
            got=getattr(error, "strerror", None) or error,
            fix="close other programs, allow more processes (ulimit -u), or use fewer --workers",
        )


def default_workers() -> int:
    """Return how many workers there are where nobody says."""
    return min(os.cpu_count() or 2, 8)


def start_workers(workers: int, modules: Sequence[str] = ()) -> Executor:
    """Return an executor of so many workers that have loaded `modules`: processes, threads where Windows runs them.

    On Windows, a native library that breaks down takes the run with it.
    """
    if os.name != "posix":
        return ThreadPoolExecutor(workers)
    return WorkerPool(workers, modules)


def prepare_workers() -> None:
    """Have the libraries that workers need loaded, beside other work, before a pool is asked for."""
    if _FORKS:
        Nursery.free().leave()


class WorkerPool(Executor):
    """So many worker processes, each doing one piece of work at a time."""

    def __init__(self, workers: int, modules: Sequence[str] = (), *, memory_bytes: int | None = None) -> None:
        """Begin to load `modules` for the workers; these start when there is work for them.

        `memory_bytes` is what one worker may use, by default its part of three quarters of the machine's memory.
        """
        self.workers = workers
        self._modules = tuple(modules)
        self._memory_bytes = memory_bytes or max(_LEAST_MEMORY_BYTES, int(_SHARE_OF_MEMORY * _memory() / workers))
        self._nursery = Nursery.free() if _FORKS else None
        if self._nursery is not None:
            self._nursery.load(self._modules)
        self._items: queue.SimpleQueue[_Item | None] = queue.SimpleQueue()
        self._threads: list[threading.Thread] = []
        self._busy: dict[threading.Thread, _Worker] = {}
        self._idle = threading.Semaphore(0)
        self._closed = self._stopped = False
        self._lock = threading.Lock()

    @property
    def spare(self) -> tuple[int, int] | None:
        """Where cores without work can be offered to busy workers, None where they cannot."""
        return None if self._nursery is None else self._nursery.spare

    def submit(self, fn: Callable[_P, _T], /, *args: _P.args, **kwargs: _P.kwargs) -> Future[_T]:
        """Have `fn(*args, **kwargs)` done by a worker; all of them, and the result, must be picklable."""
        from functools import partial

        if self._closed:
            raise RuntimeError("the workers have been sent home")
        future: Future[_T] = Future()
        self._items.put((future, partial(fn, *args, **kwargs) if args or kwargs else fn))
        if not self._idle.acquire(blocking=False) and len(self._threads) < self.workers:
            thread = threading.Thread(target=self._attend, name="worker", daemon=True)
            try:
                thread.start()
            except RuntimeError as error:
                if not self._threads:  # else those that there are do the work
                    raise WorkerStartError(error) from error
            else:
                self._threads.append(thread)
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End the workers; with `cancel_futures` at once, whatever they are doing."""
        self._closed = True
        if cancel_futures:
            self._stopped = True
            with suppress(queue.Empty):
                while True:
                    if (item := self._items.get_nowait()) is not None:
                        item[0].cancel()
            for worker in list(self._busy.values()):
                worker.kill()
        for _ in self._threads:
            self._items.put(None)
        if wait:
            for thread in self._threads:
                thread.join()
        if self._nursery is not None and wait:
            self._nursery.leave()
            self._nursery = None

    def _attend(self) -> None:
        """Give one worker its work, piece by piece; a thread of its own does this for each worker."""
        worker: _Worker | None = None
        while (item := self._next()) is not None:
            future, work = item
            if future.set_running_or_notify_cancel():
                try:
                    worker = worker or self._new_worker()
                    try:
                        result = self._done(worker, work)
                    except WorkerLostError as lost:
                        worker = None
                        if lost.begun or self._stopped:
                            raise
                        worker = self._new_worker()  # that one had ended while it was idle
                        result = self._done(worker, work)
                    future.set_result(result)
                    del result
                except WorkerLostError as lost:
                    worker = None
                    future.set_exception(lost)
                except BaseException as error:
                    future.set_exception(error)
                finally:
                    self._busy.pop(threading.current_thread(), None)
            del item, future, work
        if worker is not None:
            worker.close()

    def _done(self, worker: _Worker, work: Callable[[], Any]) -> Any:
        self._busy[threading.current_thread()] = worker
        if self._stopped:  # before it was among those that were ended
            worker.kill()
        return worker.do(work)

    def _next(self) -> _Item | None:
        """Return the next piece of work, None when there will be no more."""
        try:
            return self._items.get_nowait()
        except queue.Empty:
            self._idle.release()
            return self._items.get()

    def _new_worker(self) -> _Worker:
        """Return a new worker process. Raises WorkerStartError where none can be had for a while."""
        for wait_s in _WAITS_S:
            time.sleep(wait_s)
            nursery = self._nursery
            try:
                return self._worker_of(nursery)
            except OSError as error:
                failure = error
                if nursery is not None:
                    self._replace(nursery)
        raise WorkerStartError(failure) from failure

    def _worker_of(self, nursery: Nursery | None) -> _Worker:
        folder = _working_folder()
        ours, theirs = socket.socketpair()
        with ours, theirs:
            if nursery is not None:
                pid = nursery.fork(theirs, folder, self._memory_bytes)
                return _Worker(Connection(ours.detach()), pid, nursery.end_of)
            process = start_process("worker", theirs.fileno(), self._modules, folder, self._memory_bytes)
            return _Worker(Connection(ours.detach()), process.pid, lambda _: process.wait())

    def _replace(self, nursery: Nursery) -> None:
        """Have workers forked from a new process where this one has ended; workers that it has forked go on."""
        with self._lock:
            if self._nursery is nursery and nursery.has_ended():
                self._nursery = nursery.successor()
                self._nursery.load(self._modules)


class _Worker:
    """One worker process, as the pool sees it."""

    def __init__(self, connection: Connection[Any, Any], pid: int, ended: Callable[[int], int]) -> None:
        self._connection, self._pid, self._ended = connection, pid, ended
        self._lock = threading.Lock()
        self._alive = True

    def do(self, work: Callable[[], Any]) -> Any:
        """Return what `work()` gives in the worker, raise what it raises there; WorkerLostError if the worker ends.

        It may take `SECONDS_PER_FILE` from one opened file to the next.
        """
        path: Path | None = None
        last = time.monotonic()
        try:
            self._connection.send(work)
        except ConnectionError:
            raise WorkerLostError(_how_it_ended(self._bury()), None, begun=False) from None
        try:
            while True:
                if not self._connection.poll(max(0.0, last + SECONDS_PER_FILE - time.monotonic())):
                    self.kill()
                    self._bury()
                    raise WorkerLostError(f"it took longer than {SECONDS_PER_FILE:g} s", path)
                kind, value = self._connection.recv()
                if kind == OPENING:
                    path, last = Path(value), time.monotonic()
                elif kind == DONE:
                    return value
                else:
                    raise value
        except (EOFError, ConnectionError):
            raise WorkerLostError(_how_it_ended(self._bury()), path) from None

    def kill(self) -> None:
        """End the worker, whatever it does."""
        with self._lock, suppress(ProcessLookupError):
            if self._alive:
                os.kill(self._pid, signal.SIGKILL)

    def close(self) -> None:
        """Let the worker end; it has nothing to do."""
        self._connection.close()
        self._bury()

    def _bury(self) -> int | None:
        """Return the exit status of a worker that has ended, None where nobody is left to tell."""
        with self._lock:
            self._alive = False  # from now on its number may be another's
            self._connection.close()
            try:
                return self._ended(self._pid)
            except (OSError, ValueError):
                return None


def _working_folder() -> str:
    """Return the folder of the run; the root's where it has been removed, so that relative names are not found."""
    try:
        return str(Path.cwd())
    except OSError:
        return "/"


def _how_it_ended(status: int | None) -> str:
    if status is None:
        return "the process that measured it has ended"
    if status >= 0:
        return f"the process that measured it ended with status {status}"
    names: dict[int, str] = {signal.SIGSEGV: "a memory fault", signal.SIGKILL: "being killed (for lack of memory?)"}
    name = names.get(-status) or signal.strsignal(-status) or f"signal {-status}"
    return f"the process that measured it ended by {name}"


def _memory() -> int:
    """Return the machine's memory [bytes]; 8 GiB where the system does not tell."""
    try:
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, ValueError, OSError):
        return 8 << 30
