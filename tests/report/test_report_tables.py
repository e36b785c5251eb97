"""Tables for the terminal."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from report_samples import blur_run, noise_run, practice_run, sharpness_run
from rich.console import Console

from kitgauge.report.data import load_run
from kitgauge.report.evidence import Table, noise_table
from kitgauge.report.fit_table import fit_table
from kitgauge.report.tables import plain_lines, print_summary


def shown(folder: Path, *, terminal: bool, width: int = 120) -> str:
    stream = io.StringIO()
    print_summary(load_run(folder), Console(file=stream, force_terminal=terminal, width=width, color_system=None))
    return stream.getvalue()


def test_summary_gives_limits_points_and_what_to_shoot_again(tmp_path: Path) -> None:
    text = shown(noise_run(tmp_path), terminal=False)
    assert "This run is partial" in text and "no frames at ISO 51200" in text
    assert "ISO 25600" in text and "24900 to ISO 26900" in text
    assert "make ISO 25600 the ceiling" in text
    assert "5.204 ± 0.016" in text or "5.2" in text
    assert "Of 38 frames, 36 used, 1 rejected and 1 left out." in text
    assert "shoot again: flat ISO 200" in text
    assert "rejected, 1 frame: highlights are clipped. To do: expose less." in text


@pytest.mark.parametrize("make", [noise_run, sharpness_run, blur_run, practice_run])
def test_plain_text_outside_a_terminal(make: object, tmp_path: Path) -> None:
    text = shown(make(tmp_path), terminal=False)  # type: ignore[operator]
    assert "\x1b" not in text
    assert not set(text) & set("─│┃━┏┓╭╮")


def test_rules_on_a_terminal(tmp_path: Path) -> None:
    assert "─" in shown(blur_run(tmp_path), terminal=True)


def test_long_tables_are_cut_and_say_so(tmp_path: Path) -> None:
    text = shown(sharpness_run(tmp_path), terminal=False)
    assert "and 104 more rows; all are in the report" in text  # 9 regions x 8 f-numbers x 2 directions less 40


def test_markup_in_names_is_printed_as_it_is(tmp_path: Path) -> None:
    folder = practice_run(tmp_path)
    for file in ("curves.json", "frames.csv"):
        path = folder / file
        path.write_text(path.read_text().replace("A24_level0.DNG", "[bold]x[/bold].DNG"))
    assert "[bold]x[/bold].DNG" in shown(folder, terminal=False, width=300)


def test_narrow_terminals_fold_and_lose_nothing(tmp_path: Path) -> None:
    text = shown(blur_run(tmp_path), terminal=True, width=40)
    assert max(len(line) for line in text.splitlines()) <= 40
    assert "1/50 s" in text


def test_plain_lines_align_numbers_right_and_text_left() -> None:
    table = Table("Title", ("name", "value"), (("a", "1.25"), ("long name", "10")), frozenset({0}), "a note")
    assert plain_lines(table) == [
        "",
        "Title",
        "name       value",
        "a           1.25",
        "long name     10",
        "a note",
    ]


def test_flags_that_every_row_carries_are_told_once() -> None:
    points = [
        {"iso": iso, "channel": "G", "flags": ["black-from-metadata", *extra]}
        for iso, extra in ((100, []), (200, ["flicker"]))
    ]
    table = noise_table({"points": points})
    assert table is not None
    assert [row[-1] for row in table.rows] == ["–", "flicker"]
    assert table.note.endswith("Every row carries: black-from-metadata.")
    alone = noise_table({"points": points[1:]})
    assert alone is not None and alone.rows[0][-1] == "black-from-metadata, flicker"


def test_what_all_fits_share_is_told_once() -> None:
    def fit(chi_square: float | None) -> dict[str, object]:
        return {
            "model": "line", "points_used": 5, "degrees_of_freedom": 3, "reduced_chi_square": chi_square,
            "parameters": {"slope": {"value": 2.0, "stderr": None, "unit": "px"}}, "at_bound": [],
        }  # fmt: skip

    table = fit_table({"left": fit(1.25), "right": fit(None)}, "Fits", "main")
    assert table is not None
    assert table.rows == (
        ("left", "slope", "2 ± not estimated", "px"),
        ("right", "slope", "2 ± not estimated", "px"),
    )
    assert table.note == (
        "Model: line. 5 points used, 3 degrees of freedom. Left: Reduced chi-square: 1.25. "
        "Right: Reduced chi-square: not estimated."
    )
    alone = fit_table(fit(1.25), "Fits", "main")
    assert alone is not None and alone.columns == ("parameter", "value", "unit")
    assert alone.note == "Model: line. 5 points used, 3 degrees of freedom. Reduced chi-square: 1.25."
    assert fit_table({}, "Fits", "main") is None
