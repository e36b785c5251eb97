"""Frames of one setting as they come in, each set against the mean of those before it.

n frames make n - 1 differences that have nothing in common (Helmert contrasts), so that none is left over. What is
kept is one frame, or the exact sum of several.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from kitgauge.frames import frame_memory
from kitgauge.frames.mosaic import Mosaic, Plane
from kitgauge.ingest.record import FrameRecord

_ROWS = 64  # at a time, so that what comes up in between stays small
_MOST_DN = 65535
MOST_FRAMES = 256  # in one sum


class FrameSum:
    """The exact sum of frames, in 16 bits, and 8 more from where they overflow: one and a half frames of memory."""

    def __init__(self, one: NDArray[np.uint16], two: NDArray[np.uint16]) -> None:
        self._highest_dn = int(one.max())
        self._low: NDArray[np.uint16] = frame_memory.empty(one.shape)
        self._low[...] = one
        self._overflows: NDArray[np.uint8] | None = None
        self.add(two)

    def add(self, samples: NDArray[np.uint16]) -> None:
        """Add the samples (row, column) of one more frame, at most `MOST_FRAMES` in all."""
        self._highest_dn += int(samples.max())
        if self._highest_dn <= _MOST_DN:
            np.add(self._low, samples, out=self._low)
            return
        if self._overflows is None:
            self._overflows = frame_memory.empty(samples.shape, np.uint8)
            self._overflows[...] = 0
        for top in range(0, len(samples), _ROWS):
            low, new = self._low[top : top + _ROWS], samples[top : top + _ROWS]
            np.add(low, new, out=low)
            self._overflows[top : top + _ROWS] += low < new

    def mean(self, within: tuple[slice, slice], frames: int) -> NDArray[np.float32]:
        """Return the mean of so many frames, of the samples `within` (row, column) [DN]."""
        total = self._low[within].astype(np.float32)
        if self._overflows is not None:
            for top in range(0, len(total), _ROWS):
                total[top : top + _ROWS] += self._overflows[within][top : top + _ROWS] * np.float32(_MOST_DN + 1)
        total *= np.float32(1.0 / frames)
        return total


@dataclass(frozen=True)
class Contrast:
    """A frame and the mean of `reference_frames` frames of the same setting before it."""

    files: tuple[str, ...]  # of the reference, then of the frame
    shutter_s: float | None
    f_number: float | None
    newest: Mosaic
    reference: Mosaic | FrameSum  # one frame, or the sum of several
    reference_frames: int

    def planes(self) -> Iterator[tuple[Plane, NDArray[np.uint16] | NDArray[np.float32]]]:
        """Yield each plane of the frame with the samples of the mean beside it."""
        if isinstance(self.reference, Mosaic):
            for plane, other in zip(self.newest.planes(), self.reference.planes(), strict=True):
                yield plane, other.samples
            return
        for plane in self.newest.planes():
            yield plane, self.reference.mean(plane.within, self.reference_frames)


@dataclass
class FrameStack:
    """The frames of one setting and level so far."""

    level: float  # share of the range above black, of the first frame
    colour: float = 0.0  # blue over red above black, of the first frame [stops]
    files: list[str] = field(default_factory=list)
    _first: Mosaic | None = None
    _sum: FrameSum | None = None

    @property
    def full(self) -> bool:
        """Tell whether the sum holds as many frames as it can."""
        return len(self.files) >= MOST_FRAMES

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
        if self._sum is not None:
            self._sum.add(mosaic.samples)
        elif self._first is not None and self._first is not mosaic:
            self._sum = FrameSum(self._first.samples, mosaic.samples)
            self._first = None
            frame_memory.give_back()  # what the first frame had: the sum took its place

    def single(self) -> tuple[str, Mosaic] | None:
        """Return the frame that has found no partner, with its file; None where there are none or several."""
        return (self.files[0], self._first) if len(self.files) == 1 and self._first is not None else None
