"""The card as PDF: four panels of A6 on a sheet of A4, to be folded twice.

The upper panels stand on their heads, so that with the upper half folded back the sheet opens like a book: front at the
lower right, inside at the top, back at the lower left. Fonts are embedded, so that it prints alike everywhere.
"""

from __future__ import annotations

import io
from functools import lru_cache
from typing import Any

from kitgauge.card.content import Card
from kitgauge.card.pocket_layout import (
    FOLD_PT,
    HOW_TO_FOLD,
    MARGIN_MM,
    PANEL_MM,
    POINT_MM,
    Panel,
    Rule,
    Text,
    pocket_panels,
)

_SHEET_MM = (2 * PANEL_MM[0], 2 * PANEL_MM[1])
_FAMILY = "DejaVu Sans"  # comes with Matplotlib
_UNKNOWN_SIGN = "\N{WHITE SQUARE}"
# left edge, upper edge [in panels], turned: front, inside left, inside right, back
_PLACES = ((1, 1, False), (1, 0, True), (0, 0, True), (0, 1, False))


def pocket_card(card: Card) -> bytes:
    """Return the card as a PDF file of as many A4 sheets as it needs; the same card gives the same bytes."""
    from kitgauge.matplotlib_ready import check_matplotlib

    check_matplotlib()
    import matplotlib as mpl
    from matplotlib.backends.backend_pdf import PdfPages
    from matplotlib.figure import Figure

    panels = pocket_panels(card, text_width_mm)
    target = io.BytesIO()
    about = {"Title": f"Field card: {printable(card.title)}", "Creator": "kitgauge", "CreationDate": None}
    with mpl.rc_context({"pdf.fonttype": 42}), PdfPages(target, metadata=about) as pages:
        for first in range(0, len(panels), len(_PLACES)):
            figure = Figure(figsize=(_SHEET_MM[0] / 25.4, _SHEET_MM[1] / 25.4))
            _draw_folds(figure)
            _draw_panel(figure, Panel([Text(MARGIN_MM, 3.5, FOLD_PT, HOW_TO_FOLD)]), _PLACES[3])
            for panel, place in zip(panels[first : first + len(_PLACES)], _PLACES, strict=False):
                _draw_panel(figure, panel, place)
            pages.savefig(figure)
    return target.getvalue()


def _draw_folds(figure: Any) -> None:
    from matplotlib.lines import Line2D

    for ends in (((0.5, 0.5), (0, 1)), ((0, 1), (0.5, 0.5))):
        figure.add_artist(Line2D(*ends, color="0.45", linewidth=0.4, linestyle=(0, (6, 6))))


def _draw_panel(figure: Any, panel: Panel, place: tuple[int, int, bool]) -> None:
    from matplotlib.lines import Line2D

    column, row, turned = place

    def on_sheet(x_mm: float, y_mm: float) -> tuple[float, float]:
        """Return the place in shares of the sheet, y upward."""
        x, y = (PANEL_MM[0] - x_mm, PANEL_MM[1] - y_mm) if turned else (x_mm, y_mm)
        return (column * PANEL_MM[0] + x) / _SHEET_MM[0], 1 - (row * PANEL_MM[1] + y) / _SHEET_MM[1]

    for item in panel.items:
        x, y = on_sheet(item.x_mm, item.y_mm)
        if isinstance(item, Text):
            figure.text(
                x, y, printable(item.text), fontsize=item.size_pt, family=_FAMILY,
                weight="bold" if item.bold else "normal", color="black", ha="left", va="baseline",
                rotation=180 if turned else 0, rotation_mode="anchor", parse_math=False,
            )  # fmt: skip
        elif isinstance(item, Rule):
            end, _ = on_sheet(item.x_mm + item.length_mm, item.y_mm)
            figure.add_artist(Line2D((x, end), (y, y), color="black", linewidth=item.width_pt))


@lru_cache(maxsize=16384)
def text_width_mm(text: str, size_pt: float, bold: bool) -> float:
    """Return the width [mm] of a text in the card's face."""
    from matplotlib.textpath import text_to_path

    if not text:
        return 0.0
    width, _, _ = text_to_path.get_text_width_height_descent(printable(text), _face(size_pt, bold), ismath=False)
    return float(width) * POINT_MM


@lru_cache(maxsize=4096)
def printable(text: str) -> str:
    """Return a text with a box for each sign that the card's face does not have."""
    from matplotlib.font_manager import findfont, get_font

    known = get_font(findfont(_face(7.0, False))).get_charmap()
    return "".join(sign if ord(sign) in known else _UNKNOWN_SIGN for sign in text)


@lru_cache(maxsize=16)
def _face(size_pt: float, bold: bool) -> Any:
    from matplotlib.font_manager import FontProperties

    return FontProperties(family=_FAMILY, weight="bold" if bold else "normal", size=size_pt)
