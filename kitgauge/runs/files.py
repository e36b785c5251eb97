"""The files of one run: run.json, curves.json, frames.csv, log.jsonl, and arrays as .npz.

Everything but the log is written whole or not at all; the log is appended to line by line, so that a crash keeps
what came before. NaN and infinity become null: unknown is never 0 and never invalid JSON.
"""

from __future__ import annotations

import contextlib
import csv
import io
import json
import math
import os
import re
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kitgauge.atomic import make_folders, unwritable, write_atomically
from kitgauge.errors import ResultsError
from kitgauge.runs.reading import RUN_FILE as RUN_FILE
from kitgauge.runs.reading import SCHEMA as SCHEMA
from kitgauge.runs.reading import read_json as read_json

if TYPE_CHECKING:
    import numpy as np

    from kitgauge.ingest.record import FrameRecord

CURVES_FILE, FRAMES_FILE, LOG_FILE = "curves.json", "frames.csv", "log.jsonl"
PROTOCOL_FILE = "protocol.toml"  # a copy of the one that was run
REPORT_FILE = "report.html"
# of arrays and pictures
_OTHER_FILES = re.compile(r"[a-z0-9_]+\.npz|pictures/[0-9a-z][0-9a-z-]*\.jpg")
FRAME_COLUMNS = (
    "file", "sha256", "taken_at", "body", "lens", "iso", "shutter_s", "f_number", "focal_mm", "step", "role", "status",
    "flags", "reason",
)  # fmt: skip


def now() -> str:
    """Return the local time with its offset, to the second."""
    return datetime.now().astimezone().isoformat(timespec="seconds")


def plain(value: Any) -> Any:
    """Return `value` in JSON's own types: numpy numbers as numbers, NaN and infinity as None."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (str, bool)) or value is None:
        return value
    if hasattr(value, "tolist"):  # numpy scalars and arrays
        return plain(value.tolist())
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    raise TypeError(f"{type(value).__name__} has no JSON form")


def to_json(value: Any, *, ascii_only: bool = False) -> str:
    """Return `value` as indented JSON with a final newline; `ascii_only` for streams of any encoding."""
    return json.dumps(plain(value), indent=2, ensure_ascii=ascii_only, allow_nan=False) + "\n"


def write_json(path: Path, value: Any) -> None:
    """Write `value` to `path` as JSON, whole or not at all. Raises ResultsError."""
    write_atomically(path, to_json(value))


def arrays_content(arrays: Mapping[str, np.ndarray[Any, Any]]) -> bytes:
    """Return the content of a file of named arrays (NumPy's .npz)."""
    import numpy as np

    content = io.BytesIO()
    np.savez_compressed(content, **arrays)  # type: ignore[arg-type]
    return content.getvalue()


def frames_table(records: Sequence[FrameRecord]) -> str:
    """Return the content of frames.csv, a row per frame; unknown is an empty cell, spaces stand between flags."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    quoting = csv.writer(text, lineterminator="\n", quoting=csv.QUOTE_ALL)
    writer.writerow(FRAME_COLUMNS)
    for record in records:
        values = {name: getattr(record, name) for name in FRAME_COLUMNS}
        values["taken_at"] = record.taken_at.isoformat() if record.taken_at else None
        values["flags"] = " ".join(record.flags)
        row = ["" if value is None else value for value in values.values()]
        # a lone carriage return ends a row where it is not quoted, and is quoted by later versions of Python only
        (quoting if any("\r" in str(value) for value in row) else writer).writerow(row)
    return text.getvalue()


def run_files(folder: Path) -> dict[str, Path]:
    """Return the files that a run has written into its folder, by their path below it: ordinary ones, no links."""
    names = [RUN_FILE, CURVES_FILE, FRAMES_FILE, PROTOCOL_FILE, LOG_FILE, REPORT_FILE]
    others = {*folder.glob("*.npz")}
    if not (folder / "pictures").is_symlink():
        others |= {*folder.glob("pictures/*")}
    names += sorted(name for path in others if _OTHER_FILES.fullmatch(name := path.relative_to(folder).as_posix()))
    return {name: folder / name for name in names if (folder / name).is_file() and not (folder / name).is_symlink()}


class RunLog:
    """The append-only log of a run: one JSON object per line, written as things happen."""

    def __init__(self, path: Path) -> None:
        """Append to `path`."""
        self.path = path

    def add(self, event: str, **values: Any) -> None:
        """Append one event with its time. Raises ResultsError if it cannot be written."""
        values = {"event": event, "time": now(), **values}
        line = json.dumps(plain(values), ensure_ascii=False, allow_nan=False) + "\n"
        try:
            with self.path.open("ab", buffering=0) as file:
                _append(file.fileno(), line.encode("utf-8", errors="surrogateescape"))
                if event in ("start", "stop"):
                    os.fsync(file.fileno())
        except OSError as error:
            raise unwritable(self.path, error) from error

    def last(self, event: str) -> dict[str, Any] | None:
        """Return the last event of that name, None where there is none (or no log that can be read)."""
        found = None
        with contextlib.suppress(OSError):
            for line in self.path.read_bytes().splitlines():
                try:
                    entry = json.loads(line.decode("utf-8", errors="surrogateescape"))
                except (ValueError, RecursionError):
                    continue
                if isinstance(entry, dict) and entry.get("event") == event:
                    found = entry
        return found


def _append(descriptor: int, line: bytes) -> None:
    """Write a line in one piece, so that those of two runs do not mix; of one that finds no room nothing stays."""
    before = os.fstat(descriptor).st_size
    try:
        written = os.write(descriptor, line)
        while written < len(line):  # the disk is full, as the next attempt tells
            written += os.write(descriptor, line[written:])
    except OSError:
        with contextlib.suppress(OSError):
            os.ftruncate(descriptor, before)
        raise


def new_run_folder(results: Path, kit_folder: str, protocol_id: str) -> Path:
    """Make and return `results/<kit>/<protocol>-<date>-<time>`, with a number behind it if that exists.

    `protocol_id` holds only lower-case letters, digits and hyphens, as the protocol model makes sure.
    """
    stem = f"{protocol_id}-{datetime.now().astimezone():%Y-%m-%d-%H%M%S}"
    parent = results / kit_folder
    for number in range(1, 1000):
        folder = parent / (stem if number == 1 else f"{stem}-{number}")
        try:
            make_folders(folder, exist_ok=False)
        except FileExistsError:
            if not parent.is_dir():
                raise ResultsError("a file stands where the results folder should be", where=parent) from None
            continue
        except OSError as error:
            raise unwritable(folder, error) from error
        return folder
    raise ResultsError("too many runs within one second", where=parent)


@contextlib.contextmanager
def temporary_folder() -> Iterator[Path]:
    """Yield a new folder for temporary files, removed at the end of the block. Raises ResultsError."""
    try:
        folder = tempfile.TemporaryDirectory(prefix="kitgauge-", ignore_cleanup_errors=True)
    except OSError as error:
        raise ResultsError(
            "there is no place for temporary files",
            got=error.strerror,
            fix="set TMPDIR to a folder that can be written, with some space",
        ) from error
    with folder as name:
        yield Path(name)


def make_folder(folder: Path) -> None:
    """Make `folder` if it is not there, and make sure that files can be written in it. Raises ResultsError."""
    try:
        make_folders(folder)
    except OSError as error:
        raise unwritable(folder, error) from error
    if not os.access(folder, os.W_OK | os.X_OK):
        raise ResultsError(
            "the results folder is not writable",
            where=folder,
            fix="choose another folder with --out or --results, or change its permissions",
        )
