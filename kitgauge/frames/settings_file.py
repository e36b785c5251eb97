"""The settings file: a table by hand that fills or overrides what frames' metadata say.

One row per frame, columns `file,iso,shutter_s,f_number,focal_mm,step`; an empty cell overrides nothing.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any

from kitgauge.errors import IngestError
from kitgauge.frames.exif_values import F_NUMBER_RANGE, FOCAL_RANGE_MM, ISO_RANGE, SHUTTER_RANGE_S
from kitgauge.frames.metadata import FrameSettings

COLUMNS = ("file", "iso", "shutter_s", "f_number", "focal_mm", "step")
_RANGES = {
    "iso": ISO_RANGE,
    "shutter_s": SHUTTER_RANGE_S,
    "f_number": F_NUMBER_RANGE,
    "focal_mm": FOCAL_RANGE_MM,
}
_EXAMPLES = {"iso": "400", "shutter_s": "1/60 or 0.5", "f_number": "5.6", "focal_mm": "50"}


@dataclass(frozen=True)
class Overrides:
    """One row of a settings file; None overrides nothing. `line` is its line in the file."""

    file: str
    line: int
    iso: float | None = None
    shutter_s: float | None = None
    f_number: float | None = None
    focal_mm: float | None = None
    step: str | None = None


def read_settings_file(path: str | Path, frames: Iterable[str | Path] | None = None) -> dict[str, Overrides]:
    """Return the rows of a settings file by frame: name, or path relative to the folder, with forward
    slashes.

    Comma, semicolon or tab separated, UTF-8 with or without a byte order mark. With `frames`, every row must
    name one of them.

    Raises
    ------
    IngestError : not readable, an unknown or missing column, a frame named twice or not there, a value that
    is none
    """
    path = Path(path)
    rows = _rows(path, _text(path))
    header = [cell.strip() for cell in rows[0][1]]
    _check_header(path, header, rows[0][0])
    table: dict[str, Overrides] = {}
    names = None if frames is None else {part for frame in frames for part in _names(Path(frame))}
    for line, cells in rows[1:]:
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) > len(header):
            raise _fault(
                "a row has more cells than the header",
                path,
                line,
                got=len(cells),
                needed=len(header),
                fix="put a value with a comma in double quotes",
            )
        row = _row(path, line, dict(zip(header, (cell.strip() for cell in cells), strict=False)))
        if row.file in table:
            raise _fault(
                f"{row.file} is listed twice",
                path,
                line,
                got=f"also in line {table[row.file].line}",
                needed="one row per frame",
                fix="remove one of the rows",
            )
        if names is not None and row.file not in names:
            raise _fault(
                f"{row.file} is not among the frames",
                path,
                line,
                key="file",
                got=row.file,
                needed="the name of a frame in the folder",
                fix="correct the name, or remove the row",
            )
        table[row.file] = row
    return table


def overrides_for(table: Mapping[str, Overrides], frame: str | Path, folder: str | Path) -> Overrides | None:
    """Return the row for a frame: by its path below `folder`, else by its name alone."""
    frame = Path(frame)
    try:
        relative = frame.relative_to(folder).as_posix()
    except ValueError:
        relative = frame.as_posix()
    return table.get(relative) or table.get(frame.name)


def apply(settings: FrameSettings, overrides: Overrides | None) -> FrameSettings:
    """Return the settings with a row's values in place of the metadata's, each noted as from the file."""
    if overrides is None:
        return settings
    values: dict[str, Any] = {key: getattr(overrides, key) for key in _RANGES if getattr(overrides, key) is not None}
    missing = {key: reason for key, reason in settings.missing.items() if key not in values}
    notes = {**settings.notes, **dict.fromkeys(values, "from the settings file")}
    return replace(settings, **values, missing=missing, notes=notes)


def _text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise IngestError(
            "the settings file is not UTF-8 text", where=path, got=f"byte {error.object[error.start]:#04x}",
            needed="CSV in UTF-8", fix="save it as CSV (UTF-8)",
        ) from error  # fmt: skip
    except OSError as error:
        raise IngestError(
            "the settings file cannot be read",
            where=path,
            got=error.strerror,
            fix="check its name and permissions",
        ) from error


def _rows(path: Path, text: str) -> list[tuple[int, list[str]]]:
    """Return (line, cells) of each row that is not blank."""
    first = next((line for line in text.splitlines() if line.strip()), "")
    separator = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    rows: list[tuple[int, list[str]]] = []
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                rows.append((reader.line_num, cells))
    except csv.Error as error:
        raise _fault("the settings file is not a table", path, reader.line_num, got=error,
                     needed="CSV", fix="check the quotes in this line") from error  # fmt: skip
    if not rows:
        raise IngestError(
            "the settings file is empty",
            where=path,
            needed=f"the header {','.join(COLUMNS)}",
            fix="write one row per frame below that header",
        )
    return rows


def _check_header(path: Path, header: list[str], line: int) -> None:
    for name in header:
        if name not in COLUMNS:
            raise _fault(
                "unknown column",
                path,
                line,
                key=name or "(blank)",
                got=name or "(blank)",
                needed=", ".join(COLUMNS),
                fix="rename or remove the column",
            )
        if header.count(name) > 1:
            raise _fault(
                "a column appears twice",
                path,
                line,
                key=name,
                got=name,
                needed="each column once",
                fix="remove one of them",
            )
    if "file" not in header:
        raise _fault(
            "the column that names the frames is missing",
            path,
            line,
            key="file",
            got=", ".join(header),
            needed="a column 'file'",
            fix="add it",
        )


def _row(path: Path, line: int, cells: dict[str, str]) -> Overrides:
    name = cells.get("file", "")
    if not name:
        raise _fault(
            "a row names no frame",
            path,
            line,
            key="file",
            got="an empty cell",
            needed="a file name",
            fix="write the frame's name in the column 'file'",
        )
    values = {key: _value(path, line, key, cells.get(key, "")) for key in _RANGES}
    return Overrides(
        file=PurePosixPath(name.replace("\\", "/")).as_posix(),
        line=line,
        step=cells.get("step") or None,
        **values,
    )


def _value(path: Path, line: int, key: str, text: str) -> float | None:
    """Return a cell's number: 0.5, 0,5 (in quotes), 1/60, f/5.6, ISO 400; None if blank."""
    if not text:
        return None
    plain = re.sub(r"^\s*(?:iso\s*|f\s*/?\s*)|\s*(?:s|mm)$", "", text, flags=re.IGNORECASE).replace(",", ".")
    parts = plain.split("/")
    try:
        value = float(parts[0]) / float(parts[1]) if len(parts) == 2 and key == "shutter_s" else float(plain)
    except (ValueError, ZeroDivisionError):
        value = float("nan")
    low, high = _RANGES[key]
    if not low <= value <= high:
        raise _fault(
            f"{key} is not usable",
            path,
            line,
            key=key,
            got=text,
            needed=f"a number such as {_EXAMPLES[key]}",
            fix="correct the cell, or leave it empty to keep the metadata's value",
        )
    return value


def _names(frame: Path) -> set[str]:
    """Return every name by which a row may call a frame: its name and each trailing part of its path."""
    parts = frame.parts
    return {"/".join(parts[start:]) for start in range(len(parts))}


def _fault(
    what: str,
    path: Path,
    line: int,
    *,
    key: str | None = None,
    got: object = None,
    needed: object = None,
    fix: str | None = None,
) -> IngestError:
    where = f"{path}, line {line}" + ("" if key is None else f", column {key}")
    return IngestError(what, where=where, got=got, needed=needed, fix=fix)
