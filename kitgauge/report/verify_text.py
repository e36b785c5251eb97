"""What came of working a run out again, on the terminal."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.console import Console

from kitgauge.report import wording
from kitgauge.report.tables import say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from kitgauge.runs.same_numbers import Comparison, Difference
    from kitgauge.runs.verify import Verification
    from kitgauge.runs.verify_files import FilesCompared

_SHOWN = 8
_LONGEST = 40


def print_verification(found: Verification, console: Console) -> None:
    """Print what was checked, what is not the same, and the verdict last."""
    say(console, f"{found.protocol}: {found.run}")
    if found.older_form:
        say(console, found.older_form)
    say(console, _frames(found))
    for what, files in (("Missing", found.missing), ("Changed", found.changed)):
        if files:
            say(console, f"{what}: {wording.listing(list(files), _SHOWN)}.", 2)
    if found.not_hashed:
        say(
            console, f"Not readable at the time, so not compared: {wording.listing(list(found.not_hashed), _SHOWN)}.", 2
        )
    if found.since_added:
        say(console, f"{wording.count(found.since_added, 'frame')} added since; left out here.", 2)
    for name, state in found.inputs.items():
        words = {"same": "the same content (SHA-256)", "changed": "changed since", "missing": "not there any more"}
        say(console, f"{name[0].upper()}{name[1:]}: {words[state]}.")
    if found.versions:
        said = ", ".join(
            f"{name} {then or 'not recorded'} then, {now} now" for name, (then, now) in found.versions.items()
        )
        say(console, f"Versions that differ: {said}.")
        say(console, f"Numbers may differ by {found.tolerance:g} of their size; sentences are not compared.")
    else:
        say(console, "Versions and code: the same, so every number has to be equal to the last bit.")
    if found.numbers is None:
        say(console, "Not verified: without what the run was made from, its numbers cannot be worked out again.")
        return
    _numbers(found.numbers, found.rows, console)
    if found.files is not None:
        _files(found.files, console)
    say(console, _verdict(found))


def _numbers(compared: Comparison, rows: Sequence[Difference], console: Console) -> None:
    differing = (*compared.differences, *rows)
    said = f"{compared.numbers} compared, {compared.equal} equal to the last bit"
    if compared.largest_relative > 0:
        said += f", others within {compared.largest_relative:.1g} of their size"
    say(console, f"Numbers: {said}; {wording.count(len(differing), 'difference') if differing else 'no difference'}.")
    _list(differing, console)


def _files(files: FilesCompared, console: Console) -> None:
    """Print what became of the report and of the other files of the run."""
    if files.same:
        say(console, f"Made again and alike: {wording.listing(list(files.same), _SHOWN)}.")
    if files.differences:
        say(console, f"Made again and not alike: {wording.count(len(files.differences), 'difference')}.")
        _list(files.differences, console)
    for what, names in (("Not there", files.missing), ("Not of this run", files.added)):
        if names:
            say(console, f"{what}: {wording.listing(list(names), _SHOWN)}.")
    if files.page_differs:
        say(
            console,
            "Other versions of kitgauge and of what draws make other pages: kitgauge report RUN makes it again.",
        )


def _list(differing: Sequence[Difference], console: Console) -> None:
    for item in differing[:_SHOWN]:
        say(console, _difference(item), 2)
    if len(differing) > _SHOWN:
        say(console, f"and {len(differing) - _SHOWN} more; --json lists all", 2)


def _verdict(found: Verification) -> str:
    if found.same:
        return "Verified."
    if found.numbers_differ or found.files is None:
        return "Not verified: the results are not what these frames give."
    names = dict.fromkeys(item.path.partition(",")[0] for item in found.files.differences)
    return f"Not verified: the numbers are what these frames give, but not {wording.listing(list(names), _SHOWN)}."


def _frames(found: Verification) -> str:
    gone = len(found.missing) + len(found.changed)
    hashed = found.frames - len(found.not_hashed)
    what = "all" if not gone else str(hashed - gone)
    return f"Frames: {what} of {hashed} have the content (SHA-256) that was measured, in {found.frames_folder}."


def _difference(item: Difference) -> str:
    size = f" ({item.relative:.2g} of its size)" if math.isfinite(item.relative) else ""
    return f"{item.path}: {_short(item.then)} then, {_short(item.now)} now{size}"


def _short(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.9g}"
    text = str(value)
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}..."
