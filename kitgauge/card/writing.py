"""From the results folder to a card in a file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from kitgauge.atomic import write_atomically
from kitgauge.card.content import card_of
from kitgauge.card.kit import read_card_kit
from kitgauge.errors import UsageError

SUFFIXES = (".html", ".pdf")


def write_card(
    out: Path,
    results: Path,
    kit: str | None = None,
    focals: Sequence[str] = (),
    lenses: Sequence[str] = (),
) -> str:
    """Write the card to `out`, a page (.html) or a printed card (.pdf), and return what it is about.

    `focals` are texts with focal lengths in mm, several in one divided by commas. Raises UsageError for another
    suffix or text, what `read_card_kit` raises, and ResultsError if the file cannot be written.
    """
    if out.suffix.lower() not in SUFFIXES:
        raise UsageError(
            "a card is written as a page or as PDF",
            where="--out",
            got=out.name,
            needed="a name that ends in .html or .pdf",
            fix="for example --out card.html",
        )
    found = read_card_kit(results, kit, _focals_mm(focals), lenses)
    card = card_of(found)
    if out.suffix.lower() == ".pdf":
        from kitgauge.card.pocket import pocket_card

        content: str | bytes = pocket_card(card)
    else:
        from kitgauge.card.chooser import chooser_table
        from kitgauge.card.page import card_page

        # names of any signs can be written: those that are no text are replaced
        content = card_page(card, chooser_table(found)).encode("utf-8", errors="replace")
    write_atomically(out, content)
    return found.body or "common practice: no limits were accepted yet"


def _focals_mm(texts: Sequence[str]) -> list[float]:
    focals = []
    for part in (part.strip() for text in texts for part in text.split(",")):
        try:
            focals.append(float(part.removesuffix("mm")))
        except ValueError:
            raise UsageError(
                "not a focal length",
                where="--focal",
                got=part or "nothing",
                needed="focal lengths in mm",
                fix="for example --focal 35 --focal 85, or --focal 35,85",
            ) from None
    return focals
