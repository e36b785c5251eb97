"""The overview of a class on the terminal: a line or two for each learner."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich.console import Console

from kitgauge.report.class_page import summary_sentence
from kitgauge.report.data import mapping, records, text
from kitgauge.report.tables import say


def print_class(overview: Mapping[str, Any], console: Console) -> None:
    """Print what each learner's run found, and what is missing."""
    say(console, f"{text(overview.get('title'))}: {summary_sentence(overview)}")
    for row in records(overview.get("learners")):
        found = "; ".join(f"{key} {value}" for key, value in mapping(row.get("results")).items())
        say(console, f"{text(row.get('learner'))}: {found or 'no result'}.")
        if text(row.get("status")) != "complete":
            say(console, f"Missing: {text(row.get('reason'))}.", 2)
            if text(row.get("fix")):
                say(console, f"To do: {text(row.get('fix'))}.", 2)
