"""Planes of a mosaic: the same samples whether they are seen in place or copied together."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from kitgauge.frames.mosaic import Mosaic

BAYER = (("R", "G1"), ("G2", "B"))
SIX = tuple(tuple("RGB"[(row + 2 * column) % 3] for column in range(6)) for row in range(6))
MONO = (("G",),)


def mosaic_of(samples: np.ndarray, pattern: tuple[tuple[str, ...], ...]) -> Mosaic:
    black = np.arange(len(pattern) * len(pattern[0]), dtype=np.float64).reshape(len(pattern), len(pattern[0]))
    return Mosaic(Path("frame.dng"), samples, pattern, black, 4000.0, "metadata")


@pytest.mark.parametrize("pattern", [BAYER, SIX, MONO], ids=["2x2", "6x6", "one colour"])
@pytest.mark.parametrize("shape", [(12, 18), (13, 19), (7, 23), (17, 11), (5, 4)])
@pytest.mark.parametrize("cut", [False, True], ids=["whole", "part of a larger array"])
def test_planes_apart_hold_the_samples_of_the_planes(
    pattern: tuple[tuple[str, ...], ...], shape: tuple[int, int], cut: bool
) -> None:
    rows, columns = shape
    samples = np.random.default_rng(rows * columns).integers(0, 65536, (rows + 3, columns + 5), dtype=np.uint16)
    samples = samples[2 : 2 + rows, 3 : 3 + columns] if cut else samples[:rows, :columns].copy()
    mosaic = mosaic_of(samples, pattern)
    seen, apart = list(mosaic.planes()), list(mosaic.planes_apart())
    assert len(seen) == len(apart) == len(pattern) * len(pattern[0])
    for one, other in zip(seen, apart, strict=True):
        np.testing.assert_array_equal(other.samples, one.samples)
        assert other.samples.flags.c_contiguous
        assert not np.shares_memory(other.samples, samples)
        assert (other.colour, other.black_dn, other.row_offset, other.column_offset) == (
            one.colour,
            one.black_dn,
            one.row_offset,
            one.column_offset,
        )
