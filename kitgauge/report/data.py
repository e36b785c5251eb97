"""Read a run's folder back: `run.json`, `curves.json` and `frames.csv`, and nothing else.

A report is rebuilt from these files alone, perhaps years later and by another version, so reading is
tolerant: a missing key is unknown, `null` and NaN are unknown, and what has no place of its own on the page
is still listed.
"""

from __future__ import annotations

import csv
import json
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from kitgauge.errors import ResultsError
from kitgauge.flags import FLAGS, Flag
from kitgauge.runs.files import CURVES_FILE, FRAMES_FILE, RUN_FILE
from kitgauge.runs.reading import in_current_form

_LARGEST = 1e30
_DEEPEST = 40  # our own files nest 8 deep; what reads them walks down by recursion
FRAME_STATUSES = ("used", "rejected", "unmatched")


class Cells(Mapping[str, str]):
    """One row of a table, by column; the names of the columns are kept once for all rows."""

    __slots__ = ("_cells", "_places")

    def __init__(self, places: Mapping[str, int], cells: tuple[str, ...]) -> None:
        """Give `cells` names: `places` tells where the cell of a column stands."""
        self._places, self._cells = places, cells

    def __getitem__(self, name: str) -> str:
        return self._cells[self._places[name]]

    def __iter__(self) -> Iterator[str]:
        return iter(self._places)

    def __len__(self) -> int:
        return len(self._places)


@dataclass(frozen=True, slots=True)
class FrameRow:
    """One row of `frames.csv`, with its flags taken apart.

    `flags` are names of the registry; `remarks` is everything said about the frame that the registry does not
    know (the reason why a frame matches no step, for example).
    """

    file: str
    status: str
    role: str
    step: str
    flags: tuple[str, ...]
    remarks: tuple[str, ...]
    values: Mapping[str, str]

    def number(self, key: str) -> float:
        """Return a column as a number, NaN where it is empty or no number."""
        return number(self.values.get(key))


@dataclass(frozen=True)
class RunData:
    """Everything that the report may draw on. `notes` tells which file was missing."""

    folder: Path
    run: Mapping[str, Any]
    curves: Mapping[str, Any]
    frames: tuple[FrameRow, ...]
    notes: tuple[str, ...] = field(default_factory=tuple)

    def part(self, name: str) -> Mapping[str, Any]:
        """Return `noise`, `sharpness`, `blur` or `practice` of the curves, empty where not measured."""
        return mapping(self.curves.get(name))

    @property
    def limits(self) -> tuple[Mapping[str, Any], ...]:
        """The limits of the run, in file order."""
        return records(self.curves.get("limits"))


@dataclass(frozen=True)
class Curve:
    """A fitted model sampled for drawing; `low` and `high` bound the 95 % band and are empty where it is
    unknown.
    """

    x: tuple[float, ...]
    y: tuple[float, ...]
    low: tuple[float, ...] = ()
    high: tuple[float, ...] = ()

    @property
    def has_band(self) -> bool:
        """Whether the model has a band."""
        return bool(self.low) and bool(self.high)


def sampled_curve(value: object, keys: tuple[str, str, str, str] = ("x", "y", "low", "high")) -> Curve | None:
    """Return the curve that a fit gives sampled, under `keys` for x, y, low and high; None if it gives none.

    Low and high are optional. Samples without a finite x and y are skipped; a band with a gap is not drawn at
    all.
    """
    given = mapping(value)
    columns_given = (given.get(key) for key in keys)
    x, y, low, high = ([number(v) for v in c] if isinstance(c, list) else [] for c in columns_given)
    if len(x) < 2 or len(x) != len(y):
        return None
    if len(low) != len(x) or len(high) != len(x):
        low = high = [math.nan] * len(x)
    kept = [row for row in zip(x, y, low, high, strict=True) if math.isfinite(row[0]) and math.isfinite(row[1])]
    if len(kept) < 2:
        return None
    columns = tuple(zip(*kept, strict=True))
    if not all(math.isfinite(a) and math.isfinite(b) for _, _, a, b in kept):
        return Curve(columns[0], columns[1])
    return Curve(columns[0], columns[1], columns[2], columns[3])


def mapping(value: object) -> Mapping[str, Any]:
    """Return `value` if it is a mapping, else an empty one."""
    return value if isinstance(value, Mapping) else {}


def records(value: object) -> tuple[Mapping[str, Any], ...]:
    """Return the mappings in `value` if it is a list, else none."""
    if isinstance(value, Sequence) and not isinstance(value, str | bytes):
        return tuple(item for item in value if isinstance(item, Mapping))
    return ()


def texts(value: object) -> tuple[str, ...]:
    """Return the entries of a list as text; a lone text counts as a list of one."""
    if isinstance(value, str):
        return (value,) if value else ()
    if isinstance(value, Sequence) and not isinstance(value, bytes):
        return tuple(str(item) for item in value if item not in (None, ""))
    return ()


def number(value: object) -> float:
    """Return `value` as a float, NaN where it is unknown: null, empty, not a number, infinite.

    A size beyond 1e30 either way stands for no quantity here and only comes from a damaged file: unknown as well.
    """
    if value is None or isinstance(value, bool):
        return math.nan
    try:
        result = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        return math.nan
    return result if result == 0 or 1 / _LARGEST < abs(result) < _LARGEST else math.nan


def numbers(rows: Sequence[Mapping[str, Any]], key: str) -> list[float]:
    """Return one column of a list of records as numbers, NaN where unknown."""
    return [number(row.get(key)) for row in rows]


def text(value: object) -> str:
    """Return `value` as text, empty where it is unknown."""
    return "" if value is None else str(value).strip()


def flag_of(name: str) -> Flag | None:
    """Return the registered flag called `name`, None if this version does not know it."""
    return FLAGS.get(name)


def split_flags(cell: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Take the `flags` cell of `frames.csv` apart into registered flags and other remarks.

    Names are separated by semicolons, commas, bars or blanks; a piece that is not made of registered names
    only is kept whole as a remark.
    """
    flags: list[str] = []
    remarks: list[str] = []
    for piece in re.split(r"[;|]", cell):
        words = [word for word in re.split(r"[\s,]+", piece) if word]
        if words and all(word in FLAGS for word in words):
            flags.extend(words)
        elif piece.strip():
            remarks.append(piece.strip())
    return tuple(dict.fromkeys(flags)), tuple(dict.fromkeys(remarks))


def load_run(folder: Path) -> RunData:
    """Read the results in `folder`.

    Raises
    ------
    ResultsError : there is no `run.json`, or one of the files is damaged, or a complete run lacks its curves.
    """
    file = next((path for path in (folder, *folder.parents) if path.is_file()), None)
    if file is not None:
        raise ResultsError(
            "not a folder", where=file, got="a file", needed="the folder that `kitgauge run` has written",
            fix=f"give the folder of the run: {file.parent}",
        )  # fmt: skip
    notes: list[str] = []
    run = _read_json(folder / RUN_FILE, notes)
    if run is None:
        raise ResultsError(
            "this folder holds no results",
            where=folder,
            got="no run.json",
            needed="a folder that `kitgauge run` has written",
            fix="give the folder of one run, for example results/KIT/RUN",
        )
    curves = _read_json(folder / CURVES_FILE, notes)
    if curves is None:
        if text(run.get("status")) == "complete":
            raise ResultsError(
                "the run is marked complete but its curves are missing",
                where=folder / CURVES_FILE,
                got="no such file",
                needed="the curves.json that the run wrote",
                fix="run the protocol again on its frames; measured frames are taken from the cache",
            )
        notes.append("There is no curves.json: the run stopped before anything was fitted.")
        curves = {}
    frames = _read_frames(folder / FRAMES_FILE)
    if frames is None:
        notes.append("There is no frames.csv: which frames were used is not known.")
        frames = ()
    return RunData(folder=folder, run=run, curves=curves, frames=frames, notes=tuple(notes))


def _read_json(path: Path, notes: list[str]) -> Mapping[str, Any] | None:
    """Return the object in a JSON file, None if there is no such file; `notes` is told of an older form."""
    try:
        content = json.loads(path.read_bytes().decode("utf-8", errors="replace"))  # file names may be no valid text
    except FileNotFoundError:
        return None
    except (OSError, ValueError, RecursionError) as error:  # ValueError: no JSON, or an integer of over 4300 digits
        raise _unreadable(path, error) from error
    if _too_deep(content):
        raise _unreadable(path, f"values nested more than {_DEEPEST} deep")
    found, older = in_current_form(path, content)
    if older:
        notes.append(older)
    return found


def _unreadable(path: Path, got: object) -> ResultsError:
    return ResultsError(
        "a results file cannot be read", where=path, got=got, needed="a JSON object",
        fix="run the protocol again on its frames; measured frames are taken from the cache",
    )  # fmt: skip


def _too_deep(content: object) -> bool:
    level = [content]
    for _ in range(_DEEPEST):
        level = [
            inner
            for value in level
            if isinstance(value, dict | list)
            for inner in (value.values() if isinstance(value, dict) else value)
        ]
        if not level:
            return False
    return True


def _read_frames(path: Path) -> tuple[FrameRow, ...] | None:
    """Return the rows of `frames.csv`, None if there is no such file."""
    try:
        with path.open(encoding="utf-8", errors="replace", newline="") as stream:
            return tuple(_frame_rows(csv.reader(stream)))
    except FileNotFoundError:
        return None
    except (OSError, csv.Error) as error:
        raise ResultsError(
            "a results file cannot be read", where=path, got=error, needed="a CSV table of frames",
            fix="run the protocol again on its frames; measured frames are taken from the cache",
        ) from error  # fmt: skip


def _frame_rows(lines: Iterator[list[str]]) -> Iterator[FrameRow]:
    """Yield the rows; one that is too short has empty cells, and cells without a column are none of ours."""
    places = {name: place for place, name in enumerate(next(lines, []))}
    alike: dict[str, str] = {}  # thousands of frames have the same body, lens and settings
    said: dict[tuple[str, str], tuple[tuple[str, ...], tuple[str, ...]]] = {}
    for line in lines:
        if not line:
            continue
        cells = tuple(alike.setdefault(cell.strip(), cell.strip()) for cell in line[: len(places)])
        values = Cells(places, cells + ("",) * (len(places) - len(cells)))
        about = values.get("flags", ""), values.get("reason", "")
        if about not in said:
            flags, remarks = split_flags(about[0])
            said[about] = flags, ((about[1], *remarks) if about[1] and about[1] not in remarks else remarks)
        flags, remarks = said[about]
        yield FrameRow(
            file=values.get("file", ""),
            status=values.get("status", "") or "unknown",
            role=values.get("role", ""),
            step=values.get("step", ""),
            flags=flags,
            remarks=remarks,
            values=values,
        )
