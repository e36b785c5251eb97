"""Workers that have run out of tasks help those that are still busy.

As a rule a run has few tasks of equal length, so that towards its end some workers would have nothing to do. What a
task does to each of several things apart (the colour planes of a frame) it hands to `spread`, which starts a thread for
each core that is offered and else does the work itself. Cores are offered as bytes in a pipe that all worker processes
of a run share: whoever takes one out has the core until it is put back.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterable
from concurrent.futures import Future
from typing import TypeVar

_Item = TypeVar("_Item")
_Result = TypeVar("_Result")

_ONE = b"1"
_pipe: tuple[int, int] | None = None  # of this process: (to take from, to put back into)


def connect(pipe: tuple[int, int] | None) -> None:
    """Take cores from this pipe (its reading end does not wait) from now on; None: nobody offers any."""
    global _pipe
    _pipe = pipe


def make_pipe() -> tuple[int, int]:
    """Return the two ends of a pipe for offers (not on Windows, where pipes always wait)."""
    ends = os.pipe()
    os.set_blocking(ends[0], False)
    return ends


def offer(pipe: tuple[int, int]) -> None:
    """Let a core that has nothing to do help others."""
    os.write(pipe[1], _ONE)


def take(pipe: tuple[int, int]) -> bool:
    """Take one core out of the pipe; False if there is none now."""
    try:
        return bool(os.read(pipe[0], 1))
    except BlockingIOError:
        return False


def spread(work: Callable[[_Item], _Result], items: Iterable[_Item]) -> list[_Result]:
    """Return [work(item) for item in items]; cores that are free take part.

    Items are drawn one by one, no more of them at a time than there are cores at work. What `work` raises is raised.
    """
    results: list[Future[_Result]] = []
    helpers: list[threading.Thread] = []
    try:
        for item in items:
            result: Future[_Result] = Future()
            results.append(result)
            if _pipe is not None and take(_pipe):
                helpers.append(threading.Thread(target=_help, args=(_pipe, work, item, result)))
                helpers[-1].start()
            else:
                result.set_result(work(item))
            del item  # the next one may need its memory
    finally:
        for helper in helpers:
            helper.join()
    return [result.result() for result in results]


def _help(pipe: tuple[int, int], work: Callable[[_Item], _Result], item: _Item, result: Future[_Result]) -> None:
    try:
        result.set_result(work(item))
    except BaseException as error:  # handed to the one who asked for help
        result.set_exception(error)
    finally:
        offer(pipe)
