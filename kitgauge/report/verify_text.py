"""What came of working a run out again, on the terminal."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.console import Console

from kitgauge.report import wording
from kitgauge.report.tables import say

if TYPE_CHECKING:
    from kitgauge.runs.same_numbers import Difference
    from kitgauge.runs.verify import Verification

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
        say(console, f"Versions that differ: {said}. Numbers may differ by {found.tolerance:g} of their size.")
    else:
        say(console, "Versions and code: the same, so every number has to be equal to the last bit.")
    if found.numbers is None:
        say(console, "Not verified: without what the run was made from, its numbers cannot be worked out again.")
        return
    compared = found.numbers
    differing = (*compared.differences, *found.rows)
    said = f"{compared.numbers} compared, {compared.equal} equal to the last bit"
    if compared.largest_relative > 0:
        said += f", others within {compared.largest_relative:.1g} of their size"
    say(console, f"Numbers: {said}; {wording.count(len(differing), 'difference') if differing else 'no difference'}.")
    for item in differing[:_SHOWN]:
        say(console, _difference(item), 2)
    if len(differing) > _SHOWN:
        say(console, f"and {len(differing) - _SHOWN} more; --json lists all", 2)
    say(console, "Verified." if found.same else "Not verified: the results are not what these frames give.")


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
