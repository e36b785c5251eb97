"""A fleet of kits on the terminal: who differs, the limits of each, the numbers side by side, what is missing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich.console import Console

from kitgauge.report.data import records, text, texts
from kitgauge.report.fleet_rows import group_tables, missing_lines, odd_sentences, summary_sentence
from kitgauge.report.tables import print_table, say


def print_fleet(fleet: Mapping[str, Any], console: Console) -> None:
    """Print what the page says, the limits as sentences."""
    say(console, summary_sentence(fleet))
    for sentence in odd_sentences(fleet):
        say(console, sentence)
    for kit in records(fleet.get("kits")):
        for run in records(kit.get("runs")):
            if limits := texts(run.get("limits")):
                say(console, f"{text(kit.get('kit'))}, {text(run.get('protocol'))}: {' '.join(limits)}")
    for table in group_tables(fleet):
        print_table(table, console)
    for name, reason, fix in missing_lines(fleet):
        say(console, f"Missing from {name}: {reason}.")
        if fix:
            say(console, f"To do: {fix}.", 2)
    for note in texts(fleet.get("notes")):
        say(console, f"Note: {note}.")
