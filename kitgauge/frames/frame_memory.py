"""Memory of frames that are done with serves the next ones.

A frame is tens of megabytes. Fresh memory of that size comes from the operating system page by page and goes back to it
at the end, which costs as much as reading the frame, more where several threads do it at a time. Arrays from `empty`
hand their memory on when the last view of them is gone, whoever holds it.
"""

from __future__ import annotations

import math
import threading
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
from numpy.typing import NDArray

_SMALLEST_BYTES = 1 << 20  # less is quickly had

_lock = threading.RLock()  # a view may end, and hand its memory on, while this thread holds it
_spare: dict[int, list[NDArray[np.uint8]]] = defaultdict(list)
_keepers = 0  # how many ask that memory is kept


class _Loan:
    """Memory lent to arrays: NumPy holds on to it for as long as one of them lives."""

    def __init__(self, memory: NDArray[np.uint8], shape: tuple[int, ...], kind: np.dtype[Any]) -> None:
        self._memory = memory
        self.__array_interface__ = {
            "data": memory.__array_interface__["data"],
            "shape": shape,
            "typestr": kind.str,
            "version": 3,
        }

    def __del__(self) -> None:
        with _lock:
            if _keepers:
                _spare[self._memory.nbytes].append(self._memory)


@contextmanager
def kept() -> Iterator[None]:
    """Keep memory for the next frames until the end of the block; outside of any such block `empty` is NumPy's."""
    global _keepers
    with _lock:
        _keepers += 1
    try:
        yield
    finally:
        with _lock:
            _keepers -= 1
            if not _keepers:
                _spare.clear()


def give_back() -> None:
    """Give the memory that waits for the next frame back to the system: fewer frames are held from now on."""
    with _lock:
        _spare.clear()


def empty(shape: tuple[int, ...], kind: type[np.generic] = np.uint16) -> NDArray[Any]:
    """Return an array of any content, as `numpy.empty` does, in memory that was used before where some is to be had."""
    dtype = np.dtype(kind)
    size = math.prod(shape) * dtype.itemsize
    if size < _SMALLEST_BYTES:
        return np.empty(shape, dtype)
    with _lock:
        if not _keepers:
            return np.empty(shape, dtype)
        memory = _spare[size].pop() if _spare[size] else np.empty(size, np.uint8)
    return np.asarray(_Loan(memory, shape, dtype))
