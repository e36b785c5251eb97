"""A folder on disk, listed when something has happened in it, and now and then in any case.

The system's notices of change (through watchfiles) only ring a bell: what has changed is found by listing the folder.
So nothing depends on notices being complete, and folders that give none (network folders, memory cards in some
readers) are watched all the same, a little later.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from kitgauge.errors import IngestError
from kitgauge.frames.opening import frame_paths
from kitgauge.live.arrivals import Stamp

# Between listings without a bell; a network folder's frames are seen this much later.
POLL_S = 1.0
# While files are arriving; copiers do not ring for every block on every system.
POLL_ARRIVING_S = 0.15
_SHARE_OF_TIME = 0.1  # that listing may take, in a folder of very many files
_DEBOUNCE_MS, _STEP_MS = 60, 20
_END_BYTES = 4096


class FolderWatch:
    """One folder, with its subfolders."""

    def __init__(self, folder: Path) -> None:
        """Watch `folder`, which need not be there yet."""
        self.folder = folder
        self.others: Mapping[str, str] = {}  # files that are no frames, and why
        self._bell = threading.Event()
        self._stop = threading.Event()
        self._ringer: threading.Thread | None = None
        self._identity: tuple[int, int] | None = None
        self._cost_s = 0.0
        self._listed_at = -float("inf")

    def listing(self) -> dict[str, Stamp] | None:
        """Return the frames that the folder holds now, by name below it; None where there is no folder."""
        self._bell.clear()
        begun = time.monotonic()
        found = self._found()
        self._listed_at = time.monotonic()
        self._cost_s = self._listed_at - begun
        return found

    def _found(self) -> dict[str, Stamp] | None:
        try:
            state = self.folder.stat()
            listing = frame_paths(self.folder)
        except (OSError, ValueError, IngestError):
            self._silence()
            return None
        identity = (state.st_dev, state.st_ino)
        if identity != self._identity or self._ringer is None or not self._ringer.is_alive():
            self._silence()
            self._listen(identity)
        self.others = listing.others
        stamps: dict[str, Stamp] = {}
        for path in listing.frames:
            with suppress(OSError):  # gone since
                file = path.stat()
                stamps[path.relative_to(self.folder).as_posix()] = Stamp(file.st_size, file.st_mtime_ns)
        return stamps

    def wait(self, timeout_s: float, *, arriving: bool) -> bool:
        """Wait until the folder is to be listed, at most `timeout_s`; return whether it is.

        `arriving` tells that files are known to be on their way.
        """
        every = max(POLL_ARRIVING_S if arriving else POLL_S, self._cost_s / _SHARE_OF_TIME)
        now = time.monotonic()
        due = self._listed_at + every
        if due > now:
            self._bell.wait(max(0.0, min(due - now, timeout_s)))
        if self._bell.is_set():
            # very many files: not at every ring
            return time.monotonic() - self._listed_at >= self._cost_s
        return time.monotonic() >= due

    def close(self) -> None:
        """Watch no more."""
        self._silence()

    def _listen(self, identity: tuple[int, int]) -> None:
        self._identity = identity
        self._stop = threading.Event()
        arguments = (self.folder, self._bell, self._stop)
        self._ringer = threading.Thread(target=_ring, args=arguments, name="folder bell", daemon=True)
        self._ringer.start()

    def _silence(self) -> None:
        self._stop.set()
        self._ringer = self._identity = None


def ends_in_zeros(path: Path) -> bool:
    """Tell whether the end of a file is blank, as that of one whose room was made before its content came."""
    try:
        with path.open("rb") as file:
            size = file.seek(0, os.SEEK_END)
            file.seek(max(0, size - _END_BYTES))
            return size > 0 and not any(file.read(_END_BYTES))
    except OSError:
        return False


def _ring(folder: Path, bell: threading.Event, stop: threading.Event) -> None:
    """Ring `bell` when something changes in `folder`, until `stop`; where the system gives no notices, never."""
    from watchfiles import watch

    # no such folder any more, too many watches, no rights: the folder is still listed now and then
    with suppress(OSError, RuntimeError):
        for _ in watch(
            folder,
            watch_filter=None,
            debounce=_DEBOUNCE_MS,
            step=_STEP_MS,
            stop_event=stop,
            rust_timeout=500,
            raise_interrupt=False,
            ignore_permission_denied=True,
        ):
            bell.set()
