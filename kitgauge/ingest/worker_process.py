"""A process that measures frames for a run, and the one that makes such processes.

Frames are decoded by native libraries: what breaks or never ends there must cost one frame, not the run. So the work is
done in processes of its own (`worker_pool` starts them). On Linux one process loads the libraries, and the workers are
forked from it: that takes a moment, and they share its memory. It runs no threads, and does nothing else.
"""

from __future__ import annotations

import errno
import gc
import json
import os
import pickle
import signal
import socket
from collections.abc import Sequence
from contextlib import suppress
from importlib import import_module
from multiprocessing.connection import Connection
from typing import Any

from kitgauge.ingest import spare_workers

OPENING, DONE, FAILED = "opening", "done", "failed"
LOAD, FORK, END_OF = "load", "fork", "end of"
LONGEST_REQUEST = 1 << 16
LIBRARIES = ("numpy", "kitgauge.ingest.scan", "rawpy", "cv2")
_GARBAGE_AFTER = 50_000


def nursery(control_fd: int, spare_fds: tuple[int, int]) -> None:
    """Load what all workers need, then do what requests ask for, until the control socket closes.

    A request is a packet with a JSON list. `LOAD` and names of modules: these are loaded. `FORK`, a folder to work in
    and a limit of memory [bytes] come with the worker's end of its connection; the answer is its process id, or the
    system's error number, negative, where there cannot be one more process. `END_OF` and a process id ask how that
    worker ended; the answer is its exit status, negative for a signal.
    """
    _load(LIBRARIES)
    control = socket.socket(fileno=control_fd)
    workers: set[int] = set()
    try:
        while True:
            request, descriptors, _, _ = socket.recv_fds(control, LONGEST_REQUEST, 1)
            if not request:
                return
            kind, *values = json.loads(request)
            if kind == LOAD:
                _load(values)
            elif kind == FORK:
                gc.freeze()  # what is there now is shared with the workers, so nobody may write to it
                folder, memory_bytes = values
                try:
                    worker = os.fork()
                except OSError as error:
                    worker = -(error.errno or errno.EAGAIN)
                if worker == 0:
                    control.close()
                    _work_and_end(descriptors[0], folder, memory_bytes, spare_fds)
                os.close(descriptors[0])
                if worker > 0:
                    workers.add(worker)
                control.sendall(b"%d" % worker)
            elif kind == END_OF:
                (worker,) = values
                workers.discard(worker)
                control.sendall(b"%d" % os.waitstatus_to_exitcode(os.waitpid(worker, 0)[1]))
    except (ConnectionError, KeyboardInterrupt):
        pass
    finally:
        for worker in workers:  # one that hangs in a library would stay behind
            os.kill(worker, signal.SIGKILL)


def worker(connection_fd: int, modules: Sequence[str], folder: str, memory_bytes: int) -> None:
    """Load `modules` and be a worker, where none can be forked."""
    _load([*LIBRARIES, *modules])
    _work_and_end(connection_fd, folder, memory_bytes, None)


def _load(modules: Sequence[str]) -> None:
    for name in modules:
        with suppress(Exception):  # told where it is needed
            import_module(name)


def _work_and_end(connection_fd: int, folder: str, memory_bytes: int, spare_fds: tuple[int, int] | None) -> None:
    code = 1
    try:
        with suppress(OSError):  # gone: what is opened there will say so
            os.chdir(folder)
        _limit_memory(memory_bytes)
        gc.set_threshold(_GARBAGE_AFTER, 20, 20)
        spare_workers.connect(spare_fds)
        _work(Connection(connection_fd))
        code = 0
    except (EOFError, ConnectionError, KeyboardInterrupt):
        code = 0  # the run has ended
    finally:
        os._exit(code)  # no clean-up of what the processes share


def _work(connection: Connection[Any, Any]) -> None:
    """Do what comes in, one after the other; tell each file that is opened, so that one that breaks it is known."""
    import cv2

    from kitgauge.frames import frame_memory, readable

    cv2.setNumThreads(1)  # each worker computes on one core
    readable.watch(lambda path: connection.send((OPENING, str(path))))
    with frame_memory.kept():
        while True:
            received = connection.recv_bytes()
            try:
                answer = pickle.dumps((DONE, pickle.loads(received)()))
            except Exception as error:
                answer = pickle.dumps((FAILED, _portable(error)))
            connection.send_bytes(answer)
            del received, answer


def _portable(error: Exception) -> Exception:
    """Return the error, or its text where it cannot be sent as it is."""
    try:
        pickle.loads(pickle.dumps(error))
    except Exception:
        return RuntimeError(f"{type(error).__name__}: {error}")
    return error


def _limit_memory(memory_bytes: int) -> None:
    try:
        import resource
    except ImportError:
        return
    soft, hard = resource.getrlimit(resource.RLIMIT_DATA)
    limit = min([memory_bytes, *(bound for bound in (soft, hard) if bound != resource.RLIM_INFINITY)])
    resource.setrlimit(resource.RLIMIT_DATA, (limit, hard))
