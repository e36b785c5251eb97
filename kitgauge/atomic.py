"""Files that are either whole or not there: written beside their place, flushed to disk, then renamed."""

from __future__ import annotations

import contextlib
import errno
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from kitgauge.errors import ResultsError


def _ordinary_permissions() -> int:
    """Return the permissions that an ordinary new file has; mkstemp makes private ones."""
    umask = os.umask(0)
    os.umask(umask)
    return 0o666 & ~umask


# read once, before there are threads: the mask can only be read by setting it
_ORDINARY_PERMISSIONS = _ordinary_permissions()


@contextlib.contextmanager
def atomic_file(path: Path, *, durable: bool = True) -> Iterator[IO[bytes]]:
    """Open a binary file that takes the place of `path` when the block ends without an error.

    With `durable`, data are flushed to disk before the rename. Raises ResultsError (disk full, not writable, folder
    gone); an earlier file at `path` is then untouched and no half file stays behind.
    """
    temporary: str | None = None
    try:
        if path.is_dir():
            raise IsADirectoryError(errno.EISDIR, "Is a directory")
        descriptor, temporary = tempfile.mkstemp(prefix=f".{path.name[:80]}.", suffix=".part", dir=path.parent)
        with os.fdopen(descriptor, "wb") as file:
            yield file
            file.flush()
            if durable:
                os.fsync(file.fileno())
        Path(temporary).chmod(_ORDINARY_PERMISSIONS)
        Path(temporary).replace(path)
        temporary = None
    except OSError as error:
        raise unwritable(path, error) from error
    finally:
        if temporary is not None:
            with contextlib.suppress(OSError):
                Path(temporary).unlink()


def write_atomically(path: Path, content: str | bytes, *, durable: bool = True) -> None:
    """Write `content` (text as UTF-8) to `path`; see `atomic_file`."""
    with atomic_file(path, durable=durable) as file:
        file.write(content.encode("utf-8", errors="surrogateescape") if isinstance(content, str) else content)


_FIXES = {
    errno.ENOENT: "make that folder first, or choose another place",
    errno.ENOTDIR: "a file stands where a folder should be: choose another place",
    errno.EEXIST: "a file stands where a folder should be: choose another place",
    errno.EISDIR: "that is a folder: give the name of a file in it",
    errno.ENOSPC: "free some space, or choose another disk",
    errno.ENAMETOOLONG: "choose a shorter name",
}


def unwritable(path: Path, error: OSError) -> ResultsError:
    """Return the error a user should read when `path` cannot be written."""
    return ResultsError(
        "cannot write results",
        where=path,
        got=error.strerror or str(error),
        fix=_FIXES.get(error.errno or 0, "choose another folder, or change its permissions"),
    )
