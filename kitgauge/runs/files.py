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
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kitgauge.atomic import atomic_file, unwritable, write_atomically
from kitgauge.errors import ResultsError
from kitgauge.runs.reading import RUN_FILE as RUN_FILE
from kitgauge.runs.reading import SCHEMA as SCHEMA
from kitgauge.runs.reading import read_json as read_json

if TYPE_CHECKING:
    import numpy as np

    from kitgauge.ingest.record import FrameRecord

CURVES_FILE, FRAMES_FILE, LOG_FILE = "curves.json", "frames.csv", "log.jsonl"
PROTOCOL_FILE = "protocol.toml"  # a copy of the one that was run
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


def write_arrays(path: Path, arrays: Mapping[str, np.ndarray[Any, Any]]) -> None:
    """Write named arrays to `path` (NumPy's .npz), whole or not at all. Raises ResultsError."""
    import numpy as np

    with atomic_file(path) as file:
        np.savez_compressed(file, **arrays)  # type: ignore[arg-type]


def write_frames_csv(path: Path, records: Sequence[FrameRecord]) -> None:
    """Write one row per frame; unknown is an empty cell, flags are separated by spaces. Raises ResultsError."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(FRAME_COLUMNS)
    for record in records:
        values = {name: getattr(record, name) for name in FRAME_COLUMNS}
        values["taken_at"] = record.taken_at.isoformat() if record.taken_at else None
        values["flags"] = " ".join(record.flags)
        writer.writerow(["" if value is None else value for value in values.values()])
    write_atomically(path, text.getvalue())


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
            folder.mkdir(parents=True)
        except FileExistsError:
            if not parent.is_dir():
                raise ResultsError("a file stands where the results folder should be", where=parent) from None
            continue
        except OSError as error:
            raise unwritable(folder, error) from error
        return folder
    raise ResultsError("too many runs within one second", where=parent)


def make_folder(folder: Path) -> None:
    """Make `folder` if it is not there, and make sure that files can be written in it. Raises ResultsError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise unwritable(folder, error) from error
    if not os.access(folder, os.W_OK | os.X_OK):
        raise ResultsError(
            "the results folder is not writable",
            where=folder,
            fix="choose another folder with --out or --results, or change its permissions",
        )
