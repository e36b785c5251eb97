"""Decoded frames kept on disk for a while, so that one that is needed again is not decoded again.

While frames arrive one by one, a frame is looked at before its partner is there, and measured again with all of its
group later: by another process, perhaps after many other frames, so memory is no place for it. Its samples wait on disk
as they are, and are mapped into memory when they are needed; reading them costs a tenth of decoding them or less. The
oldest go where there would be more than was allowed; those are decoded again.
"""

from __future__ import annotations

import mmap
import os
import pickle
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass
from hashlib import sha256
from itertools import accumulate
from pathlib import Path
from typing import Any, TypeVar

_T = TypeVar("_T")
_HEAD_BYTES = 8  # length of what comes before the samples
_ALIGNED_BYTES = 64
_ROOM = "decoded-"
_MOST_BYTES = 4 << 30  # eighty frames of 24 megapixels
_SHARE_OF_DISK = 0.25  # of what is free
_LEFT_BEHIND_S = 2 * 86_400.0


@dataclass(frozen=True)
class KeptFrames:
    """A folder for decoded frames, at most so many bytes; `again` are the files whose samples are worth keeping."""

    folder: Path
    most_bytes: int
    again: frozenset[Path] = frozenset()

    def doing(self, work: Callable[[], _T]) -> _T:
        """Return what `work` gives; the frames that it opens are taken from here where they are here."""
        with self._in_use():
            return work()

    def let_go(self) -> None:
        """Remove all frames but those of `again`."""
        kept = {_file_part(path) for path in self.again}
        for file in self._files():
            if file.name.partition("-")[0] not in kept:
                _remove(file)

    def take(self, name: str) -> Any:
        """Return what was kept by this name, None where nothing is."""
        try:
            with (self.folder / name).open("rb") as file:
                content = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_COPY)
        except (OSError, ValueError):
            return None
        view = memoryview(content)
        head_end = _HEAD_BYTES + int.from_bytes(view[:_HEAD_BYTES], "little")
        pickled, sizes = pickle.loads(view[_HEAD_BYTES:head_end])
        places = accumulate(map(_aligned, sizes), initial=_aligned(head_end))
        return pickle.loads(
            pickled, buffers=[view[start : start + size] for start, size in zip(places, sizes, strict=False)]
        )

    def put(self, name: str, value: object) -> None:
        """Keep a value by this name; where it cannot be written, nothing is kept."""
        buffers: list[pickle.PickleBuffer] = []
        pickled = pickle.dumps(value, protocol=5, buffer_callback=buffers.append)
        parts = [buffer.raw() for buffer in buffers]
        head = pickle.dumps((pickled, [part.nbytes for part in parts]), protocol=5)
        parts = [memoryview(len(head).to_bytes(_HEAD_BYTES, "little") + head), *parts]
        size = sum(_aligned(part.nbytes) for part in parts)
        if size > self.most_bytes:
            return
        self._make_room(size)
        temporary = None
        try:
            with tempfile.NamedTemporaryFile(dir=self.folder, prefix=".", delete=False) as file:
                temporary = Path(file.name)
                for part in parts:
                    file.write(part)
                    file.write(bytes(_aligned(part.nbytes) - part.nbytes))
            temporary.replace(self.folder / name)
        except OSError:  # a full disk: the frame is decoded again when it is needed
            if temporary is not None:
                _remove(temporary)

    def _make_room(self, size: int) -> None:
        oldest_first = sorted((_state(file), file) for file in self._files())
        held = sum(bytes_ for (_, bytes_), _ in oldest_first)
        for (_, bytes_), file in oldest_first:
            if held + size <= self.most_bytes:
                return
            held -= bytes_
            _remove(file)

    def _files(self) -> list[Path]:
        try:
            return [Path(entry) for entry in os.scandir(self.folder) if not entry.name.startswith(".")]
        except OSError:
            return []

    @contextmanager
    def _in_use(self) -> Iterator[None]:
        token = _in_use.set(self)
        try:
            yield
        finally:
            _in_use.reset(token)


@contextmanager
def room_for_frames(folder: Path) -> Iterator[KeptFrames | None]:
    """Yield room for decoded frames below `folder`, made if need be, until the end of the block; None where there is
    no place to write to. What a process that was killed has left there is removed after some days."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for left in folder.glob(f"{_ROOM}*"):
            if time.time() - left.stat().st_mtime > _LEFT_BEHIND_S:
                shutil.rmtree(left, ignore_errors=True)
        room = Path(tempfile.mkdtemp(prefix=_ROOM, dir=folder))
        most_bytes = min(_MOST_BYTES, int(_SHARE_OF_DISK * shutil.disk_usage(room).free))
    except OSError:
        yield None
        return
    try:
        yield KeptFrames(room, most_bytes)
    finally:
        shutil.rmtree(room, ignore_errors=True)


_in_use: ContextVar[KeptFrames | None] = ContextVar("frames kept", default=None)


def kept_or(path: Path, kind: str, decode: Callable[[], _T]) -> _T:
    """Return what `decode` makes of a file, or made of it before and was kept; `kind` tells in what form.

    A file of another size, time or place on the disk is another one.
    """
    kept = _in_use.get()
    name = None if kept is None else _name(path, kind)
    if kept is None or name is None:
        return decode()
    if (value := kept.take(name)) is not None:
        return value  # type: ignore[no-any-return]
    decoded = decode()
    if path in kept.again and _name(path, kind) == name:
        kept.put(name, decoded)
    return decoded


def _name(path: Path, kind: str) -> str | None:
    try:
        state = path.stat()
    except OSError:
        return None
    stamp = f"{kind} {state.st_size} {state.st_mtime_ns} {state.st_ctime_ns} {state.st_dev} {state.st_ino}"
    return f"{_file_part(path)}-{sha256(stamp.encode()).hexdigest()[:16]}"


def _file_part(path: Path) -> str:
    return sha256(os.fsencode(path)).hexdigest()[:16]


def _aligned(size: int) -> int:
    return -(-size // _ALIGNED_BYTES) * _ALIGNED_BYTES


def _state(file: Path) -> tuple[int, int]:
    """Return time and size of a file, zeros where it is gone."""
    try:
        state = file.stat()
    except OSError:
        return 0, 0
    return state.st_mtime_ns, state.st_size


def _remove(file: Path) -> None:
    with suppress(OSError):  # gone already, or still open where that counts
        file.unlink()
