"""A comparison of runs on the terminal: limits in a table, then each difference and each trend in sentences."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich.console import Console

from kitgauge.report import wording
from kitgauge.report.data import mapping, number, records, text, texts
from kitgauge.report.evidence import Table
from kitgauge.report.tables import print_table, say


def limit_words(row: Mapping[str, Any]) -> str:
    """Return the limit of one run of a comparison: '1/43 s', '1/8 s or slower'."""
    value, low, high = (number(row.get(key)) for key in ("shutter_s", "ci_low_s", "ci_high_s"))
    if value > 0 or not (low > 0 or high > 0):
        return wording.exact_shutter(value)
    return f"{wording.exact_shutter(low)} or slower" if low > 0 else f"{wording.exact_shutter(high)} or faster"


def print_comparison(found: Mapping[str, Any], console: Console) -> None:
    """Print a comparison as its JSON holds it."""
    say(console, criterion_sentence(found))
    print_table(runs_table(found), console)
    say(console, "")
    for sentence in sentences(found):
        say(console, sentence)
    for note in texts(found.get("notes")):
        say(console, f"Mind: {note}.", 2)


def sentences(found: Mapping[str, Any]) -> list[str]:
    """Return each difference and each trend in words."""
    return [text(row.get("text")) for key in ("differences", "progress") for row in records(found.get(key))]


def criterion_sentence(found: Mapping[str, Any]) -> str:
    """Return what all runs are judged by."""
    criterion = mapping(found.get("criterion"))
    share = number(criterion.get("streak_share_of_diagonal"))
    return (
        f"Limits that keep {wording.share(number(criterion.get('keep')))} of frames at a streak of at most "
        f"{wording.plain(number(criterion.get('streak_px')), 3)} px (the frame's diagonal / {1 / share:.0f})."
    )


def runs_table(found: Mapping[str, Any]) -> Table:
    """Return a row per run: what it is called, when, its limit and interval."""
    rows = tuple(
        (
            text(row.get("run")), text(row.get("label")), text(row.get("taken_at"))[:10] or "–",
            limit_words(row) + (" (scaled)" if row.get("scaled") else ""),
            " to ".join(
                wording.exact_shutter(end) if (end := number(row.get(key))) > 0 else "open"
                for key in ("ci_low_s", "ci_high_s")
            ),
        )
        for row in records(found.get("runs"))
    )  # fmt: skip
    columns = ("run", "held", "day", "slowest shutter time", "95 % interval")
    return Table("The runs", columns, rows, frozenset({0, 1}))
