"""Planes of a mosaic: the same samples whether they are seen in place or put together by colour."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from kitgauge.frames.mosaic import Mosaic, put_together

BAYER = (("R", "G1"), ("G2", "B"))
SIX = tuple(tuple("RGB"[(row + 2 * column) % 3] for column in range(6)) for row in range(6))
MONO = (("G",),)


def mosaic_of(samples: np.ndarray, pattern: tuple[tuple[str, ...], ...]) -> Mosaic:
    black = np.arange(len(pattern) * len(pattern[0]), dtype=np.float64).reshape(len(pattern), len(pattern[0]))
    return Mosaic(Path("frame.dng"), samples, pattern, black, 4000.0, "metadata")


@pytest.mark.parametrize("pattern", [BAYER, SIX, MONO], ids=["2x2", "6x6", "one colour"])
@pytest.mark.parametrize("shape", [(12, 18), (13, 19), (7, 23), (17, 11), (5, 4), (300, 2001)])
@pytest.mark.parametrize("cut", [False, True], ids=["whole", "part of a larger array"])
def test_planes_are_the_same_when_samples_are_put_together(
    pattern: tuple[tuple[str, ...], ...], shape: tuple[int, int], cut: bool
) -> None:
    rows, columns = shape
    samples = np.random.default_rng(rows * columns).integers(0, 65536, (rows + 3, columns + 5), dtype=np.uint16)
    samples = samples[2 : 2 + rows, 3 : 3 + columns] if cut else samples[:rows, :columns].copy()
    seen = list(mosaic_of(samples.copy(), pattern).planes())
    put_together(samples, len(pattern[0]))
    mosaic = replace(mosaic_of(samples, pattern), together=True)
    together = list(mosaic.planes())
    assert len(seen) == len(together) == len(pattern) * len(pattern[0])
    for one, other in zip(seen, together, strict=True):
        np.testing.assert_array_equal(other.samples, one.samples)
        np.testing.assert_array_equal(mosaic.samples[other.within], one.samples)
        assert other.samples.strides[1] == 2
        for name in ("colour", "row_offset", "column_offset", "row_step", "column_step", "black_dn", "white_dn"):
            assert getattr(other, name) == getattr(one, name)


def test_samples_put_together_make_no_picture() -> None:
    samples = np.full((4, 4), 700, np.uint16)
    put_together(samples, 2)
    mosaic = replace(mosaic_of(samples, BAYER), together=True)
    with pytest.raises(ValueError, match="make no picture"):
        mosaic.signal()
    with pytest.raises(ValueError, match="make no picture"):
        mosaic.green_mask()
