"""The frames behind each pair of a plane, column by column: a group may hold thousands.

The frames of the mean come first, then the one that is set against it. Where a set holds all files of an earlier one,
that one's number stands for them: written out, a setting of many frames would take their square.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

_LOOKED_BACK = 4  # sets that an earlier one of the same frames is among: two stacks of a setting are open at a time
_NONE = -1


@dataclass(frozen=True)
class FrameSet:
    """Files and setting of one pair."""

    files: tuple[str, ...]  # without those of the set `earlier`
    earlier: int | None
    count: int  # of frames, those of earlier sets included
    shutter_s: float  # NaN unknown
    f_number: float


class FrameSets:
    """The sets of one role of a group, in the order of their pairs."""

    def __init__(self) -> None:
        self._files: list[str] = []
        self._ends, self._earlier, self._counts = array("i"), array("i"), array("i")
        self._shutter_s, self._f_number = array("d"), array("d")

    def append(self, files: Sequence[str], shutter_s: float | None, f_number: float | None) -> None:
        """Add the set of the next pair: `files` of the mean, then of the frame set against it."""
        earlier = self._with_all_but_last(files)
        self._files += files if earlier == _NONE else files[-1:]
        self._ends.append(len(self._files))
        self._earlier.append(earlier)
        self._counts.append(len(files))
        self._shutter_s.append(math.nan if shutter_s is None else shutter_s)
        self._f_number.append(math.nan if f_number is None else f_number)

    def _with_all_but_last(self, files: Sequence[str]) -> int:
        for number in range(len(self) - 1, max(-1, len(self) - 1 - _LOOKED_BACK), -1):
            if self._counts[number] == len(files) - 1 and self._files[self._ends[number] - 1] == files[-2]:
                return number
        return _NONE

    def __len__(self) -> int:
        return len(self._ends)

    def __iter__(self) -> Iterator[FrameSet]:
        start = 0
        for number, end in enumerate(self._ends):
            earlier = self._earlier[number]
            yield FrameSet(
                files=tuple(self._files[start:end]),
                earlier=None if earlier == _NONE else earlier,
                count=self._counts[number],
                shutter_s=self._shutter_s[number],
                f_number=self._f_number[number],
            )
            start = end

    def settings(self) -> tuple[tuple[float, float], ...]:
        """Return (shutter_s, f_number) of each set, NaN where unknown."""
        known: dict[tuple[float, float], tuple[float, float]] = {}  # one object for each different setting
        pairs = zip(self._shutter_s, self._f_number, strict=True)
        return tuple(known.setdefault(pair, pair) for pair in pairs)

    def as_dict(self) -> dict[str, Any]:
        """Return file names and arrays."""
        return {
            "files": self._files,
            "ends": self._ends,
            "earlier": self._earlier,
            "counts": self._counts,
            "shutter_s": self._shutter_s,
            "f_number": self._f_number,
        }

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> FrameSets:
        """Return the sets that `as_dict` wrote."""
        sets = cls()
        sets._files = list(values["files"])
        sets._ends, sets._earlier, sets._counts = (array("i", values[name]) for name in ("ends", "earlier", "counts"))
        sets._shutter_s, sets._f_number = (array("d", values[name]) for name in ("shutter_s", "f_number"))
        return sets
