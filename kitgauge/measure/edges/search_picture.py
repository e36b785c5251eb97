"""The small picture in which edges are searched: means of one colour over blocks, taken from the mosaic at little cost.

A search reads every sample of the measured colour once. For the regular patterns of cameras this is done position by
position on strided views, without making a mask or a floating-point copy of the whole frame.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]

LONG_SIDE = 1500  # of the reduced picture, at most
_MOST_POSITIONS = 8  # of the pattern that are averaged: more would only cost time
_FINE_ENOUGH = 700  # long side of a reduced picture
_LARGE_FRAME = 8_000_000  # samples
_FULL = np.uint16(4096)


@dataclass(frozen=True)
class SearchPicture:
    """A reduced frame: `image` [DN, black subtracted] and `clipped` (share of samples at the white level).

    Both are (row, column); one pixel stands for `block` x `block` of the frame of `shape`. `clipped` is None where
    nothing is at the white level. The picture begins at column `left` and row `top` of the frame.
    """

    image: Image
    clipped: Image | None
    block: int
    shape: tuple[int, int]
    left: int = 0
    top: int = 0

    def in_frame(self, x: float, y: float) -> tuple[float, float]:
        """Return a place of the reduced picture in pixels of the frame."""
        return (x + 0.5) * self.block - 0.5 + self.left, (y + 0.5) * self.block - 0.5 + self.top

    def in_picture(self, x: float, y: float) -> tuple[float, float]:
        """Return a place of the frame in pixels of the reduced picture."""
        return (x - self.left + 0.5) / self.block - 0.5, (y - self.top + 0.5) / self.block - 0.5


def picture_of_signal(
    signal: NDArray[np.float32],
    mask: NDArray[np.bool_],
    saturated: NDArray[np.bool_],
    long_side: int = LONG_SIDE,
) -> SearchPicture:
    """Return the reduced picture of a whole mosaic [DN, black subtracted] with the masks of its measured samples.

    Works for any mask; `picture_of_samples` is quicker for a repeating pattern.
    """
    block = _block(signal.shape, 1 if mask.all() else 2, long_side)
    full = saturated & mask
    clipped = reduce_frame(full.astype(np.float32), mask, block) if full.any() else None
    return SearchPicture(reduce_frame(signal, mask, block), clipped, block, (signal.shape[0], signal.shape[1]))


def picture_of_samples(
    samples: NDArray[np.uint16],
    wanted: NDArray[np.bool_],
    black_dn: NDArray[np.float64],
    white_dn: float,
    *,
    region: tuple[int, int, int, int] | None = None,
    long_side: int = LONG_SIDE,
) -> SearchPicture:
    """Return the reduced picture of undeveloped samples (row, column) with black still in them.

    `wanted` (row, column) of the repeating pattern is True where a position has the measured colour; `black_dn` has the
    same shape. Of large patterns a part of the positions, spread evenly, stands for all. `region` (left, top, right,
    bottom) [px] cuts out a part of the frame, its border rounded inward to whole patterns.
    """
    steps = wanted.shape
    left, top, right, bottom = region or (0, 0, samples.shape[1], samples.shape[0])
    left, top = -(-left // steps[1]) * steps[1], -(-top // steps[0]) * steps[0]
    part = samples[top:bottom, left:right]
    coarse = max(steps)
    frame = (samples.shape[0], samples.shape[1])
    if coarse > 2 and max(part.shape) < coarse * _FINE_ENOUGH:
        # blocks of whole patterns would be too coarse
        black = _tiled(black_dn, part.shape)
        mask = _tiled(wanted, part.shape)
        picture = picture_of_signal((part - black).astype(np.float32), mask, part >= white_dn, long_side)
        return replace(picture, shape=frame, left=left, top=top)
    block = _block(part.shape, coarse, long_side)
    rows, columns = part.shape[0] // block, part.shape[1] // block
    places = [(int(row), int(column)) for row, column in np.argwhere(wanted)]
    if len(places) > _MOST_POSITIONS:
        every = len(places) / _MOST_POSITIONS
        places = [places[int((k + 0.5) * every)] for k in range(_MOST_POSITIONS)]
    total = np.zeros((rows, columns), dtype=np.float32)
    clipped: Image | None = None
    planes = _planes(places, steps[0], block, thin=part.size > _LARGE_FRAME and coarse <= 2)
    for row, column, row_step in planes if rows and columns else ():
        plane = part[row : rows * block : row_step, column : columns * block : steps[1]]
        total += _area_mean(plane, (rows, columns))
        total -= np.float32(black_dn[row % steps[0], column])
        if plane.max() >= white_dn:
            full = _area_mean(np.where(plane >= white_dn, _FULL, np.uint16(0)), (rows, columns))
            clipped = full if clipped is None else clipped + full
    if clipped is not None:
        clipped = clipped * np.float32(1.0 / (int(_FULL) * len(planes)))
    return SearchPicture(total * np.float32(1.0 / len(planes)), clipped, block, frame, left, top)


def _planes(places: list[tuple[int, int]], step: int, block: int, *, thin: bool) -> list[tuple[int, int, int]]:
    """Return (first row, first column, step of rows) of the samples to average.

    Of a large frame (`thin`) only the first and the last rows of a block are read: its middle stays where it is, and
    the others would cost time and no longer show an edge that these do not.
    """
    last = block - step
    if not thin or last < step:
        return [(row, column, step) for row, column in places]
    if len(places) == 1:
        return [(row + shift, column, block) for row, column in places for shift in (0, last)]
    return [(row if index % 2 == 0 else row + last, column, block) for index, (row, column) in enumerate(places)]


def _tiled(tile: NDArray[Any], shape: tuple[int, ...]) -> NDArray[Any]:
    """Return the pattern repeated over `shape`."""
    rows, columns = (-(-size // step) for size, step in zip(shape, tile.shape, strict=True))
    return np.tile(tile, (rows, columns))[: shape[0], : shape[1]]


def _area_mean(plane: NDArray[np.uint16], shape: tuple[int, int]) -> Image:
    """Return means over blocks; a plane whose size is a multiple of `shape` has whole blocks."""
    if plane.shape == shape:
        return plane.astype(np.float32)
    reduced = cv2.resize(plane, (shape[1], shape[0]), interpolation=cv2.INTER_AREA)
    return np.asarray(reduced, dtype=np.float32)


def _block(shape: tuple[int, ...], step: int, long_side: int) -> int:
    """Return the smallest multiple of the pattern's `step` that keeps the picture within `long_side`."""
    return step * max(1, -(-max(shape) // (step * long_side)))


def reduce_frame(signal: NDArray[np.float32], mask: NDArray[np.bool_], block: int) -> Image:
    """Return (row, column) the mean of the masked samples in blocks of `block` pixels; a ragged border is cut off."""
    if block == 1:
        return np.ascontiguousarray(signal, dtype=np.float32)
    total = _block_means(np.multiply(signal, mask, dtype=np.float32), block)
    share = _block_means(mask.view(np.uint8).astype(np.float32), block)
    return np.asarray(total / np.maximum(share, 1e-6), dtype=np.float32)


def _block_means(values: NDArray[np.float32], block: int) -> Image:
    rows, columns = (size // block for size in values.shape)
    part = values[: rows * block, : columns * block]
    return np.asarray(cv2.resize(part, (columns, rows), interpolation=cv2.INTER_AREA), dtype=np.float32)
