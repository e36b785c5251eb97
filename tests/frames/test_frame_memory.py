"""Memory that frames hand on: the same bytes serve again, never two arrays at once."""

from __future__ import annotations

import gc
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from kitgauge.frames import frame_memory

BIG = (1024, 1024)  # 2 MiB of uint16


def address(array: np.ndarray) -> int:
    return int(array.__array_interface__["data"][0])


def test_memory_serves_again_when_its_last_view_is_gone() -> None:
    with frame_memory.kept():
        first = frame_memory.empty(BIG)
        place, view = address(first), first[10:, ::2]
        view[:] = 7
        del first
        second = frame_memory.empty(BIG)
        assert address(second) != place  # a view still lives
        assert int(view.min()) == 7
        del view
        gc.collect()
        third = frame_memory.empty(BIG)
        assert address(third) == place
        assert third.flags.writeable
        assert third.flags.c_contiguous
        assert third.shape == BIG


def test_other_kinds_share_memory_of_their_size() -> None:
    with frame_memory.kept():
        place = address(frame_memory.empty(BIG))
        again = frame_memory.empty((512, 1024), np.float32)
        assert address(again) == place
        assert again.dtype == np.float32


def test_small_arrays_and_arrays_outside_are_numpys() -> None:
    assert frame_memory.empty(BIG).base is None
    with frame_memory.kept():
        assert frame_memory.empty((10, 10)).base is None
        outlives = frame_memory.empty(BIG)
    outlives[...] = 3  # what was lent stays good after the block
    assert int(outlives.sum()) == 3 * outlives.size


def test_threads_never_share_a_loan() -> None:
    def use(number: int) -> bool:
        for _ in range(6):
            array = frame_memory.empty(BIG)
            array[...] = number
            other = frame_memory.empty(BIG)
            other[...] = number + 1
            if not (array == number).all() or not (other == number + 1).all():
                return False
        return True

    with frame_memory.kept(), ThreadPoolExecutor(4) as pool:
        assert all(pool.map(use, range(0, 16, 2)))
