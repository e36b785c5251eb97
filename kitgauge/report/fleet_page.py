"""A fleet of kits as one page: who differs from its siblings, the limits of each, the numbers side by side."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from kitgauge.html_page import html_page
from kitgauge.report.data import texts
from kitgauge.report.fleet_rows import (
    group_tables,
    limits_table,
    links,
    missing_lines,
    odd_sentences,
    summary_sentence,
)

_TEMPLATE = "fleet.html.jinja"


def fleet_page(fleet: Mapping[str, Any]) -> str:
    """Return the page as HTML. Everything that comes from the files is escaped."""
    return html_page(
        _TEMPLATE,
        "kitgauge.report",
        sentence=summary_sentence(fleet),
        odd=odd_sentences(fleet),
        limits=limits_table(fleet),
        tables=group_tables(fleet),
        missing=missing_lines(fleet),
        links=links(fleet),
        notes=texts(fleet.get("notes")),
    )
