"""The process that workers are forked from, as the pool sees it, and the start of any such process."""

from __future__ import annotations

import atexit
import json
import os
import socket
import subprocess
import sys
import threading
from collections.abc import Sequence
from contextlib import suppress
from typing import ClassVar

from kitgauge.errors import DEBUG_VARIABLE
from kitgauge.ingest import spare_workers
from kitgauge.ingest.worker_process import END_OF, FORK, LOAD

_ENDING_S = 1.0  # from the end of a connection to the end of its process
_ONE_THREAD = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
_START = (
    "import json, sys; sys.path[:] = json.loads(sys.argv[1]); from kitgauge.ingest import worker_process; "
    "getattr(worker_process, sys.argv[2])(*json.loads(sys.argv[3]))"
)


class Nursery:
    """The process that workers are forked from; it stays for the next pool."""

    _waiting: ClassVar[list[Nursery]] = []  # those that no pool uses

    def __init__(self, spare: tuple[int, int] | None = None) -> None:
        self.spare = spare or spare_workers.make_pipe()
        self._control, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._lock = threading.Lock()
        with theirs:
            self._process = start_process("nursery", theirs.fileno(), self.spare, keep=self.spare)

    @classmethod
    def free(cls) -> Nursery:
        """Return one that nobody uses, or a new one."""
        with suppress(IndexError):
            while True:
                waiting = cls._waiting.pop()
                if waiting._process.poll() is None:
                    return waiting
                waiting.close()
        return cls()

    def has_ended(self) -> bool:
        """Tell whether the process has ended, or is about to."""
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(_ENDING_S)
            return True
        return False

    def successor(self) -> Nursery:
        """Return a new one in the place of one that has ended, with its pipe of spare cores."""
        self._control.close()
        return Nursery(self.spare)

    def leave(self) -> None:
        """Keep it for the next pool, until this process ends."""
        while spare_workers.take(self.spare):  # offered to workers that have ended
            pass
        self._waiting.append(self)

    def fork(self, connection: socket.socket, folder: str, memory_bytes: int) -> int:
        """Return the process id of a new worker at the other end of `connection`, at work in `folder`.

        Raises OSError where there cannot be one.
        """
        with self._lock:
            socket.send_fds(self._control, [_request(FORK, folder, memory_bytes)], [connection.fileno()])
            answer = self._answer()
        if answer < 0:
            raise OSError(-answer, os.strerror(-answer))
        return answer

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
    while Nursery._waiting:
        Nursery._waiting.pop().close()


def start_process(
    part: str, descriptor: int, *arguments: object, keep: tuple[int, ...] = ()
) -> subprocess.Popen[bytes]:
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
