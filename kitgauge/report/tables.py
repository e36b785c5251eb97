"""Tables for the terminal: limits, points, frames. Drawn with rules on a terminal, plain text elsewhere."""

from __future__ import annotations

from typing import Literal

from rich import box
from rich.console import Console
from rich.markup import escape
from rich.table import Table as RichTable

from kitgauge.report import evidence, letter, method, wording
from kitgauge.report.data import RunData, texts
from kitgauge.report.evidence import Table

_MOST_ROWS = 40


def print_summary(data: RunData, console: Console) -> None:
    """Print the state, the limits, what to shoot again, the points and the frames of a run on `console`."""
    _say(console, f"{method.title(data)}{': ' + kit if (kit := method.kit_text(data)) else ''}")
    if status := method.status_text(data.run):
        _say(console, status)
    for note in (*letter.reasons(data.run), *data.notes, *texts(data.run.get("notes"))):
        _say(console, note)
    if data.limits:
        print_table(limits_table(data), console)
        for item in letter.limit_texts(data.limits, subject=letter.is_subject(data)):
            _say(console, item.sentence)
            if item.advice:
                _say(console, f"  {item.advice}")
    else:
        _say(console, "This run gives no limit.")
    for table in points_tables(data):
        print_table(table, console)
    if sentence := letter.next_shots(data.part("blur")):
        _say(console, sentence)
    print_frames_summary(data, console)


def print_frames_summary(data: RunData, console: Console) -> None:
    """Print how many frames were used, what was wrong with the others, and what to shoot again."""
    _say(console, letter.frames_sentence(data))
    for trouble in letter.frame_troubles(data.frames):
        if trouble.severity == "note":
            continue
        advice = f" To do: {trouble.advice}." if trouble.advice else ""
        _say(console, f"  {trouble.severity}, {wording.count(trouble.count, 'frame')}: {trouble.text}.{advice}")
        _say(console, f"    {trouble.examples}")
    for item in letter.reshoot_list(data):
        _say(console, f"  shoot again: {item.step}: {item.text}")


def limits_table(data: RunData) -> Table:
    """Return the limits of a run."""
    return evidence.limits_table(data.limits)


def points_tables(data: RunData) -> list[Table]:
    """Return the tables of measured points that fit a terminal: noise, sharpness, keep rates, practice."""
    found = (
        evidence.noise_table(data.part("noise")),
        evidence.sharpness_table(data.part("sharpness")),
        evidence.findings_table(data.part("sharpness")),
        evidence.blur_limits_table(data.part("blur")),
        evidence.practice_table(data.part("practice")),
    )
    return [table for table in found if table is not None]


def print_table(table: Table, console: Console) -> None:
    """Print one table: with rules on a terminal, as aligned text elsewhere. Long ones are cut, saying so."""
    if console.is_terminal:
        console.print(_with_rules(table))
    else:
        for line in plain_lines(table):
            _say(console, line)
    if len(table.rows) > _MOST_ROWS:
        _say(console, f"and {len(table.rows) - _MOST_ROWS} more rows; all are in the report")


def _with_rules(table: Table) -> RichTable:
    drawn = RichTable(
        title=escape(table.title),
        box=box.SIMPLE_HEAD,
        title_justify="left",
        pad_edge=False,
        caption=escape(table.note) if table.note else None,
        caption_justify="left",
    )
    for index, column in enumerate(table.columns):
        justify: Literal["left", "right"] = "left" if index in table.left else "right"
        drawn.add_column(escape(column), justify=justify, overflow="fold")
    for row in table.rows[:_MOST_ROWS]:
        drawn.add_row(*(escape(cell) for cell in row))
    return drawn


def plain_lines(table: Table) -> list[str]:
    """Return a table as lines of aligned text, however wide: what reads it can cut or fold it better."""
    rows = [table.columns, *table.rows[:_MOST_ROWS]]
    widths = [max(len(row[index]) for row in rows) for index in range(len(table.columns))]
    lines = [
        "  ".join(
            cell.ljust(width) if index in table.left else cell.rjust(width)
            for index, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]
    return ["", table.title, *lines, *([table.note] if table.note else [])]


def _say(console: Console, line: str) -> None:
    console.print(line, markup=False, highlight=False, soft_wrap=not console.is_terminal)
