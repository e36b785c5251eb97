"""A frame's samples as the sensor gave them, with what is known of black and white.

Axis order is (row, column) everywhere. A plane is the regular subgrid of one position of the colour pattern, so a
2 x 2 Bayer pattern has four planes, a 6 x 6 pattern thirty-six, a monochrome sensor one. Each plane carries its colour.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from kitgauge.frames import frame_memory


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
    black_dn: float
    white_dn: float


@dataclass(frozen=True)
class Mosaic:
    """One frame's undeveloped samples.

    `samples` (row, column) DN, black not subtracted. `pattern` (row, column) holds the colour name of each position
    of the repeating pattern; `black_dn` has the pattern's shape. `black_source` is "masked", "dark", "metadata" or
    "unknown". `rendered` marks a developed picture that was linearised; its single plane is green.
    """

    path: Path
    samples: NDArray[np.uint16]
    pattern: tuple[tuple[str, ...], ...]
    black_dn: NDArray[np.float64]
    white_dn: float
    black_source: str
    rendered: bool = False
    notes: tuple[str, ...] = ()  # what a reader of the results should know about how the samples came about

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the frame."""
        rows, columns = self.samples.shape
        return int(rows), int(columns)

    def planes(self) -> Iterator[Plane]:
        """Yield the plane of each pattern position, row by row."""
        row_step, column_step = len(self.pattern), len(self.pattern[0])
        for row, names in enumerate(self.pattern):
            for column, colour in enumerate(names):
                yield Plane(
                    colour=colour,
                    row_offset=row,
                    column_offset=column,
                    row_step=row_step,
                    column_step=column_step,
                    samples=self.samples[row::row_step, column::column_step],
                    black_dn=float(self.black_dn[row, column]),
                    white_dn=self.white_dn,
                )

    def planes_apart(self) -> Iterator[Plane]:
        """Yield the planes as `planes` does, each copied together: a pass over neighbours in memory takes a tenth of
        the time of one over every other sample, and one copy of a row of the pattern serves all its colours."""
        import cv2

        planes = list(self.planes())
        row_step, column_step = len(self.pattern), len(self.pattern[0])
        columns = self.samples.shape[1]
        whole = columns // column_step
        for row in range(row_step):
            of_row = planes[row * column_step : (row + 1) * column_step]
            copies = [frame_memory.empty(plane.samples.shape) for plane in of_row]
            if whole:
                repeats = self.samples[row::row_step, : whole * column_step].reshape(-1, whole, column_step)
                cv2.split(repeats, [copy[:, :whole] for copy in copies])
            for plane, copy in zip(of_row[: columns - whole * column_step], copies, strict=False):
                copy[:, whole:] = plane.samples[:, whole:]
            while copies:  # each is let go when its user has done with it
                yield replace(of_row[-len(copies)], samples=copies.pop(0))

    def colour_mask(self, *colours: str) -> NDArray[np.bool_]:
        """Return (row, column) True where a sample has one of `colours`."""
        tile = np.array([[name in colours for name in names] for names in self.pattern], dtype=bool)
        rows, columns = self.shape
        return np.tile(tile, (-(-rows // tile.shape[0]), -(-columns // tile.shape[1])))[:rows, :columns]

    def green_mask(self) -> NDArray[np.bool_]:
        """Return (row, column) True where a sample is green (all samples of a monochrome sensor)."""
        return self.colour_mask("G", "G1", "G2")

    def signal(self) -> NDArray[np.float32]:
        """Return (row, column) samples in DN with the black of each pattern position subtracted."""
        signal = self.samples.astype(np.float32)
        row_step, column_step = self.black_dn.shape
        for row in range(row_step):
            for column in range(column_step):
                signal[row::row_step, column::column_step] -= np.float32(self.black_dn[row, column])
        return signal

    def saturated(self) -> NDArray[np.bool_]:
        """Return (row, column) True where a sample has reached the white level."""
        return np.asarray(self.samples >= self.white_dn, dtype=bool)
