"""Is there a file to read at all? The checks that come before any decoding, and their errors."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from kitgauge.errors import FrameError

_watcher: Callable[[Path], None] | None = None


def watch(watcher: Callable[[Path], None] | None) -> None:
    """Have `watcher` told, from now on, of each file before it is opened (a worker process tells the run)."""
    global _watcher
    _watcher = watcher


def check_readable(path: Path) -> int:
    """Return the size [bytes] of a regular, non-empty file.

    Raises
    ------
    FrameError : there is no such file, it is a folder, or it is empty
    """
    if _watcher is not None:
        _watcher(path)
    try:
        if path.is_dir():
            raise FrameError("this is a folder, not a frame", where=path, needed="one file", fix="name a file")
        if not path.is_file():
            what = "this is not a regular file" if path.exists() else "there is no such file"
            raise FrameError(what, where=path, needed="a frame from a camera", fix="check the name")
        file_bytes = path.stat().st_size
    except OSError as error:
        raise cannot_read(path, error) from error
    if file_bytes == 0:
        raise FrameError("the file is empty", where=path, got="0 bytes", fix="copy it from the card again")
    return file_bytes


def cannot_read(path: Path, error: OSError) -> FrameError:
    """Return the error for a file that the system does not let us read."""
    return FrameError(
        "the file cannot be read",
        where=path,
        got=error.strerror or str(error),
        fix="check its permissions, or copy it from the card again",
    )
