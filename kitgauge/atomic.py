"""Files that are either whole or not there: written without a name or beside their place, flushed to disk, renamed."""

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
# Linux: a file has no name until it is given one, by way of /proc
_NAMELESS = getattr(os, "O_TMPFILE", None) if Path("/proc/self/fd").is_dir() else None


@contextlib.contextmanager
def atomic_file(path: Path, *, durable: bool = True) -> Iterator[IO[bytes]]:
    """Open a binary file that takes the place of `path` when the block ends without an error.

    With `durable`, data are flushed to disk before the rename, and the rename after it. Raises ResultsError (disk full,
    not writable, folder gone); an earlier file at `path` is then untouched and no half file stays behind. On Linux
    none stays behind where the process is killed, either: until it is whole, the file has no name.
    """
    temporary: Path | None = None
    try:
        if path.is_dir():
            raise IsADirectoryError(errno.EISDIR, "Is a directory")
        descriptor, temporary = _new_file(path)
        with os.fdopen(descriptor, "wb") as file:
            yield file
            file.flush()
            if durable:
                os.fsync(file.fileno())
            if temporary is None:
                temporary = _named(file.fileno(), path)
        temporary.chmod(_ORDINARY_PERMISSIONS)
        temporary.replace(path)
        temporary = None
        if durable:
            _flush_folder(path.parent)
    except OSError as error:
        raise unwritable(path, error) from error
    finally:
        if temporary is not None:
            with contextlib.suppress(OSError):
                temporary.unlink()


def _new_file(path: Path) -> tuple[int, Path | None]:
    """Return a new file on the disk of `path`, and its name where it must have one from the start."""
    if _NAMELESS is not None:
        try:
            return os.open(path.parent, _NAMELESS | os.O_WRONLY | os.O_CLOEXEC, 0o600), None
        except OSError as error:  # not every file system has such files; what else is wrong is wrong below as well
            if error.errno in (errno.ENOSPC, errno.EDQUOT):
                raise
    descriptor, name = tempfile.mkstemp(prefix=_prefix(path), suffix=".part", dir=path.parent)
    return descriptor, Path(name)


def _named(descriptor: int, path: Path) -> Path:
    """Give a nameless file a name beside `path`, and return it."""
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        while True:
            name = f"{_prefix(path)}{os.urandom(6).hex()}.part"
            with contextlib.suppress(FileExistsError):
                # with a folder given, the link behind the descriptor is followed (linkat(2), AT_SYMLINK_FOLLOW)
                os.link(f"/proc/self/fd/{descriptor}", name, src_dir_fd=folder, dst_dir_fd=folder, follow_symlinks=True)
                return path.parent / name
    finally:
        os.close(folder)


def _prefix(path: Path) -> str:
    return f".{path.name[:40]}."


def _flush_folder(folder: Path) -> None:
    """Flush the names in a folder to disk, where the system can."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


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
    errno.EDQUOT: "free some space, or choose another disk",
    errno.EFBIG: "allow larger files (ulimit -f), or choose another disk",
    errno.EROFS: "this disk can only be read: choose another one",
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
