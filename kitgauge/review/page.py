"""Reviews as one self-contained page: a contact sheet, worst first, and a short letter under each picture."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from kitgauge.atomic import write_atomically
from kitgauge.html_page import html_page
from kitgauge.review.folder import Reviewed
from kitgauge.review.one_frame import Review
from kitgauge.review.small_picture import SmallPicture
from kitgauge.review.words import heading, letter, settings_line

_TEMPLATE = "review.html.jinja"


@dataclass(frozen=True)
class Card:
    """One frame on the page."""

    file: str
    companion: str | None
    heading: str
    settings: str
    picture: SmallPicture
    parts: tuple[tuple[str, tuple[str, ...]], ...]


def write_page(path: Path, reviewed: Reviewed) -> None:
    """Write the contact sheet to `path`. Raises ResultsError."""
    write_atomically(path, review_page(reviewed).encode("utf-8", errors="replace"))


def review_page(reviewed: Reviewed) -> str:
    """Return the page as HTML. Everything that comes from files is escaped."""
    return html_page(
        _TEMPLATE,
        "kitgauge.review",
        "kitgauge.report",
        cards=[_card(review) for review in reviewed.frames],
        not_opened=reviewed.not_opened,
        where=reviewed.where.name or str(reviewed.where),
    )


def _card(review: Review) -> Card:
    parts = tuple((about, tuple(sentences)) for about, sentences in letter(review) if about != "Settings")
    return Card(review.file, review.companion, heading(review), settings_line(review), review.picture, parts)
