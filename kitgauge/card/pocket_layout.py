"""The printed card as text and lines in panels of A6, lengths in mm from each panel's upper left corner, y downward.

Nothing here draws; text widths come from a function that is given.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from kitgauge.card.content import CAUTIONS, LEGEND, SUN, Card
from kitgauge.card.tables import Table

PANEL_MM = (105.0, 148.5)
MARGIN_MM = 6.5
POINT_MM = 25.4 / 72
TITLE_PT, HEAD_PT, CELL_PT, NOTE_PT = 11.0, 9.0, 7.5, 6.5
_LINE, _ROOM_MM, _GAP_MM = 1.22, 0.45, 2.6  # line height of the size; above and below a row; before a heading
_COLUMN_GAP_MM, _MOST_SPARE_MM = 2.0, 5.0
FOLD_PT = 5.0
HOW_TO_FOLD = "Print on A4 at 100 %. Fold the upper half back, then both together like a book."

Width = Callable[[str, float, bool], float]  # of a text [mm] at a size [pt], bold or not


@dataclass(frozen=True)
class Text:
    """One line of text from its left end on the baseline [mm]."""

    x_mm: float
    y_mm: float
    size_pt: float
    text: str
    bold: bool = False


@dataclass(frozen=True)
class Rule:
    """A horizontal line [mm]."""

    x_mm: float
    y_mm: float
    length_mm: float
    width_pt: float


@dataclass
class Panel:
    """One side of the folded card."""

    items: list[Text | Rule] = field(default_factory=list)


class _Flow:
    """Puts what comes below what came, in a new panel where there is no room left."""

    def __init__(self, width: Width) -> None:
        self.width = width
        self.room_mm = PANEL_MM[0] - 2 * MARGIN_MM
        self.panels = [Panel()]
        self.y_mm = MARGIN_MM

    @property
    def left_mm(self) -> float:
        return PANEL_MM[1] - MARGIN_MM - self.y_mm

    def new_panel(self) -> None:
        self.panels.append(Panel())
        self.y_mm = MARGIN_MM

    def lines(self, text: str, size_pt: float, *, bold: bool = False, indent_mm: float = 0.0) -> None:
        for line in wrapped(text, self.room_mm - indent_mm, size_pt, bold, self.width):
            height = size_pt * POINT_MM * _LINE
            if height > self.left_mm:
                self.new_panel()
            self.y_mm += height
            baseline = self.y_mm - 0.28 * size_pt * POINT_MM
            self.panels[-1].items.append(Text(MARGIN_MM + indent_mm, baseline, size_pt, line, bold))

    def rule(self, width_pt: float) -> None:
        self.panels[-1].items.append(Rule(MARGIN_MM, self.y_mm, self.room_mm, width_pt))

    def table(self, table: Table) -> None:
        """Put a table, whole in one panel where that leaves little empty; its head comes again where it goes on."""
        grid = [[cell.marked for cell in row] for row in table.rows]
        widths = column_widths(
            [
                max(self.width(text, CELL_PT, bold) for text, bold in column)
                for column in zip(
                    *([(text, True) for text in table.columns], *([(text, False) for text in row] for row in grid)),
                    strict=True,
                )
            ],
            self.room_mm,
        )
        head = self._row(table.columns, widths, bold=True)
        rows = [self._row(row, widths, bold=False) for row in grid]
        title_mm = HEAD_PT * POINT_MM * _LINE
        whole = _GAP_MM + title_mm + sum(_height(row) for row in (head, *rows))
        whole += sum(
            len(wrapped(note, self.room_mm, NOTE_PT, False, self.width)) * NOTE_PT * POINT_MM * _LINE
            for note in table.notes
        )
        start = _GAP_MM + title_mm + _height(head) + sum(_height(row) for row in rows[:3])
        panel_mm = PANEL_MM[1] - 2 * MARGIN_MM
        # a long table may go on in the next panel where a new one would leave half of this one empty
        together = whole <= panel_mm and (whole < panel_mm / 2 or self.left_mm < panel_mm / 2)
        if self.y_mm > MARGIN_MM and (whole if together else start) > self.left_mm:
            self.new_panel()
        self.y_mm += _GAP_MM if self.y_mm > MARGIN_MM else 0.0
        self.lines(table.title, HEAD_PT, bold=True)
        self._put(head, widths, bold=True)
        for row in rows:
            if _height(row) > self.left_mm:
                self.new_panel()
                self._put(head, widths, bold=True)
            self._put(row, widths, bold=False)
        for note in table.notes:
            self.lines(note, NOTE_PT)

    def paragraphs(self, title: str, texts: Sequence[str]) -> None:
        """Put a heading and short texts, in one panel if one has the room."""
        count = sum(len(wrapped(text, self.room_mm, NOTE_PT, False, self.width)) for text in texts)
        whole = _GAP_MM + (HEAD_PT + count * NOTE_PT) * POINT_MM * _LINE
        if self.left_mm < whole < PANEL_MM[1] - 2 * MARGIN_MM:
            self.new_panel()
        self.y_mm += _GAP_MM if self.y_mm > MARGIN_MM else 0.0
        self.lines(title, HEAD_PT, bold=True)
        for text in texts:
            self.lines(text, NOTE_PT)

    def _row(self, texts: Sequence[str], widths: Sequence[float], *, bold: bool) -> list[list[str]]:
        return [
            wrapped(text, width, CELL_PT, bold or number == 0, self.width)
            for number, (text, width) in enumerate(zip(texts, widths, strict=True))
        ]

    def _put(self, row: list[list[str]], widths: Sequence[float], *, bold: bool) -> None:
        x = MARGIN_MM
        step = CELL_PT * POINT_MM * _LINE
        for number, (lines, width) in enumerate(zip(row, widths, strict=True)):
            for k, line in enumerate(lines):
                baseline = self.y_mm + _ROOM_MM + (k + 1) * step - 0.28 * CELL_PT * POINT_MM
                self.panels[-1].items.append(Text(x, baseline, CELL_PT, line, bold or number == 0))
            x += width + _COLUMN_GAP_MM
        self.y_mm += _height(row)
        self.rule(0.8 if bold else 0.25)


def pocket_panels(card: Card, width: Width) -> list[Panel]:
    """Return the panels of a card, the front first; `width` measures text."""
    flow = _Flow(width)
    flow.lines(card.title, TITLE_PT, bold=True)
    flow.lines(card.subtitle, NOTE_PT)
    flow.lines("   ".join(f"{sign} {words}" for sign, words in LEGEND), NOTE_PT)
    flow.lines(f"Sun: {SUN}", CELL_PT, bold=True)
    for table in (card.shutter, card.sharp, card.iso):
        flow.table(table)
    flow.paragraphs("Take care", (*CAUTIONS, *card.notes))
    for table in (card.light, *card.depth):
        flow.table(table)
    return flow.panels


def _height(row: list[list[str]]) -> float:
    return max(len(lines) for lines in row) * CELL_PT * POINT_MM * _LINE + 2 * _ROOM_MM


def column_widths(natural: Sequence[float], room_mm: float) -> list[float]:
    """Return widths of columns [mm] that fit with their gaps: those that are too wide share what the others leave."""
    room = room_mm - _COLUMN_GAP_MM * (len(natural) - 1)
    if sum(natural) <= room:
        spare = min((room - sum(natural)) / len(natural), _MOST_SPARE_MM)
        return [width + spare for width in natural]
    low, high = 0.0, max(natural)
    for _ in range(50):
        cap = (low + high) / 2
        if sum(min(width, cap) for width in natural) > room:
            high = cap
        else:
            low = cap
    return [min(width, low) for width in natural]


def wrapped(text: str, room_mm: float, size_pt: float, bold: bool, width: Width) -> list[str]:
    """Return a text in lines of at most `room_mm`; a word longer than that is broken."""
    lines = [""]
    for word in text.split(" "):  # and not where spaces do not break
        tried = f"{lines[-1]} {word}".strip()
        if width(tried, size_pt, bold) <= room_mm + 1e-6:
            lines[-1] = tried
            continue
        if lines[-1]:
            lines.append("")
        for sign in word:
            if lines[-1] and width(lines[-1] + sign, size_pt, bold) > room_mm + 1e-6:
                lines.append("")
            lines[-1] += sign
    return lines
