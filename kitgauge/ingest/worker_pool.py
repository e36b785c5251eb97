"""Worker processes for the measurements of a run, as an executor of `concurrent.futures`.

A worker that breaks down, that takes too long or that asks for too much memory is replaced; the piece of work that it
had fails with `WorkerLostError`, which names the file it had opened last, and nothing else is touched.
"""

from __future__ import annotations

import atexit
import json
import os
import queue
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import suppress
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, ClassVar, ParamSpec, TypeVar

from kitgauge.errors import DEBUG_VARIABLE
from kitgauge.ingest import spare_workers
from kitgauge.ingest.worker_process import DONE, END_OF, FORK, LOAD, OPENING

_P = ParamSpec("_P")
_T = TypeVar("_T")
_Item = tuple["Future[Any]", Callable[[], Any]]

# A frame of a hundred megapixels takes seconds, on a slow machine a minute.
SECONDS_PER_FILE = 300.0
_SHARE_OF_MEMORY = 0.75
_LEAST_MEMORY_BYTES = 2 << 30
_FORKS = sys.platform == "linux"  # elsewhere, what the libraries hold does not survive a fork
_ONE_THREAD = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
_START = (
    "import json, sys; sys.path[:] = json.loads(sys.argv[1]); from kitgauge.ingest import worker_process; "
    "getattr(worker_process, sys.argv[2])(*json.loads(sys.argv[3]))"
)


class WorkerLostError(Exception):
    """The process that did a piece of work has ended before it was done; `path` is the file it had opened last."""

    def __init__(self, reason: str, path: Path | None) -> None:
        super().__init__(reason)
        self.path = path


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
        _Nursery.free().leave()


class WorkerPool(Executor):
    """So many worker processes, each doing one piece of work at a time."""

    def __init__(self, workers: int, modules: Sequence[str] = (), *, memory_bytes: int | None = None) -> None:
        """Begin to load `modules` for the workers; these start when there is work for them.

        `memory_bytes` is what one worker may use, by default its part of three quarters of the machine's memory.
        """
        self.workers = workers
        self._modules = tuple(modules)
        self._memory_bytes = memory_bytes or max(_LEAST_MEMORY_BYTES, int(_SHARE_OF_MEMORY * _memory() / workers))
        self._nursery = _Nursery.free() if _FORKS else None
        if self._nursery is not None:
            self._nursery.load(self._modules)
        self._items: queue.SimpleQueue[_Item | None] = queue.SimpleQueue()
        self._threads: list[threading.Thread] = []
        self._busy: dict[threading.Thread, _Worker] = {}
        self._idle = threading.Semaphore(0)
        self._closed = self._stopped = False

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
            self._threads.append(thread)
            thread.start()
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
                    self._busy[threading.current_thread()] = worker
                    if self._stopped:  # before it was among those that were ended
                        worker.kill()
                    future.set_result(worker.do(work))
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

    def _next(self) -> _Item | None:
        """Return the next piece of work, None when there will be no more."""
        try:
            return self._items.get_nowait()
        except queue.Empty:
            self._idle.release()
            return self._items.get()

    def _new_worker(self) -> _Worker:
        ours, theirs = socket.socketpair()
        with theirs:
            if self._nursery is not None:
                pid = self._nursery.fork(theirs, self._memory_bytes)
                return _Worker(Connection(ours.detach()), pid, self._nursery.end_of)
            process = _started("worker", theirs.fileno(), self._modules, str(Path.cwd()), self._memory_bytes)
            return _Worker(Connection(ours.detach()), process.pid, lambda _: process.wait())


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

    def _bury(self) -> int:
        """Return the exit status of a worker that has ended."""
        with self._lock:
            self._alive = False  # from now on its number may be another's
            self._connection.close()
            try:
                return self._ended(self._pid)
            except (OSError, ValueError):  # nobody is left to tell
                return 0


class _Nursery:
    """The process that workers are forked from; it stays for the next pool."""

    _waiting: ClassVar[list[_Nursery]] = []  # those that no pool uses

    def __init__(self) -> None:
        self.spare = spare_workers.make_pipe()
        self._control, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._lock = threading.Lock()
        with theirs:
            self._process = _started("nursery", theirs.fileno(), self.spare, keep=self.spare)

    @classmethod
    def free(cls) -> _Nursery:
        """Return one that nobody uses, or a new one."""
        with suppress(IndexError):
            while True:
                waiting = cls._waiting.pop()
                if waiting._process.poll() is None:
                    return waiting
                waiting.close()
        return cls()

    def leave(self) -> None:
        """Keep it for the next pool, until this process ends."""
        while spare_workers.take(self.spare):  # offered to workers that have ended
            pass
        self._waiting.append(self)

    def fork(self, connection: socket.socket, memory_bytes: int) -> int:
        """Return the process id of a new worker at the other end of `connection`."""
        with self._lock:
            socket.send_fds(self._control, [_request(FORK, str(Path.cwd()), memory_bytes)], [connection.fileno()])
            return self._answer()

    def load(self, modules: Sequence[str]) -> None:
        """Have these modules loaded before the next worker is forked."""
        with self._lock, suppress(OSError):
            self._control.sendall(_request(LOAD, *modules))

    def end_of(self, pid: int) -> int:
        """Return the exit status of a worker that has ended or is about to."""
        with self._lock:
            self._control.sendall(_request(END_OF, pid))
            return self._answer()

    def close(self) -> None:
        """End it; its workers have ended before."""
        self._control.close()
        self._process.kill()  # it may still be loading
        self._process.wait()
        for end in self.spare:
            os.close(end)

    def _answer(self) -> int:
        answer = self._control.recv(64)
        if not answer:
            raise ChildProcessError("the process that starts the workers has ended")
        return int(answer)


def _request(*values: object) -> bytes:
    return json.dumps(values).encode()


@atexit.register
def _close_all() -> None:
    while _Nursery._waiting:
        _Nursery._waiting.pop().close()


def _started(part: str, descriptor: int, *arguments: object, keep: tuple[int, ...] = ()) -> subprocess.Popen[bytes]:
    """Start a Python process that runs `part` of `worker_process`; it keeps the descriptors named."""
    return subprocess.Popen(
        [sys.executable, "-c", _START, json.dumps(sys.path), part, json.dumps([descriptor, *arguments])],
        pass_fds=(descriptor, *keep),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=None if os.environ.get(DEBUG_VARIABLE) else subprocess.DEVNULL,
        start_new_session=True,  # Ctrl-C is for the run, which ends its workers
        env={**os.environ, **_ONE_THREAD},
    )


def _how_it_ended(status: int) -> str:
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
