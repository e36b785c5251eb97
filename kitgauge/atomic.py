"""Files that are either whole or not there: written without a name or beside their place, flushed to disk, renamed.

Also what goes with it: several files at once, folders whose names are on disk, and being alone in a folder.
"""

from __future__ import annotations

import contextlib
import errno
import os
import signal
import stat
import tempfile
import threading
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import FrameType
from typing import IO

from kitgauge.errors import ResultsError

_LONGEST_WAIT_S = 180.0  # for others to leave a folder; what they do there takes a second or two
_LOOK_AGAIN_S = 0.02
_ABANDONED_S = 3600.0  # nobody writes one file for so long


def _ordinary_permissions() -> int:
    """Return the permissions that an ordinary new file has; mkstemp makes private ones."""
    umask = os.umask(0)
    os.umask(umask)
    return 0o666 & ~umask


# read once, before there are threads: the mask can only be read by setting it
_ORDINARY_PERMISSIONS = _ordinary_permissions()
# Linux: a file has no name until it is given one, by way of /proc
_NAMELESS = getattr(os, "O_TMPFILE", None) if Path("/proc/self/fd").is_dir() else None
# not every file system can flush to disk, set permissions or lock
_NOT_THERE = {errno.EINVAL, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP}


@contextlib.contextmanager
def atomic_file(path: Path, *, durable: bool = True) -> Iterator[IO[bytes]]:
    """Open a binary file that takes the place of `path` when the block ends without an error.

    With `durable`, data are flushed to disk before the rename, and the rename after it. Raises ResultsError (disk full,
    not writable, folder gone); an earlier file at `path` is then untouched and no half file stays behind. On Linux
    none stays behind where the process is killed, either: until it is whole, the file has no name.
    """
    with _new_file(path) as new:
        yield new.stream
        new.finish(durable=durable)
        new.put_in_place()
        if durable:
            _flush_folder(path.parent)


def write_atomically(path: Path, content: str | bytes, *, durable: bool = True) -> None:
    """Write `content` (text as UTF-8) to `path`; see `atomic_file`."""
    with atomic_file(path, durable=durable) as file:
        file.write(_as_bytes(content))


def write_together(contents: Mapping[Path, str | bytes]) -> None:
    """Write several files (text as UTF-8), in this order.

    All are whole and on disk before the first takes its place, and then all do, one right after the other: where there
    is no room for one of them, or Ctrl-C comes between, the earlier files stay, all of them. Raises ResultsError.
    """
    with contextlib.ExitStack() as stack:
        staged = []
        for path, content in contents.items():
            new = stack.enter_context(_new_file(path))
            new.stream.write(_as_bytes(content))
            new.finish(durable=True)
            staged.append(new)
        with _undisturbed():
            for new in staged:
                try:
                    new.put_in_place()
                except OSError as error:
                    raise unwritable(new.path, error) from error
        for folder in {path.parent for path in contents}:
            _flush_folder(folder)


def make_folders(folder: Path, *, exist_ok: bool = True) -> None:
    """Make `folder`, and those above it that are missing, with their names on disk. Raises OSError."""
    missing = []
    for one in (folder, *folder.parents):
        if one.exists():
            break
        missing.append(one)
    folder.mkdir(parents=True, exist_ok=exist_ok)
    for one in missing:
        _flush_folder(one.parent)


class _NewFile:
    """A file on the disk of its place, but not yet in it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.temporary: Path | None = None
        _check_place(path)
        if _NAMELESS is not None:
            try:
                self.stream = _stream(os.open(path.parent, _NAMELESS | os.O_WRONLY | os.O_CLOEXEC, 0o600))
            except OSError as error:  # not every file system has such files; what else is wrong is wrong below as well
                if error.errno in (errno.ENOSPC, errno.EDQUOT):
                    raise
            else:
                return
        _clear_abandoned(path)
        descriptor, name = tempfile.mkstemp(prefix=_prefix(path), suffix=".part", dir=path.parent)
        self.temporary = Path(name)
        self.stream = _stream(descriptor)

    def finish(self, *, durable: bool) -> None:
        """Hand all that was written to the system, and with `durable` to the disk."""
        self.stream.flush()
        with contextlib.suppress(OSError):  # a disk of another system keeps its own
            _set_permissions(self.stream.fileno(), self.temporary)
        if durable:
            _flush(self.stream.fileno())

    def put_in_place(self) -> None:
        """Give the file its name."""
        if self.temporary is None and self._linked():
            self.stream.close()
            return
        assert self.temporary is not None
        self.stream.close()  # some systems rename no open file
        self.temporary.replace(self.path)
        self.temporary = None

    def _linked(self) -> bool:
        """Give a nameless file its name; where that is taken, one beside it (and return False)."""
        folder = os.open(self.path.parent, os.O_RDONLY)
        try:
            with contextlib.suppress(FileExistsError):
                self._link(self.path.name, folder)
                return True
            _clear_abandoned(self.path)
            while True:
                name = f"{_prefix(self.path)}{os.urandom(6).hex()}.part"
                with contextlib.suppress(FileExistsError):
                    self._link(name, folder)
                    self.temporary = self.path.parent / name
                    return False
        finally:
            os.close(folder)

    def _link(self, name: str, folder: int) -> None:
        # with a folder given, the link behind the descriptor is followed (linkat(2), AT_SYMLINK_FOLLOW)
        source = f"/proc/self/fd/{self.stream.fileno()}"
        os.link(source, name, src_dir_fd=folder, dst_dir_fd=folder, follow_symlinks=True)

    def discard(self) -> None:
        """Leave nothing behind of what has not taken its place."""
        with contextlib.suppress(OSError):  # what is left to write finds no room, either
            self.stream.close()
        if self.temporary is not None:
            with contextlib.suppress(OSError):
                self.temporary.unlink()


@contextlib.contextmanager
def _new_file(path: Path) -> Iterator[_NewFile]:
    new: _NewFile | None = None
    try:
        new = _NewFile(path)
        yield new
    except OSError as error:
        raise unwritable(path, error) from error
    finally:
        if new is not None:
            new.discard()


def _stream(descriptor: int) -> IO[bytes]:
    try:
        return os.fdopen(descriptor, "wb")
    except BaseException:
        os.close(descriptor)
        raise


def _check_place(path: Path) -> None:
    """Raise OSError, or ResultsError, where `path` is no place for a file: a device would be replaced by one."""
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        return
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(errno.EISDIR, "Is a directory")
    if not stat.S_ISREG(mode):
        raise ResultsError(
            "cannot write results",
            where=path,
            got="a device or a pipe",
            needed="the name of an ordinary file",
            fix="choose another name",
        )


def _prefix(path: Path) -> str:
    return f".{path.name[:40]}."


def _clear_abandoned(path: Path) -> None:
    """Remove what attempts to write `path` have left behind that were killed long ago."""
    with contextlib.suppress(OSError), os.scandir(path.parent) as entries:
        for entry in entries:
            if entry.name.startswith(_prefix(path)) and entry.name.endswith(".part"):
                with contextlib.suppress(OSError):
                    if time.time() - entry.stat().st_mtime > _ABANDONED_S:
                        Path(entry).unlink()


def _set_permissions(descriptor: int, path: Path | None) -> None:
    if hasattr(os, "fchmod"):
        os.fchmod(descriptor, _ORDINARY_PERMISSIONS)
    elif path is not None:
        path.chmod(_ORDINARY_PERMISSIONS)


def _flush(descriptor: int) -> None:
    try:
        os.fsync(descriptor)
    except OSError as error:
        if error.errno not in _NOT_THERE:
            raise


def _flush_folder(folder: Path) -> None:
    """Flush the names in a folder to disk, where the system can."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _as_bytes(content: str | bytes) -> bytes:
    return content.encode("utf-8", errors="surrogateescape") if isinstance(content, str) else content


@contextlib.contextmanager
def _undisturbed() -> Iterator[None]:
    """Let Ctrl-C, and being told to end, wait for the end of the block."""
    if threading.current_thread() is not threading.main_thread():  # there they interrupt nothing
        yield
        return
    came: list[tuple[int, FrameType | None]] = []
    handlers = {}
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and callable(handler := signal.getsignal(number)):
            handlers[int(number)] = handler
    try:
        for number in handlers:
            signal.signal(number, lambda number, frame: came.append((number, frame)))
        yield
    finally:
        for number, handler in handlers.items():
            signal.signal(number, handler)
    for number, frame in came[:1]:
        handlers[number](number, frame)


class _Held(threading.local):
    """The folders in which this thread is alone."""

    def __init__(self) -> None:
        self.folders: set[tuple[int, int]] = set()


_held = _Held()


@contextlib.contextmanager
def alone_in(folder: Path) -> Iterator[None]:
    """Keep others who ask for it out of `folder` until the block ends, and wait until they have left.

    For reading files there and writing them anew. Serves on one machine (as a rule also on a shared disk); nothing is
    written for it, and it ends with the process, however that ends. Where folders cannot be locked (Windows, some
    network disks), or there is none, nobody waits. Raises ResultsError where the others stay for minutes.
    """
    try:
        import fcntl

        descriptor = os.open(folder, os.O_RDONLY)
    except (ImportError, OSError):
        yield
        return
    try:
        status = os.fstat(descriptor)
        key = status.st_dev, status.st_ino
        if key in _held.folders:
            yield
            return
        end = time.monotonic() + _LONGEST_WAIT_S
        while True:
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() > end:
                    raise ResultsError(
                        "another kitgauge is at work in this folder",
                        where=folder,
                        got=f"it has not left for {_LONGEST_WAIT_S:g} s",
                        fix="wait until it has ended, or end it; then try again",
                    ) from None
                time.sleep(_LOOK_AGAIN_S)
            except OSError:
                break
        _held.folders.add(key)
        try:
            yield
        finally:
            _held.folders.discard(key)
    finally:
        os.close(descriptor)


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
