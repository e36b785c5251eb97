"""Damaged results: whatever stands in the files, there is a page or a clear error, never a crash or a warning."""

from __future__ import annotations

import json
import random
from pathlib import Path
from typing import Any

import pytest
from report_samples import blur_run, dark_run, developed_run, noise_run, practice_run, sharpness_run

from kitgauge.errors import ResultsError
from kitgauge.report.page import write_report
from kitgauge.report.style import legend_name

JUNK: tuple[Any, ...] = (
    None, "", "x", 0, -1, -1e-9, 1e308, 1e-308, 5e-324, -1e308, True, [], {}, [1], {"a": 1}, "1/60", float("nan"),
    float("inf"), "$x$", "\u5199\u771f", 10**400,
)  # fmt: skip


def damaged(value: Any, chance: random.Random, share: float) -> Any:
    if chance.random() < share:
        return chance.choice(JUNK)
    if isinstance(value, dict):
        return {key: damaged(inner, chance, share) for key, inner in value.items()}
    if isinstance(value, list):
        return [damaged(inner, chance, share) for inner in value]
    return value


@pytest.mark.parametrize("make", [noise_run, dark_run, developed_run, sharpness_run, blur_run, practice_run])
@pytest.mark.parametrize("share", [0.002, 0.02, 0.1])
def test_any_value_may_be_damaged(make: Any, share: float, tmp_path: Path) -> None:
    chance = random.Random(f"{make.__name__} {share}")
    for attempt in range(4):
        folder = make(tmp_path / str(attempt))
        for file in ("curves.json", "run.json"):
            content = damaged(json.loads((folder / file).read_text()), chance, share)
            content = content if isinstance(content, dict) else {}
            (folder / file).write_text(json.dumps({**content, "schema": 1}))
        try:
            page = write_report(folder).read_text(encoding="utf-8")
        except ResultsError as error:  # a complete run cannot lack what a complete run has
            assert error.fix
        else:
            assert page.rstrip().endswith("</html>")


def test_names_in_figures_stay_short_and_drawable() -> None:
    assert legend_name("top-left") == "top-left"
    assert legend_name("x" * 400) == "x" * 21 + "..."
    assert legend_name("\u5199\u771f") == "??"


@pytest.mark.parametrize("file", ["run.json", "curves.json"])
@pytest.mark.parametrize(
    "value",
    ["[" * 100_000 + "]" * 100_000, "[" * 300 + "]" * 300, '{"a":' * 300 + "1" + "}" * 300, "9" * 5000],
    ids=["very deep list", "deep list", "deep object", "long integer"],
)
def test_nesting_and_integers_beyond_all_measure_are_an_error_that_names_the_file(
    file: str, value: str, tmp_path: Path
) -> None:
    folder = noise_run(tmp_path)
    (folder / file).write_text(f'{{"schema": 1, "status": "complete", "noise": {value}}}')
    with pytest.raises(ResultsError, match="cannot be read") as caught:
        write_report(folder)
    assert file in str(caught.value) and caught.value.fix


@pytest.mark.parametrize("name", ["report.html", "run.json", "report.html/more"])
def test_a_file_in_place_of_the_folder_says_which_folder(name: str, tmp_path: Path) -> None:
    folder = noise_run(tmp_path / "run")
    (folder / "report.html").write_text("a page")
    with pytest.raises(ResultsError, match="not a folder") as caught:
        write_report(folder / name)
    assert f"give the folder of the run: {folder}" in caught.value.fix
    assert (folder / "report.html").read_text() == "a page"
