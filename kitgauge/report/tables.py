"""The summary on the terminal: limits as sentences, a short table, the frames. Everything else is in the report.

Nothing is wider than 80 columns where the words allow it. Tables have rules on a terminal, plain text elsewhere.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import Any, Literal

from rich import box
from rich.console import Console
from rich.markup import escape
from rich.table import Table as RichTable

from kitgauge.readable_text import readable
from kitgauge.report import evidence, letter, method, noise_text, troubles, wording
from kitgauge.report.data import RunData, number, records, text, texts
from kitgauge.report.evidence import Table
from kitgauge.report.focus_tables import bracket_table
from kitgauge.report.noise_tables import in_colour
from kitgauge.report.practice_choice_text import comparison_lines
from kitgauge.report.sharpness_tables import apertures_table
from kitgauge.report.sharpness_text import sharpness_letter
from kitgauge.report.subject_tables import subjects_table

_MOST_ROWS = 40
_MOST_ROWS_IN_SUMMARY = 14
_WIDEST = 80
_MOST_REASONS = 6
_MOST_FINDINGS = 4


def print_summary(data: RunData, console: Console) -> None:
    """Print the state, the limits, a table of what was measured, the next shots and the frames of a run."""
    say(console, f"{method.title(data)}{': ' + kit if (kit := method.kit_text(data)) else ''}")
    status = method.status_text(data.run)
    notes = [*([status] if status else []), *letter.reasons(data.run), *data.notes, *texts(data.run.get("notes"))]
    _list(console, list(dict.fromkeys(notes)), "in the report")
    limits = letter.limit_texts(data)
    for item in limits:
        say(console, " ".join(part for part in (item.sentence, item.interval) if part))
        if item.advice:
            say(console, item.advice, 2)
        for doubt in item.doubts:
            say(console, f"Mind: {doubt}.", 2)
    if not limits and letter.sets_limits(data):
        say(console, "This run gives no limit.")
    if noise_letter := noise_text.noise_letter(data.part("noise"), data.limits):
        if lights := "; ".join(heading for heading, _, _ in noise_letter.lights if ":" in heading):
            say(console, f"The weakest colour, white-balanced, meets it up to: {lights[0].lower()}{lights[1:]}.")
        for sentence in (*noise_letter.developed, *noise_letter.dark):
            say(console, sentence)
    for line in comparison_lines(data.part("practice")):
        say(console, line.strip(), len(line) - len(line.lstrip()))
    for table in summary_tables(data):
        print_table(table, console, _MOST_ROWS_IN_SUMMARY)
    if sharpness := sharpness_letter(data.part("sharpness")):
        for sentence in sharpness.made:
            say(console, sentence)
        for sentence in sharpness.lens[:_MOST_FINDINGS]:
            say(console, f"About the lens: {sentence}")
        if (more := len(sharpness.lens) - _MOST_FINDINGS + sharpness.more) > 0:
            say(console, f"and {wording.count(more, 'more finding')} in the report")
    if sentence := letter.rule_sentence(data.part("blur")):
        say(console, sentence)
    if sentence := letter.next_shots(data.part("blur")):
        say(console, sentence)
    print_frames_summary(data, console)
    say(console, "The rest is in the report.")


def print_frames_summary(data: RunData, console: Console) -> None:
    """Print how many frames were used, what was wrong with the others, and what to shoot again."""
    say(console, troubles.frames_sentence(data))
    lines = []
    for trouble in troubles.frame_troubles(data.frames):
        if trouble.severity == "note":
            continue
        advice = f" To do: {trouble.advice}." if trouble.advice else ""
        lines.append(f"{trouble.severity}, {trouble.counted}: {trouble.text}.{advice} ({trouble.examples})")
    _list(console, lines, "in the report", 2)
    _list(console, [f"shoot again: {item.step}: {item.text}" for item in troubles.reshoot_list(data)],
          "steps in the report", 2)  # fmt: skip


def _list(console: Console, lines: list[str], where: str, indent: int = 0) -> None:
    for line in lines[:_MOST_REASONS]:
        say(console, line, indent)
    if len(lines) > _MOST_REASONS:
        say(console, f"and {len(lines) - _MOST_REASONS} more {where}", indent)


def summary_tables(data: RunData) -> list[Table]:
    """Return the tables of a summary, narrow ones: noise per ISO, regions, keep rates, practice."""
    found = (
        noise_summary(data.part("noise")),
        apertures_table(data.part("sharpness"), narrow=True),
        bracket_table(data.part("sharpness"), narrow=True),
        evidence.blur_limits_table(data.part("blur")),
        subjects_table(data.part("blur"), data.limits),
        practice_summary(data.part("practice")),
    )
    return [table for table in found if table is not None]


def noise_summary(noise: Mapping[str, Any]) -> Table | None:
    """Return the noise of pooled green, a row per ISO, None without any."""
    rows = tuple(
        (
            wording.plain(number(p.get("iso")), 6), _pair(p, "gain_e_per_dn"), _pair(p, "read_noise_e"),
            wording.digits(number(p.get("saturation_e")), 3), wording.digits(number(p.get("dynamic_range_stops")), 3),
            wording.digits(number(p.get("snr_midgrey")), 3),
        )
        for p in sorted(
            (p for p in records(noise.get("points")) if text(p.get("channel")) == "G" and number(p.get("iso")) > 0),
            key=lambda p: number(p.get("iso")),
        )
    )  # fmt: skip
    if not rows:
        return None
    columns = ("ISO", "gain, e-/DN", "read noise, e-", "saturation, e-", "range, stops", "SNR")
    note = "e-: electrons; DN: units of the raw file; SNR: of one pixel at mid-grey."
    note = f"Green. {note}" if in_colour(noise) else note
    return Table("Noise per ISO", columns, rows, frozenset(), note)


def practice_summary(practice: Mapping[str, Any]) -> Table | None:
    """Return the frames of a practice series with their settings and level, None without any."""
    rows = tuple(
        (
            text(f.get("file")), wording.iso(number(f.get("iso"))), wording.shutter(number(f.get("shutter_s"))),
            wording.f_number(number(f.get("f_number"))),
            wording.decimals(number(f.get("level_stops_below_saturation")), 1),
            wording.share(number(f.get("clipped_share"))),
        )
        for f in records(practice.get("frames"))
    )  # fmt: skip
    if not rows:
        return None
    columns = ("frame", "ISO", "shutter", "f-number", "level", "clipped")
    note = "Level: the median, in stops below saturation."
    return Table("The frames side by side", columns, rows, frozenset({0}), note)


def _pair(row: Mapping[str, Any], key: str) -> str:
    return wording.with_error(number(row.get(key)), number(row.get(f"{key}_stderr")))


def print_table(table: Table, console: Console, most: int = _MOST_ROWS) -> None:
    """Print one table: with rules on a terminal, as aligned text elsewhere. Long ones are cut, saying so."""
    if console.is_terminal:
        console.print()
        console.print(_with_rules(table, most))
    else:
        for line in plain_lines(table, most):
            console.print(line, markup=False, highlight=False, soft_wrap=True)
    if table.note:
        say(console, table.note)
    if len(table.rows) > most:
        say(console, f"and {len(table.rows) - most} more rows; all are in the report")


def _with_rules(table: Table, most: int) -> RichTable:
    drawn = RichTable(
        title=escape(readable(table.title)),
        box=box.SIMPLE_HEAD,
        title_justify="left",
        pad_edge=False,
        show_edge=False,
        padding=(0, 1, 0, 0),
    )
    for index, column in enumerate(table.columns):
        justify: Literal["left", "right"] = "left" if index in table.left else "right"
        drawn.add_column(escape(readable(column)), justify=justify, overflow="fold")
    for row in table.rows[:most]:
        drawn.add_row(*(escape(readable(cell)) for cell in row))
    return drawn


def plain_lines(table: Table, most: int = _MOST_ROWS) -> list[str]:
    """Return a table as lines of aligned text, however wide: what reads it can cut or fold it better."""
    rows = [tuple(map(readable, row)) for row in (table.columns, *table.rows[:most])]
    widths = [max(len(row[index]) for row in rows) for index in range(len(table.columns))]
    lines = [
        "  ".join(
            cell.ljust(width) if index in table.left else cell.rjust(width)
            for index, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]
    return ["", readable(table.title), *lines]


def say(console: Console, line: str, indent: int = 0) -> None:
    """Print a text, broken at blanks to 80 columns (or what the terminal has), with what follows indented alike."""
    width = max(20, min(_WIDEST, console.width) - indent)
    for piece in textwrap.wrap(wording.tie(readable(line)), width, break_on_hyphens=False):
        console.print(" " * indent + wording.untie(piece), markup=False, highlight=False, soft_wrap=True)
