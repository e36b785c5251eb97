"""The command `kitgauge card`: a kit's limits on one page, for the phone or the pocket."""

from __future__ import annotations

from pathlib import Path

from kitgauge import cli_options as options
from kitgauge.readable_text import tell


def card(
    kit: options.Kit = None,
    results: options.Results = Path("results"),
    focal: options.CardFocals = None,
    lens: options.CardLenses = None,
    out: options.CardOut = Path("card.html"),
) -> None:
    """Write a field card: limits, sharp f-numbers, depth of field, light, and as a page a chooser of settings.

    The page is one file that works without a network; the PDF prints on A4 and folds to A6.

    Examples:

      kitgauge card --out card.html

      kitgauge card --kit my-body --focal 35,85 --out card.pdf
    """
    from kitgauge.card.writing import write_card

    about = write_card(out, results, kit, focal or (), lens or ())
    tell(f"Field card: {out} ({about})")
