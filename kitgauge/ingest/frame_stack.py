"""Frames of one setting as they come in, each set against the mean of those before it.

n frames make n - 1 differences that have nothing in common (Helmert contrasts), so that none is left over. What is
kept is one frame, or the exact sum of several.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from kitgauge.frames.mosaic import Mosaic, Plane
from kitgauge.ingest.record import FrameRecord


@dataclass(frozen=True)
class Contrast:
    """A frame and the mean of `reference_frames` frames of the same setting before it."""

    files: tuple[str, ...]  # of the reference, then of the frame
    shutter_s: float | None
    f_number: float | None
    newest: Mosaic
    reference: Mosaic | NDArray[np.float32]  # one frame, or (row, column) the sum of several
    reference_frames: int

    def planes(self) -> Iterator[tuple[Plane, NDArray[np.uint16] | NDArray[np.float32]]]:
        """Yield each plane of the frame with the samples of the mean beside it."""
        if isinstance(self.reference, Mosaic):
            for plane, other in zip(self.newest.planes(), self.reference.planes(), strict=True):
                yield plane, other.samples
            return
        for plane in self.newest.planes():
            yield plane, self.reference[plane.within] * np.float32(1.0 / self.reference_frames)


@dataclass
class FrameStack:
    """The frames of one setting and level so far."""

    level: float  # share of the range above black, of the first frame
    colour: float = 0.0  # blue over red above black, of the first frame [stops]
    files: list[str] = field(default_factory=list)
    _first: Mosaic | None = None
    _sum: NDArray[np.float32] | None = None  # exact: whole numbers below 2^24

    def add(self, record: FrameRecord, mosaic: Mosaic) -> Contrast | None:
        """Return the new frame against those before it; None for the first. Follow it by `keep`."""
        before = tuple(self.files)
        self.files.append(record.file)
        reference = self._first if self._sum is None else self._sum
        if reference is None:
            self._first = mosaic
            return None
        return Contrast((*before, record.file), record.shutter_s, record.f_number, mosaic, reference, len(before))

    def keep(self, mosaic: Mosaic) -> None:
        """Add the frame last given to `add` to what later ones are set against."""
        if self._sum is None:
            if self._first is None or self._first is mosaic:
                return
            self._sum = self._first.samples.astype(np.float32)
            self._first = None
        cv2.accumulate(mosaic.samples, self._sum)

    def single(self) -> tuple[str, Mosaic] | None:
        """Return the frame that has found no partner, with its file; None where there are none or several."""
        return (self.files[0], self._first) if len(self.files) == 1 and self._first is not None else None
