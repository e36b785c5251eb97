"""A review on the terminal: a letter for one frame, a table and letters for a few."""

from __future__ import annotations

from rich.console import Console

from kitgauge.report.evidence import Table
from kitgauge.report.tables import print_table, say
from kitgauge.review.folder import Reviewed
from kitgauge.review.one_frame import Review
from kitgauge.review.words import heading, letter, table_rows

_MOST_ROWS = 200
COLUMNS = ("frame", "settings", "seen", "blur", "next")


def print_review(reviewed: Reviewed, console: Console) -> None:
    """Print the review of one frame as a letter, of several as a table, worst first."""
    if len(reviewed.frames) == 1:
        print_letter(reviewed.frames[0], console)
    elif reviewed.frames:
        print_table(table(reviewed), console, _MOST_ROWS)
        say(console, "Worst first: by the stops that a frame misses. One frame's review: kitgauge review FRAME")
    for name, reason in reviewed.not_opened.items():
        say(console, f"Not reviewed: {name}: {reason}")


def print_letter(review: Review, console: Console) -> None:
    """Print the review of one frame."""
    pair = f" with {review.companion}" if review.companion else ""
    say(console, f"{review.file}{pair}: {heading(review)}")
    for about, sentences in letter(review):
        say(console, f"{about}: {' '.join(sentences)}", 2)


def table(reviewed: Reviewed) -> Table:
    """Return the table of a folder."""
    return Table("Frames, worst first", COLUMNS, tuple(table_rows(reviewed)), frozenset(range(len(COLUMNS))))
