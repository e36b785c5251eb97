"""Work for worker processes in tests: what can go well there, and what can go wrong."""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from pathlib import Path

from kitgauge.errors import FrameError
from kitgauge.frames.readable import check_readable
from kitgauge.ingest.spare_workers import spread


def double(number: int) -> int:
    return 2 * number


def process_id(_number: int = 0) -> int:
    return os.getpid()


def where() -> str:
    return str(Path.cwd())


def parent() -> int:
    return os.getppid()


def wait_for(path: str) -> str:
    """Say that the work has begun, and wait until it may end."""
    Path(path).with_suffix(".begun").touch()
    while not Path(path).exists():
        time.sleep(0.005)
    return path


def measure(paths: list[Path], breaking: str = "", how: str = "") -> dict[str, object]:
    """Open each of the files; one of them breaks the process."""
    seen = []
    for path in paths:
        check_readable(path)
        if path.name == breaking:
            break_down(how)
        seen.append(path.name)
    return {"seen": seen}


def break_down(how: str) -> None:
    if how == "fault":
        os.kill(os.getpid(), signal.SIGSEGV)
    elif how == "exit":
        os._exit(3)
    elif how == "hang":
        time.sleep(600)
    elif how == "memory":
        bytearray(3 << 30)
    elif how == "frame":
        raise FrameError("made up", flag="empty-picture", where="x.dng", got=1, needed=2, fix="do nothing")
    elif how == "unpicklable":
        raise UnpicklableError(threading.Lock())


class UnpicklableError(Exception):
    pass


def unpicklable() -> object:
    return threading.Lock()


def print_something() -> int:
    print("to standard output")
    print("to standard error", file=sys.stderr)
    return 1


def threads_used(count: int) -> int:
    """Return how many threads did the parts of a piece of work."""

    def part(_: int) -> int:
        time.sleep(0.05)
        return threading.get_ident()

    return len(set(spread(part, range(count))))
