"""Workers that have run out of tasks help those that are still busy.

As a rule a run has few tasks of equal length, so that towards its end some workers would have nothing to do. What a
task does to each of several things apart (the colour planes of a frame) it hands to `spread`, which takes a worker that
is offered and else does the work itself.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from concurrent.futures import Future
from typing import TypeVar

_Item = TypeVar("_Item")
_Result = TypeVar("_Result")

_free = threading.Semaphore(0)


def offer() -> None:
    """Let a worker that has nothing to do help others, until it is taken back."""
    _free.release()


def take_back() -> None:
    """Take back a worker that was offered, once it has finished."""
    _free.acquire()


def spread(work: Callable[[_Item], _Result], items: Iterable[_Item]) -> list[_Result]:
    """Return [work(item) for item in items]; workers that are free take part.

    Items are drawn one by one, no more of them at a time than there are workers at work. What `work` raises is raised.
    """
    results: list[Future[_Result]] = []
    helpers: list[threading.Thread] = []
    try:
        for item in items:
            result: Future[_Result] = Future()
            results.append(result)
            if _free.acquire(blocking=False):
                helpers.append(threading.Thread(target=_help, args=(work, item, result)))
                helpers[-1].start()
            else:
                result.set_result(work(item))
            del item  # the next one may need its memory
    finally:
        for helper in helpers:
            helper.join()
    return [result.result() for result in results]


def _help(work: Callable[[_Item], _Result], item: _Item, result: Future[_Result]) -> None:
    try:
        result.set_result(work(item))
    except BaseException as error:  # handed to the one who asked for help
        result.set_exception(error)
    finally:
        _free.release()
