"""The overview of a class as one page: a row for each learner, with a link to the learner's own page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from kitgauge.html_page import html_page
from kitgauge.report import wording
from kitgauge.report.data import mapping, number, records, text, texts

_TEMPLATE = "class.html.jinja"


def class_page(overview: Mapping[str, Any]) -> str:
    """Return the page as HTML. Everything that comes from the files is escaped."""
    learners = records(overview.get("learners"))
    return html_page(
        _TEMPLATE,
        "kitgauge.report",
        title=text(overview.get("title")) or text(overview.get("protocol")),
        protocol=text(overview.get("protocol")),
        sentence=summary_sentence(overview),
        columns=class_columns(overview),
        rows=[(text(row.get("learner")), text(row.get("page")), class_cells(overview, row)) for row in learners],
        failed=[
            (text(row.get("learner")), text(row.get("status")), text(row.get("reason")), text(row.get("fix")))
            for row in learners
            if text(row.get("status")) != "complete"
        ],
        cautions=texts(overview.get("cautions")),
    )


def summary_sentence(overview: Mapping[str, Any]) -> str:
    """Return how many learners there are and what became of their frames."""
    learners = records(overview.get("learners"))
    counts = {name: sum(row.get("status") == name for row in learners) for name in ("complete", "partial", "failed")}
    said = f"{wording.count(len(learners), 'learner')}: {counts['complete']} complete"
    said += f", {counts['partial']} with something missing" if counts["partial"] else ""
    return f"{said}{', ' + str(counts['failed']) + ' without a result' if counts['failed'] else ''}."


def class_columns(overview: Mapping[str, Any]) -> list[str]:
    """Return the headings: what is known of every learner, then all that any run found."""
    found = dict.fromkeys(key for row in records(overview.get("learners")) for key in mapping(row.get("results")))
    return ["learner", "camera", "frames", *found, "state"]


def class_cells(overview: Mapping[str, Any], row: Mapping[str, Any]) -> list[str]:
    """Return one learner's cells behind the name."""
    results = mapping(row.get("results"))
    frames = number(row.get("frames"))
    return [
        text(row.get("camera")) or "not recorded",
        wording.plain(frames) if frames >= 0 else "–",
        *(text(results.get(key)) or "–" for key in class_columns(overview)[3:-1]),
        {"complete": "complete", "partial": "something missing", "failed": "no result"}.get(
            text(row.get("status")), text(row.get("status"))
        ),
    ]
