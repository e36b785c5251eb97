"""A folder becomes a list of frame records: metadata and content hash, no pixels."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from kitgauge.errors import FrameError, IngestError, UsageError
from kitgauge.frames.metadata import read_settings
from kitgauge.frames.opening import frame_paths, is_raw
from kitgauge.frames.settings_file import Overrides
from kitgauge.ingest.record import FrameRecord, capture_order

_HASH_BLOCK_BYTES = 1 << 20


@dataclass(frozen=True)
class Scan:
    """What a folder holds: frames in the order of capture, and files that are not frames (file -> reason)."""

    folder: Path
    frames: tuple[FrameRecord, ...]
    not_frames: Mapping[str, str]


def content_hash(path: Path) -> str:
    """Return the SHA-256 of a file's content."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(_HASH_BLOCK_BYTES):
            digest.update(block)
    return digest.hexdigest()


def scan_folder(
    folder: Path,
    overrides: Mapping[str, Overrides] | None = None,
    *,
    workers: int = 2,
    progress: Callable[[int, int], None] | None = None,
) -> Scan:
    """Read settings and hashes of every file below `folder`.

    `overrides` (file -> settings) come from the settings file. `progress(done, total)` is called per file. Raises
    IngestError for a path that is no folder or holds no file that could be a frame.
    """
    if not folder.exists():
        raise IngestError("there is no such folder", where=folder, needed="a folder of frames", fix="check the path")
    if not folder.is_dir():
        raise IngestError(
            "this is a file, not a folder of frames",
            where=folder,
            needed="the folder that holds the frames of one test",
            fix=f"give its folder: {folder.parent}",
        )
    try:
        paths, not_frames = frame_paths(folder)
    except OSError as error:
        raise IngestError(
            "the folder cannot be read", where=folder, got=error.strerror, fix="check its permissions"
        ) from error
    if not paths:
        others = f"{len(not_frames)} other files" if not_frames else "nothing"
        raise IngestError(
            "no frames in this folder",
            where=folder,
            got=others,
            needed="raw files, or JPEG, TIFF or PNG pictures",
            fix="copy the frames of the test into the folder, or give the folder that holds them",
        )
    records: list[FrameRecord] = []
    with ThreadPoolExecutor(max_workers=workers) as pool:
        for record in pool.map(lambda path: _record(folder, path, overrides or {}), paths):
            records.append(record)
            if progress is not None:
                progress(len(records), len(paths))
    _check_overrides_used(records, overrides or {})
    return Scan(folder, tuple(sorted(records, key=capture_order)), not_frames)


def _record(folder: Path, path: Path, overrides: Mapping[str, Overrides]) -> FrameRecord:
    file = path.relative_to(folder).as_posix()
    try:
        record = FrameRecord(file=file, path=path, sha256=content_hash(path), is_raw=is_raw(path))
        settings = read_settings(path)
    except FrameError as error:
        return FrameRecord(file=file, path=path, is_raw=is_raw(path)).rejected("unreadable", error.what)
    except OSError as error:
        return FrameRecord(file=file, path=path, is_raw=is_raw(path)).rejected(
            "unreadable", error.strerror or str(error)
        )
    override = overrides.get(file) or overrides.get(path.name)
    values = {name: getattr(settings, name) for name in ("iso", "shutter_s", "f_number", "focal_mm")}
    step = None
    if override is not None:
        values |= {name: value for name in values if (value := getattr(override, name)) is not None}
        step = override.step
    record = FrameRecord(
        file=file,
        path=path,
        sha256=record.sha256,
        is_raw=record.is_raw,
        taken_at=settings.taken_at,
        body=settings.body,
        body_serial=settings.body_serial,
        lens=settings.lens,
        focal_35mm=settings.focal_35mm,
        pixel_pitch_um=settings.pixel_pitch_um,
        step=step,
        **values,
    )
    if all(value is None for value in values.values()) and step is None:
        return record.with_flags(["no-settings"])
    return record


def _check_overrides_used(records: list[FrameRecord], overrides: Mapping[str, Overrides]) -> None:
    known = {name for record in records for name in (record.file, record.path.name)}
    for name in overrides:
        if name not in known:
            raise IngestError(
                "the settings file names a frame that is not there",
                where=f"--settings, file {name}",
                needed="the name of a file in the folder (or its path below it)",
                fix="correct the name, or remove the line",
            )


def one_kit(scan: Scan, body: str | None = None, lens: str | None = None) -> Scan:
    """Return the scan with the frames of one body and one lens.

    Frames of other bodies or lenses become unmatched when `body` or `lens` picks one (a part of the name is enough,
    case does not matter). Raises IngestError if several are there and none was picked, UsageError if the pick fits
    none or several. Frames that name no body or lens stay.
    """
    frames = _pick(scan.frames, "body", body, "--body")
    frames = _pick(frames, "lens", lens, "--lens")
    return Scan(scan.folder, frames, scan.not_frames)


def body_name(record: FrameRecord) -> str | None:
    """Return body and serial number: two bodies of one model are two kits."""
    if record.body is None:
        return None
    return f"{record.body} #{record.body_serial}" if record.body_serial else record.body


def _pick(
    frames: tuple[FrameRecord, ...], what: str, wanted: str | None, option: str
) -> tuple[FrameRecord, ...]:
    def name_of(record: FrameRecord) -> str | None:
        return body_name(record) if what == "body" else record.lens

    counts: dict[str, int] = {}
    for record in frames:
        if record.status != "rejected" and (name := name_of(record)) is not None:
            counts[name] = counts.get(name, 0) + 1
    listing = ", ".join(f"{name} ({count} frames)" for name, count in sorted(counts.items()))
    if wanted is None:
        if len(counts) > 1:
            plural = "bodies" if what == "body" else "lenses"
            raise IngestError(
                f"frames of several {plural} in one folder",
                got=listing,
                needed=f"one {what} per run",
                fix=f'pick one with {option} "{min(counts)}"',
            )
        return frames
    matching = [name for name in counts if name.casefold() == wanted.casefold()] or [
        name for name in counts if wanted.casefold() in name.casefold()
    ]
    if len(matching) != 1:
        raise UsageError(
            f"{option} picks {'no' if not matching else 'more than one'} {what}",
            got=wanted,
            needed=f"one of: {listing or 'the frames name none'}",
            fix="give more of the name" if matching else f"leave {option} out, or correct it",
        )
    return tuple(
        record.unmatched(f"other {what}: {name}")
        if (name := name_of(record)) is not None and name != matching[0] and record.status != "rejected"
        else record
        for record in frames
    )
