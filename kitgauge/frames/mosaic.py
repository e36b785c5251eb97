"""A frame's samples as the sensor gave them, with what is known of black and white.

Axis order is (row, column) everywhere. A plane is the regular subgrid of one position of the colour pattern, so a
2 x 2 Bayer pattern has four planes, a 6 x 6 pattern thirty-six, a monochrome sensor one. Each plane carries its colour.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

_BLOCK_BYTES = 1 << 18


@dataclass(frozen=True)
class Plane:
    """The samples of one position of the colour pattern.

    `samples` is a view, (row, column), in DN with black still in it; `black_dn` and `white_dn` are this position's.
    `row_offset`, `column_offset` and `row_step`, `column_step` place it in the frame: sample (i, j) is frame pixel
    (row_offset + i * row_step, column_offset + j * column_step).
    """

    colour: str  # "R", "G1", "G2", "B" (Bayer), "R", "G", "B" (6 x 6), "G" (monochrome)
    row_offset: int
    column_offset: int
    row_step: int
    column_step: int
    samples: NDArray[np.uint16]
    within: tuple[slice, slice]  # rows and columns of the mosaic's `samples` that these are
    black_dn: float
    white_dn: float


@dataclass(frozen=True)
class Mosaic:
    """One frame's undeveloped samples.

    `samples` (row, column) DN, black not subtracted. `pattern` (row, column) holds the colour name of each position
    of the repeating pattern; `black_dn` has the pattern's shape. `black_source` is "masked", "dark", "metadata" or
    "unknown". `rendered` marks a developed picture that was linearised; its single plane is green.

    `together`: in each row of `samples`, those of the pattern's first column come first, then all of the next. What
    goes through planes takes a tenth of the time then, samples of one colour being neighbours in memory; there is no
    picture in it to find edges in.
    """

    path: Path
    samples: NDArray[np.uint16]
    pattern: tuple[tuple[str, ...], ...]
    black_dn: NDArray[np.float64]
    white_dn: float
    black_source: str
    rendered: bool = False
    together: bool = False
    notes: tuple[str, ...] = ()  # what a reader of the results should know about how the samples came about

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the frame."""
        rows, columns = self.samples.shape
        return int(rows), int(columns)

    def planes(self) -> Iterator[Plane]:
        """Yield the plane of each pattern position, row by row."""
        row_step, column_step = len(self.pattern), len(self.pattern[0])
        starts = column_starts(self.samples.shape[1], column_step)
        for row, names in enumerate(self.pattern):
            for column, colour in enumerate(names):
                columns = slice(*starts[column : column + 2]) if self.together else slice(column, None, column_step)
                within = (slice(row, None, row_step), columns)
                yield Plane(
                    colour=colour,
                    row_offset=row,
                    column_offset=column,
                    row_step=row_step,
                    column_step=column_step,
                    samples=self.samples[within],
                    within=within,
                    black_dn=float(self.black_dn[row, column]),
                    white_dn=self.white_dn,
                )

    def colour_mask(self, *colours: str) -> NDArray[np.bool_]:
        """Return (row, column) True where a sample has one of `colours`; one array for all frames alike, not to be
        written to."""
        self._needs_picture()
        return _mask(self.pattern, self.shape, colours)

    def green_mask(self) -> NDArray[np.bool_]:
        """Return (row, column) True where a sample is green (all samples of a monochrome sensor)."""
        return self.colour_mask("G", "G1", "G2")

    def signal(self) -> NDArray[np.float32]:
        """Return (row, column) samples in DN with the black of each pattern position subtracted."""
        self._needs_picture()
        signal = self.samples.astype(np.float32)
        row_step, column_step = self.black_dn.shape
        for row in range(row_step):
            for column in range(column_step):
                signal[row::row_step, column::column_step] -= np.float32(self.black_dn[row, column])
        return signal

    def saturated(self) -> NDArray[np.bool_]:
        """Return (row, column) True where a sample has reached the white level."""
        return np.asarray(self.samples >= self.white_dn, dtype=bool)

    def _needs_picture(self) -> None:
        if self.together:
            raise ValueError("samples put together by colour make no picture: open the frame without that")


@lru_cache(maxsize=4)
def _mask(pattern: tuple[tuple[str, ...], ...], shape: tuple[int, int], colours: tuple[str, ...]) -> NDArray[np.bool_]:
    tile = np.array([[name in colours for name in names] for names in pattern], dtype=bool)
    rows, columns = shape
    mask = np.tile(tile, (-(-rows // tile.shape[0]), -(-columns // tile.shape[1])))[:rows, :columns]
    mask.flags.writeable = False
    return mask


def column_starts(columns: int, step: int) -> list[int]:
    """Return where the samples of each of `step` pattern columns begin once they are put together, and their end."""
    widths = [len(range(column, columns, step)) for column in range(step)]
    return [sum(widths[:column]) for column in range(step + 1)]


def put_together(samples: NDArray[np.uint16], step: int, into: NDArray[np.uint16] | None = None) -> None:
    """Put the samples (row, column) of each of `step` pattern columns together within their row, in place or `into` an
    array of the same shape.
    """
    if step == 1:
        if into is not None:
            into[...] = samples
        return
    import cv2

    rows, columns = samples.shape
    starts = column_starts(columns, step)
    whole = columns // step
    height = rows_at_a_time(columns)
    buffers = [np.empty((height, end - start), np.uint16) for start, end in pairwise(starts)] if into is None else []
    for top in range(0, rows, height):
        block = samples[top : top + height]
        if into is None:
            parts = [buffer[: len(block)] for buffer in buffers]
        else:
            parts = [into[top : top + height, start:end] for start, end in pairwise(starts)]
        if whole:
            side_by_side = as_strided(
                block, (len(block), whole, step), (block.strides[0], 2 * step, 2), writeable=False
            )
            cv2.split(side_by_side, [part[:, :whole] for part in parts])
        for column in range(columns - whole * step):
            parts[column][:, whole] = block[:, whole * step + column]
        if into is None:
            for part, (start, end) in zip(parts, pairwise(starts), strict=True):
                block[:, start:end] = part


def rows_at_a_time(columns: int) -> int:
    """Return how many rows of so many samples stay in the processor's cache on their way out and back."""
    return max(1, _BLOCK_BYTES // (2 * columns))
