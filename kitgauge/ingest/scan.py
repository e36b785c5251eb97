"""A folder becomes a list of frame records: metadata and content hash, no pixels."""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, Future
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

from kitgauge.errors import FrameError, IngestError, KitgaugeError, UsageError
from kitgauge.frames.metadata import FrameSettings, read_settings
from kitgauge.frames.opening import check_opens, frame_paths, is_raw, pair_up
from kitgauge.frames.settings_file import Overrides, apply, overrides_for, read_settings_file
from kitgauge.ingest.in_worker import refusal
from kitgauge.ingest.record import FrameRecord, capture_order

_HASH_BLOCK_BYTES = 1 << 20
# what frames of one folder often have in common
_OFTEN_ALIKE = ("body", "body_serial", "lens", "iso", "shutter_s", "f_number", "focal_mm", "focal_35mm")
_OFTEN_ALIKE_IN_SETTINGS = (*_OFTEN_ALIKE, "lens_serial", "utc_offset", "pixel_pitch_um", "missing", "notes")


@dataclass(frozen=True)
class Scan:
    """What a folder holds: frames in the order of capture, files that are not frames (file -> reason), all metadata."""

    folder: Path
    frames: tuple[FrameRecord, ...]
    not_frames: Mapping[str, str]
    settings: Mapping[Path, FrameSettings] = field(default_factory=dict)


def content_hash(path: Path) -> str:
    """Return the SHA-256 of a file's content."""
    digest = hashlib.sha256()
    block = memoryview(bytearray(_HASH_BLOCK_BYTES))
    with path.open("rb", buffering=0) as file:
        while count := file.readinto(block):
            digest.update(block[:count])
    return digest.hexdigest()


def scan_folder(
    folder: Path,
    settings_file: Path | None = None,
    *,
    executor: Executor | None = None,
    at_once: int = 2,
    only: Collection[str] | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Scan:
    """Read settings and hashes of every file below `folder`; exact copies and developed twins of a raw are left out.

    `settings_file` overrides or fills metadata. `executor` reads `at_once` files at a time (None: one after the other,
    here). `only` names the files to take, by their path in the folder (None: all). `progress(done, total)` is called
    per file. Raises IngestError for a path that is no folder, holds no file that could be a frame, or does not hold
    what the settings file names.
    """
    listing = frame_paths(folder)
    paths = listing.frames
    if only is not None:
        paths = tuple(path for path in paths if path.relative_to(folder).as_posix() in only)
    if not paths:
        others = f"{len(listing.others)} other files" if listing.others else "nothing"
        raise IngestError(
            "no frames in this folder",
            where=folder,
            got=others,
            needed="raw files, or JPEG, TIFF or PNG pictures",
            fix="copy the frames of the test into the folder, or give the folder that holds them",
        )
    overrides: Mapping[str, Overrides] = {}
    if settings_file is not None:
        overrides = read_settings_file(settings_file, [path.relative_to(folder) for path in paths])
    reading = (
        partial(read_frame, path.relative_to(folder).as_posix(), path, overrides_for(overrides, path, folder))
        for path in paths
    )

    def read() -> Iterator[FrameRead]:
        for done, one in enumerate(_in_order(reading, executor, at_once), 1):
            yield one
            if progress is not None:
                progress(done, len(paths))

    return scan_of(folder, read(), listing.others)


FrameRead = tuple[FrameRecord, FrameSettings | None]  # settings None where they could not be read


def scan_of(folder: Path, read: Iterable[FrameRead], others: Mapping[str, str]) -> Scan:
    """Return the scan of files that have been read, in the order of their paths, and of `others` that are no frames."""
    records, known = [], {}
    alike: dict[Any, Any] = {}
    for record, settings in (_sharing(one, alike) for one in read):
        records.append(record)
        if settings is not None:
            known[record.path] = settings
    return Scan(folder, tuple(sorted(_leave_out_doubles(records, known), key=capture_order)), others, known)


def _sharing(read: FrameRead, alike: dict[Any, Any]) -> FrameRead:
    """Return what was read of a file, with values that other files have too being the same objects: they come from
    another process, and would be there once for each of thousands of files."""
    record, settings = read

    def shared(value: Any) -> Any:
        items = tuple(value.items()) if isinstance(value, dict) else value
        return alike.setdefault((type(value), items), value)

    record = replace(record, **{name: shared(getattr(record, name)) for name in _OFTEN_ALIKE})
    if settings is not None:
        of_all = {name: shared(getattr(settings, name)) for name in _OFTEN_ALIKE_IN_SETTINGS}
        settings = replace(settings, path=record.path, taken_at=record.taken_at, **of_all)
    return record, settings


def _in_order(reading: Iterable[partial[FrameRead]], executor: Executor | None, at_once: int) -> Iterator[FrameRead]:
    """Yield what each of `reading` gives; a file that its reader did not survive is rejected."""
    pending: deque[tuple[Future[FrameRead], str, Path]] = deque()
    for one in reading:
        if executor is None:
            yield one()
            continue
        pending.append((executor.submit(one), *one.args[:2]))
        if len(pending) > at_once:
            yield read_by_worker(*pending.popleft())
    while pending:
        yield read_by_worker(*pending.popleft())


def read_by_worker(future: Future[FrameRead], file: str, path: Path) -> FrameRead:
    """Return what a worker gives that reads `file` below the folder; one that it does not survive is rejected."""
    try:
        return future.result()
    except KitgaugeError:
        raise
    except Exception as error:
        return FrameRecord(file=file, path=path).rejected(*refusal(error)), None


def read_frame(file: str, path: Path, row: Overrides | None) -> FrameRead:
    """Return hash and settings of one file, `file` below the folder; one that cannot be read is rejected."""
    record = FrameRecord(file=file, path=path)
    try:
        record = replace(record, is_raw=is_raw(path), sha256=content_hash(path))
        settings = apply(read_settings(path), row)
        if settings.iso is None and settings.shutter_s is None and settings.f_number is None:
            check_opens(path)
    except FrameError as error:
        return record.rejected(error.flag, error.what), None
    except OSError as error:
        return record.rejected("unreadable", error.strerror or str(error)), None
    record = replace(
        record,
        taken_at=settings.taken_at,
        body=settings.body,
        body_serial=settings.body_serial,
        lens=settings.lens,
        iso=settings.iso,
        shutter_s=settings.shutter_s,
        f_number=settings.f_number,
        focal_mm=settings.focal_mm,
        focal_35mm=settings.focal_35mm,
        said_step=None if row is None else row.step,
    )
    if settings.iso is None and settings.shutter_s is None and settings.f_number is None:
        record = record.with_flags(["no-settings"])
    return record, settings


def _leave_out_doubles(records: Sequence[FrameRecord], known: Mapping[Path, FrameSettings]) -> Iterator[FrameRecord]:
    """Yield the records, exact copies of a file and pictures developed from a raw frame beside them left out."""
    by_path = {record.path: record for record in records if record.path in known}
    raw_of = {
        pair.companion: by_path[pair.frame].file
        for pair in pair_up(by_path, known.__getitem__, lambda path: by_path[path].is_raw)
        if pair.companion is not None
    }
    first_with: dict[str, str] = {}
    for record in records:
        if record.status == "rejected":
            yield record
        elif record.path in raw_of:
            yield record.unmatched(f"developed picture of {raw_of[record.path]}, which is measured instead")
        elif record.sha256 is not None and record.sha256 in first_with:
            yield record.unmatched(f"the same file as {first_with[record.sha256]}")
        else:
            if record.sha256 is not None:
                first_with[record.sha256] = record.file
            yield record


def one_kit(scan: Scan, body: str | None = None, lens: str | None = None) -> Scan:
    """Return the scan with the frames of one body and one lens.

    Frames of other bodies or lenses become unmatched when `body` or `lens` picks one (a part of the name is enough,
    case does not matter). Raises IngestError if several are there and none was picked, UsageError if the pick fits
    none or several. Frames that name no body or lens stay; one that names the model alone counts as of the only body of
    that model whose number is known.
    """
    frames = _pick(scan.frames, "body", body, "--body")
    frames = _pick(frames, "lens", lens, "--lens")
    return replace(scan, frames=frames)


def body_name(record: FrameRecord) -> str | None:
    """Return body and serial number: two bodies of one model are two kits."""
    if record.body is None:
        return None
    return f"{record.body} #{record.body_serial}" if record.body_serial else record.body


def _body_names(frames: Iterable[FrameRecord]) -> Callable[[FrameRecord], str | None]:
    """Return what names the body of each frame: files that were cut short may have lost the serial number."""
    numbered: dict[str, set[str]] = {}
    for record in frames:
        if record.status != "rejected" and record.body is not None and record.body_serial:
            numbered.setdefault(record.body, set()).add(f"{record.body} #{record.body_serial}")

    def name_of(record: FrameRecord) -> str | None:
        known = numbered.get(record.body or "", set())
        return next(iter(known)) if len(known) == 1 and not record.body_serial else body_name(record)

    return name_of


def _pick(frames: tuple[FrameRecord, ...], what: str, wanted: str | None, option: str) -> tuple[FrameRecord, ...]:
    name_of = _body_names(frames) if what == "body" else lambda record: record.lens
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
