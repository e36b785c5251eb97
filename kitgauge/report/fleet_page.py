"""A fleet of kits as one page: who differs from its siblings, the limits of each, the numbers side by side."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from kitgauge.report import wording
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
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("kitgauge.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["tie"] = wording.tie
    return environment.get_template(_TEMPLATE).render(
        sentence=summary_sentence(fleet),
        odd=odd_sentences(fleet),
        limits=limits_table(fleet),
        tables=group_tables(fleet),
        missing=missing_lines(fleet),
        links=links(fleet),
        notes=texts(fleet.get("notes")),
    )
