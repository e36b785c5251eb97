"""Which files of a folder have arrived whole: a state machine fed with what the folder holds, and when.

It knows neither disk nor clock. A file is due to be read when its size and time of change have stayed the same for a
while. One that cannot be opened then may still be on its way (a copier that makes room for the whole file first, or
that pauses): it is tried again, and given up for broken after some seconds without a change. A folder that is gone, or
empty all at once where it held several files (the mount point of a card that was pulled out), is away: nothing is
forgotten, and what comes back unchanged is not read again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Literal, NamedTuple

from kitgauge.frames.opening import RAW_SUFFIXES

# How long a file must stay as it is before it is read; copiers write every few milliseconds, a hiccup apart.
STEADY_S = 0.4
# A file that does not open is not called broken until it has not changed for so long.
BROKEN_AFTER_S = 6.0
# The first developed picture waits so long for a raw file of the same name; afterwards it is known what to expect.
PAIR_S = 1.5
_FIRST_RETRY_S, _SLOWEST_RETRY_S = 0.5, 2.0
# One file that goes away has been deleted; several at once have gone with their card.
_MOST_DELETED_AT_ONCE = 1

State = Literal["arriving", "reading", "read", "broken"]


class Stamp(NamedTuple):
    """What tells whether a file has changed: size [bytes] and time of change [ns]."""

    size: int
    mtime_ns: int


@dataclass
class _File:
    stamp: Stamp
    changed_at: float
    state: State = "arriving"
    tries: int = 0
    not_before: float = 0.0


class Arrivals:
    """The files of a folder, by name below it. Times are seconds of any clock that only goes forward."""

    def __init__(
        self, *, steady_s: float = STEADY_S, broken_after_s: float = BROKEN_AFTER_S, pair_s: float = PAIR_S
    ) -> None:
        """Know of no files yet."""
        self._steady_s, self._broken_after_s, self._pair_s = steady_s, broken_after_s, pair_s
        self._files: dict[str, _File] = {}
        self._ever_read = False
        self.away = False

    def observe(self, listing: Mapping[str, Stamp] | None, at: float) -> None:
        """Take in what the folder holds at this time; None where there is no folder."""
        if listing is None or (not listing and len(self._files) > _MOST_DELETED_AT_ONCE):
            self.away = True
            return
        came_back, self.away = self.away, False
        for name in [name for name in self._files if name not in listing]:
            del self._files[name]
        for name, stamp in listing.items():
            file = self._files.get(name)
            if file is None or file.stamp != stamp or (came_back and file.state != "read"):
                self._files[name] = _File(stamp, at)

    def due(self, at: float) -> list[str]:
        """Return the files to be read now, in the order of their names."""
        if self.away:
            return []
        return sorted(name for name, file in self._files.items() if self._due_at(name, file) <= at)

    def next_due(self) -> float | None:
        """Return when a file will be due if nothing changes, None where nothing is waited for."""
        if self.away:
            return None
        times = [self._due_at(name, file) for name, file in self._files.items() if file.state == "arriving"]
        return min((time for time in times if time != float("inf")), default=None)

    def begin(self, name: str) -> Stamp:
        """Return the stamp of a file that is about to be read."""
        self._files[name].state = "reading"
        return self._files[name].stamp

    def holds(self, name: str, stamp: Stamp) -> bool:
        """Tell whether the file is there as it was when it had this stamp (or was, before the folder went away)."""
        file = self._files.get(name)
        return file is not None and file.stamp == stamp

    def opened(self, name: str, stamp: Stamp) -> None:
        """Take in that a file was opened and is whole."""
        if self.holds(name, stamp):
            self._files[name].state = "read"
            self._ever_read = True

    def failed(self, name: str, stamp: Stamp, at: float) -> bool:
        """Take in that a file could not be opened, and return whether it is given up until it changes."""
        if not self.holds(name, stamp):
            return False
        file = self._files[name]
        if at - file.changed_at >= self._broken_after_s and not self.away:
            file.state = "broken"
            return True
        file.state = "arriving"
        file.tries += 1
        file.not_before = at + min(_FIRST_RETRY_S * 2.0 ** (file.tries - 1), _SLOWEST_RETRY_S)
        return False

    def in_state(self, *states: State) -> list[str]:
        """Return the files in any of these states, in the order of their names."""
        return sorted(name for name, file in self._files.items() if file.state in states)

    def size(self, name: str) -> int:
        """Return the size of a file when it was last seen [bytes]."""
        return self._files[name].stamp.size

    def age(self, name: str, at: float) -> float:
        """Return for how long a file has been as it is [s], 0 where it is not there."""
        return at - self._files[name].changed_at if name in self._files else 0.0

    def does_not_open(self, name: str) -> bool:
        """Tell whether a file that stays as it is could not be opened so far."""
        return self._files[name].tries > 0

    def _due_at(self, name: str, file: _File) -> float:
        if file.state != "arriving" or file.stamp.size == 0:
            return float("inf")
        steady = max(file.changed_at + self._steady_s, file.not_before)
        if PurePosixPath(name).suffix.lower() in RAW_SUFFIXES:
            return steady
        if self._raw_on_its_way(name):
            return float("inf")
        return steady if self._ever_read else max(steady, file.changed_at + self._pair_s)

    def _raw_on_its_way(self, name: str) -> bool:
        """Tell whether a raw file of the same name is there and not read yet."""
        own = PurePosixPath(name)
        for other, file in self._files.items():
            if file.state in ("arriving", "reading"):
                path = PurePosixPath(other)
                same = path.parent == own.parent and path.stem.casefold() == own.stem.casefold()
                if same and path.suffix.lower() in RAW_SUFFIXES:
                    return True
        return False
