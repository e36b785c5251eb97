"""What a blur run found besides the hands, in sentences and in numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from kitgauge.report import wording
from kitgauge.report.data import number, records, text
from kitgauge.report.evidence import Table


def finding_sentences(blur: Mapping[str, Any]) -> list[str]:
    """Return what was found, a sentence or more each."""
    told = [text(finding.get("text")) for finding in records(blur.get("findings"))]
    return [sentence[:1].upper() + sentence[1:] for sentence in told if sentence]


def notes_beside(notes: Sequence[str], blur: Mapping[str, Any]) -> list[str]:
    """Return the notes of a run that are not told as findings."""
    told = {text(finding.get("text")) for finding in records(blur.get("findings"))}
    return [note for note in notes if note not in told]


def findings_table(blur: Mapping[str, Any]) -> Table | None:
    """Return sizes and significance of what was found, None without any finding."""
    rows = tuple(
        (
            text(f.get("kind")).replace("-", " ") or wording.UNKNOWN,
            _size(f),
            wording.plain(number(f.get("z")), 3),
            _chance(f.get("probability")),
        )
        for f in records(blur.get("findings"))
    )
    if not rows:
        return None
    note = (
        "Size: ± is one standard error. z: its variance in standard errors, for roll over all handheld frames. "
        "Chance: how likely noise alone makes any such finding in a whole run."
    )
    return Table("Found besides the hands, in numbers", ("finding", "size", "z", "chance"), rows, frozenset({0}), note)


def _size(finding: Mapping[str, Any]) -> str:
    size, error, unit = number(finding.get("size")), number(finding.get("size_stderr")), text(finding.get("unit"))
    if math.isfinite(size) and error > 0:
        return wording.with_error(size, error, unit)
    return f"{wording.plain(size, 3)} {unit}".strip() if math.isfinite(size) else wording.NOT_ESTIMATED


def _chance(probability: object) -> str:
    """Return a probability in words; one too small for a quantity of this program is still small, not unknown."""
    if isinstance(probability, float) and 0 <= probability < 1e-4:
        return "under 0.0001"
    return wording.plain(number(probability), 2)
