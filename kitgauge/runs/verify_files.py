"""The files of a run beside those of the same run worked out again: numbers, arrays, sentences, pictures, the page.

The page is made again from the numbers that were worked out anew, under the head that the run recorded (versions,
times, what was asked for), and every sign of it is compared. Where another version computes, its numbers may differ in
their last digits: then the page is made from the kept numbers, once they are known to be the same within the tolerance.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from difflib import SequenceMatcher
from itertools import takewhile
from pathlib import Path
from typing import Any

from kitgauge.errors import ResultsError
from kitgauge.runs.files import (
    CURVES_FILE,
    LOG_FILE,
    PROTOCOL_FILE,
    REPORT_FILE,
    RUN_FILE,
    RunLog,
    plain,
    read_json,
    run_files,
)
from kitgauge.runs.provenance import hash_if_there
from kitgauge.runs.same_numbers import Comparison, Difference, compare_values

# the head of run.json: what was asked for, with what, when; all the rest follows from frames and parameters
_HEAD = (
    "schema", "kitgauge_version", "code_sha256", "protocol", "settings", "versions", "started_at", "stopped_at",
    "frames_decoded", "not_frames",
)  # fmt: skip
_PROTOCOL = ("id", "title", "sha256")
_ARRAYS, _PICTURES = ".npz", ".jpg"
_MOST_COMPARED = 3000  # pieces of a page in which differences are looked for one by one
_CONTEXT = 12


@dataclass(frozen=True)
class FilesCompared:
    """`same`: files that were made again alike; `missing`: files that the run wrote once; `added`: what it did not
    write; `differences`: in the page, and of pictures and the copy of the protocol by their SHA-256."""

    same: tuple[str, ...]
    missing: tuple[str, ...]
    added: tuple[str, ...]
    differences: tuple[Difference, ...]

    @property
    def page_differs(self) -> bool:
        """Whether the report is not the page that the numbers give."""
        return any(item.path.startswith(REPORT_FILE) for item in self.differences)


def compared_numbers(run: Path, again: Path, tolerance: float) -> Comparison:
    """Compare curves.json, the results in run.json, what the log says of them, and the arrays beside them."""
    kept, anew = _contents(run), _contents(again)
    if LOG_FILE not in kept:  # told as missing
        del anew[LOG_FILE]
    found = compare_values(kept, anew, tolerance)
    prefix = f"{CURVES_FILE}."
    shown = tuple(Difference(item.path.removeprefix(prefix), item.then, item.now) for item in found.differences)
    return Comparison(found.numbers, found.equal, shown, found.largest_relative)


def compared_files(run: Path, again: Path, *, protocol_sha256: str | None, numbers_kept: bool) -> FilesCompared:
    """Compare the page, pictures and the protocol's copy; `numbers_kept`: make the page from the run's own numbers."""
    here, there = run_files(run), run_files(again)
    same, differences = [], []
    for name in here:
        if name == PROTOCOL_FILE:
            expected = protocol_sha256
        elif name.endswith(_PICTURES):
            expected = hash_if_there(again / name)
        else:
            continue
        found = hash_if_there(run / name)
        if found == expected:
            same.append(name)
        else:
            differences.append(Difference(f"{name}, SHA-256", found, expected))
    if REPORT_FILE in here:
        in_page = list(_page_differences(run, again, numbers_kept=numbers_kept))
        differences += in_page
        same += [] if in_page else [REPORT_FILE]
    written = {*there, REPORT_FILE}
    return FilesCompared(tuple(same), tuple(sorted(written - set(here))), _added(run, {*here}), tuple(differences))


def _added(run: Path, known: set[str]) -> tuple[str, ...]:
    """Return what lies in the run's folder and is no file of a run; of a folder only its name."""
    folders = {name.partition("/")[0] for name in known if "/" in name}
    inside = [path for folder in folders for path in (run / folder).iterdir()]
    found = (path.relative_to(run).as_posix() for path in (*run.iterdir(), *inside))
    return tuple(sorted(name for name in found if name not in known and name not in folders))


def _contents(run: Path) -> dict[str, Any]:
    """Return what a run's files say in numbers, by file."""
    head = read_json(run / RUN_FILE)
    protocol = head.get("protocol")
    results = _without_head(head)
    if isinstance(protocol, Mapping):
        results["protocol"] = {key: protocol.get(key) for key in _PROTOCOL}
    found: dict[str, Any] = {CURVES_FILE: dict(read_json(run / CURVES_FILE)), RUN_FILE: results}
    for name, path in run_files(run).items():
        if name.endswith(_ARRAYS):
            found[name] = _arrays(path)
        elif name == LOG_FILE:
            found[name] = _logged(path)
    return found


def _without_head(head: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in head.items() if key not in _HEAD}


def _arrays(path: Path) -> dict[str, Any]:
    import numpy as np

    try:
        with np.load(path, allow_pickle=False) as arrays:
            return {name: plain(arrays[name]) for name in arrays.files}
    except (OSError, ValueError, EOFError) as error:
        raise ResultsError(
            "an array of this run cannot be read", where=path, got=error, fix="run the protocol again"
        ) from error


def _logged(path: Path) -> dict[str, Any]:
    """Return the limits and notes that the log tells as the result, the last one of several."""
    entry = RunLog(path).last("result") or {}
    return {"text": entry.get("limits"), "notes": entry.get("notes")}


def _page_differences(run: Path, again: Path, *, numbers_kept: bool) -> Iterator[Difference]:
    from kitgauge.report.data import load_run
    from kitgauge.report.page import render_page

    data = load_run(run)
    if not numbers_kept:
        anew = load_run(again)
        data = replace(anew, run={**data.run, **_without_head(anew.run)}, notes=data.notes)
    expected = render_page(data).encode("utf-8", errors="replace")
    try:
        kept = (run / REPORT_FILE).read_bytes()
    except OSError as error:
        raise ResultsError("the report cannot be read", where=run / REPORT_FILE, got=error.strerror) from error
    if kept != expected:
        yield from _where_pages_differ(kept.decode("utf-8", "replace"), expected.decode("utf-8"))


def _where_pages_differ(kept: str, anew: str) -> Iterator[Difference]:
    """Yield what differs between two pages, element by element, with the line in the kept one."""
    old, new = re.split(r"(?=<)", kept), re.split(r"(?=<)", anew)
    start = _in_common(old, new)
    end = min(_in_common(old[::-1], new[::-1]), len(old) - start, len(new) - start)
    one, other = old[start : len(old) - end], new[start : len(new) - end]
    if max(len(one), len(other)) > _MOST_COMPARED:
        blocks = [(0, len(one), 0, len(other))]
    else:
        codes = SequenceMatcher(None, one, other, autojunk=False).get_opcodes()
        blocks = [(a, b, c, d) for code, a, b, c, d in codes if code != "equal"]
    for begin, stop, new_begin, new_stop in blocks:
        line = sum(piece.count("\n") for piece in old[: start + begin]) + 1
        then, now = "".join(one[begin:stop]), "".join(other[new_begin:new_stop])
        skip = max(_in_common(then, now) - _CONTEXT, 0)
        yield Difference(f"{REPORT_FILE}, line {line}", _piece(then, skip), _piece(now, skip))


def _in_common(one: str | list[str], other: str | list[str]) -> int:
    """Return how many members two sequences have in common from their beginning on."""
    return sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], zip(one, other, strict=False)))


def _piece(text: str, skip: int) -> str:
    return " ".join(text[skip : skip + 10 * _CONTEXT].split()) or "nothing"
