"""Every page, with texts that try to be markup in every place where text comes from files."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest
from page_markup import MARKUP, PLAIN, assert_only_text, with_text
from report_samples import blur_run, dark_run, developed_run, noise_run, practice_run, sharpness_run

from kitgauge.report.page import write_report

# names that parts of a page are chosen by; texts of their own are put there in a second page
NAMES = {
    "schema", "status", "kind", "channel", "colour", "role", "orientation", "measures", "setting", "censored", "region",
    "regions", "answer", "place", "places", "unit", "technique", "file", "files", "relative_to", "compared_with",
    "flags", "png", "jpeg", "picture", "sha256", "code_sha256", "side", "part", "id", "protocol",
}  # fmt: skip
COLUMNS = ("body", "lens", "step", "reason")


def rewritten(folder: Path, text: str, keep: set[str], columns: tuple[str, ...] = COLUMNS) -> Path:
    for name in ("run.json", "curves.json"):
        content = json.loads((folder / name).read_text(encoding="utf-8"))
        (folder / name).write_text(json.dumps(with_text(content, text, keep)), encoding="utf-8")
    with (folder / "frames.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    with (folder / "frames.csv").open("w", encoding="utf-8", errors="surrogatepass", newline="") as stream:
        writer = csv.DictWriter(stream, fieldnames=list(rows[0]))
        writer.writeheader()
        writer.writerows({**row, **{key: row[key] + text.replace("\0", "") for key in columns}} for row in rows)
    return folder


@pytest.mark.parametrize("make", [noise_run, dark_run, developed_run, sharpness_run, blur_run, practice_run])
def test_a_report_shows_texts_as_texts(make: Any, tmp_path: Path) -> None:
    pages = [
        write_report(rewritten(make(tmp_path / str(len(text) + (text == PLAIN))), text, NAMES)).read_text(
            encoding="utf-8"
        )
        for text in (MARKUP, PLAIN)
    ]
    assert_only_text(*pages)


@pytest.mark.parametrize("make", [dark_run, developed_run, sharpness_run, practice_run])
def test_names_that_parts_are_chosen_by_are_texts_too(make: Any, tmp_path: Path) -> None:
    columns = ("file", "role", "status", "flags", *COLUMNS)
    folder = rewritten(make(tmp_path / "run"), MARKUP, {"schema"}, columns)
    assert_only_text(write_report(folder).read_text(encoding="utf-8"))
