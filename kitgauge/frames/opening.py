"""Which files of a folder are frames, and opening one by what it holds."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import NamedTuple

from kitgauge.errors import FrameError, IngestError
from kitgauge.flags import describe
from kitgauge.frames.exif_source import container
from kitgauge.frames.kept_frames import kept_or
from kitgauge.frames.metadata import FrameSettings, read_settings
from kitgauge.frames.mosaic import Mosaic
from kitgauge.frames.readable import cannot_read, check_readable
from kitgauge.frames.tiff_layout import read_layout

RAW_SUFFIXES = frozenset(
    [
        ".3fr",
        ".arw",
        ".cr2",
        ".cr3",
        ".crw",
        ".dcr",
        ".dng",
        ".erf",
        ".fff",
        ".gpr",
        ".iiq",
        ".k25",
        ".kdc",
        ".mef",
        ".mos",
        ".mrw",
        ".nef",
        ".nrw",
        ".orf",
        ".pef",
        ".raf",
        ".raw",
        ".rw2",
        ".rwl",
        ".sr2",
        ".srf",
        ".srw",
        ".x3f",
    ]
)
RENDERED_SUFFIXES = frozenset([".jpg", ".jpeg", ".jpe", ".png", ".tif", ".tiff"])
_NOT_OPENED = {
    ".heic": "HEIC pictures are not opened: export them as TIFF or JPEG",
    ".heif": "HEIF pictures are not opened: export them as TIFF or JPEG",
    ".hif": "HEIF pictures are not opened: export them as TIFF or JPEG",
    ".avif": "AVIF pictures are not opened: export them as TIFF or JPEG",
    ".webp": "WebP pictures are not opened: export them as TIFF or JPEG",
}
_SAME_MOMENT = timedelta(seconds=2)


class FolderListing(NamedTuple):
    """Files of a folder: `frames` in order of folder and name, `others` as path -> why it is none."""

    frames: tuple[Path, ...]
    others: dict[str, str]


@dataclass(frozen=True)
class FramePair:
    """A frame to measure, and the developed picture of the same exposure if there is one."""

    frame: Path
    companion: Path | None = None


def is_raw(path: str | Path) -> bool:
    """Tell whether `path` is a raw file: by its suffix, and a .tif by whether sensor samples are inside.

    A .tif that cannot be read counts as developed; opening it tells the fault.
    """
    path = Path(path)
    suffix = path.suffix.lower()
    if suffix in RAW_SUFFIXES:
        return True
    if suffix not in (".tif", ".tiff"):
        return False
    try:
        layout = read_layout(path)
    except OSError:
        return False
    return layout is not None and bool(layout.sensor_pictures())


def open_frame(path: str | Path, *, together: bool = False) -> Mosaic:
    """Return the samples of any frame: undeveloped ones of a raw file (put together by colour if asked, see
    `Mosaic`), linear luminance of a developed picture.

    Raises
    ------
    FrameError : the file cannot be read, is of no known kind, or holds no picture
    """
    path = Path(path)
    check_readable(path)
    try:
        with path.open("rb") as stream:
            kind = container(stream.read(32))
    except OSError as error:
        raise cannot_read(path, error) from error
    suffix = path.suffix.lower()
    if kind in ("jpeg", "png"):
        if suffix in RAW_SUFFIXES:
            raise FrameError(
                "the file is named as a raw file but holds a developed picture",
                flag="not-raw-samples",
                where=path,
                got=kind.upper(),
                fix="record raw, or give the file its proper suffix",
            )
        return _open_rendered(path)
    if suffix in RAW_SUFFIXES or is_raw(path):
        from kitgauge.frames.raw import open_raw

        form = "samples by colour" if together else "samples"
        return kept_or(path, form, lambda: open_raw(path, together=together))
    if kind == "tiff" and suffix in RENDERED_SUFFIXES:
        return _open_rendered(path)
    raise FrameError(
        "the file is no picture that can be opened",
        where=path,
        got=_NOT_OPENED.get(suffix, f"a {suffix} file"),
        needed="a camera's raw file, JPEG, PNG or TIFF",
        fix="name another file, or export it as TIFF",
    )


def check_opens(path: str | Path) -> None:
    """Raise FrameError where a file is no picture by its first bytes; no pixels are decoded.

    Serves files that tell no settings at all: what is damaged must not pass for a frame of an old camera.
    """
    path = Path(path)
    check_readable(path)
    if is_raw(path):
        from kitgauge.frames.raw import check_raw_header

        check_raw_header(path)
        return
    with path.open("rb") as stream:
        kind = container(stream.read(32))
    if kind is None:
        entry = describe("unreadable")
        raise FrameError(
            entry.text, flag=entry.name, where=path, got="not the beginning of a picture", fix=entry.advice
        )


def _open_rendered(path: Path) -> Mosaic:
    from kitgauge.frames.rendered import open_rendered

    return open_rendered(path)


def frame_paths(folder: str | Path) -> FolderListing:
    """Return the frames of a folder and its subfolders; whatever is none is listed with the reason.

    Raises
    ------
    IngestError : there is no such folder, or it cannot be read
    """
    folder = Path(folder)
    try:
        folder.stat()
    except FileNotFoundError:
        pass  # told below
    except (OSError, ValueError) as error:
        raise IngestError(
            "the folder cannot be read",
            where=folder,
            got=getattr(error, "strerror", None) or error,
            fix="check the path and its permissions",
        ) from None
    if not folder.is_dir():
        raise IngestError(
            "this is a file, not a folder" if folder.exists() else "there is no such folder",
            where=folder,
            needed="a folder of frames",
            fix="name the folder that holds the frames",
        )
    frames: list[Path] = []
    others: dict[str, str] = {}

    def leave_out(path: Path, reason: str) -> None:
        others[path.relative_to(folder).as_posix()] = reason

    def unreadable(error: OSError) -> None:
        where = Path(error.filename) if error.filename else folder
        if where == folder:
            raise IngestError(
                "the folder cannot be read", where=folder, got=error.strerror, fix="check its permissions"
            ) from error
        leave_out(where, f"the folder cannot be read ({error.strerror})")

    for where, subfolders, files in os.walk(folder, onerror=unreadable):
        place = Path(where)
        for name in sorted(subfolders):
            if name.startswith("."):
                leave_out(place / name, "hidden folder")
            elif (place / name).is_symlink():
                leave_out(place / name, "a link to a folder is not followed")
        subfolders[:] = sorted(name for name in subfolders if not name.startswith("."))
        for name in sorted(files):
            reason = _why_no_frame(place / name)
            if reason is None:
                frames.append(place / name)
            else:
                leave_out(place / name, reason)
    return FolderListing(tuple(frames), others)


def _why_no_frame(path: Path) -> str | None:
    suffix = path.suffix.lower()
    if path.name.startswith("."):
        return "hidden file"
    if suffix in _NOT_OPENED:
        return _NOT_OPENED[suffix]
    if suffix not in RAW_SUFFIXES and suffix not in RENDERED_SUFFIXES:
        return f"not a frame by its name ({suffix})" if suffix else "not a frame by its name (no suffix)"
    if not path.is_file():
        return "not a regular file"
    return None


def pair_up(
    paths: Iterable[str | Path],
    read: Callable[[Path], FrameSettings] = read_settings,
    raw: Callable[[Path], bool] = is_raw,
) -> list[FramePair]:
    """Join raw files and developed pictures of the same exposure: same folder and stem, and not of different
    times.

    The raw file is the frame; every path appears exactly once, in the order given. Times that differ by more
    than 2 s are different exposures; a time that is not recorded does not part a pair. `read` gives a
    frame's settings, `raw` tells whether it is a raw file.
    """
    ordered = [Path(path) for path in paths]
    groups: dict[tuple[Path, str], list[Path]] = {}
    for path in ordered:
        groups.setdefault((path.parent, path.stem.casefold()), []).append(path)
    companion_of: dict[Path, Path] = {}
    for members in groups.values():
        if len(members) < 2:
            continue
        raws = [path for path in members if raw(path)]
        developed = [path for path in members if path not in raws]
        if len(raws) == 1 and developed:
            match = next((path for path in developed if _same_moment(raws[0], path, read)), None)
            if match is not None:
                companion_of[raws[0]] = match
    taken = set(companion_of.values())
    return [FramePair(path, companion_of.get(path)) for path in ordered if path not in taken]


def _same_moment(raw: Path, developed: Path, read: Callable[[Path], FrameSettings]) -> bool:
    try:
        first, second = read(raw).taken_at, read(developed).taken_at
    except FrameError:
        return True  # an unreadable file is reported when it is opened; by its name it belongs here
    return first is None or second is None or abs(first - second) <= _SAME_MOMENT
