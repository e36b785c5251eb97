"""A comparison of runs as one self-contained page."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from kitgauge.atomic import write_atomically
from kitgauge.html_page import html_page
from kitgauge.matplotlib_ready import check_matplotlib
from kitgauge.report.comparison_text import criterion_sentence, runs_table, sentences
from kitgauge.report.data import records, texts

_TEMPLATE = "comparison.html.jinja"


def write_comparison(path: Path, found: Mapping[str, Any]) -> None:
    """Write the page of a comparison (as its JSON holds it) to `path`. Raises ResultsError."""
    write_atomically(path, comparison_page(found).encode("utf-8", errors="replace"))


def comparison_page(found: Mapping[str, Any]) -> str:
    """Return the page as HTML. Everything that comes from the files is escaped."""
    check_matplotlib()
    from kitgauge.report.plots_comparison import comparison_picture

    return html_page(
        _TEMPLATE,
        "kitgauge.report",
        criterion=criterion_sentence(found),
        sentences=sentences(found),
        notes=texts(found.get("notes")),
        picture=comparison_picture(records(found.get("runs"))),
        table=runs_table(found),
    )
