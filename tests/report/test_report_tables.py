"""Tables for the terminal."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest
from report_samples import blur_run, dark_run, noise_run, practice_run, sharpness_run
from rich.console import Console

from kitgauge.report.data import FrameRow, load_run
from kitgauge.report.evidence import Table, frames_table
from kitgauge.report.fit_table import fit_table
from kitgauge.report.noise_tables import noise_table
from kitgauge.report.page import write_report
from kitgauge.report.tables import plain_lines, print_summary, print_table


def shown(folder: Path, *, terminal: bool, width: int = 120) -> str:
    stream = io.StringIO()
    print_summary(load_run(folder), Console(file=stream, force_terminal=terminal, width=width, color_system=None))
    return stream.getvalue()


def test_summary_gives_limits_points_and_what_to_shoot_again(tmp_path: Path) -> None:
    text = shown(noise_run(tmp_path), terminal=False)
    assert "This run is partial" in text and "no frames at ISO 51200" in text
    assert "ISO 25600" in text and "24900 to ISO 26900" in text
    assert "make ISO 25600 the ceiling" in text
    assert "meets it up to: daylight: ISO 20000; Lamp light (tungsten): ISO 10000." in " ".join(text.split())
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


def test_long_tables_are_cut_and_say_so() -> None:
    table = Table("Long", ("number",), tuple((str(k),) for k in range(50)))
    stream = io.StringIO()
    print_table(table, Console(file=stream, width=80))
    assert "and 10 more rows; all are in the report" in stream.getvalue()
    assert "39" in stream.getvalue() and "40" not in stream.getvalue()


@pytest.mark.parametrize("terminal", [False, True])
@pytest.mark.parametrize("make", [noise_run, sharpness_run, blur_run, practice_run])
def test_summary_fits_eighty_columns_and_a_screen(make: object, terminal: bool, tmp_path: Path) -> None:
    lines = shown(make(tmp_path), terminal=terminal, width=155).splitlines()  # type: ignore[operator]
    assert max(len(line.rstrip()) for line in lines) <= 80
    assert len(lines) <= 36
    assert lines[-1] == "The rest is in the report."


def test_summary_has_one_row_per_iso_for_green_only(tmp_path: Path) -> None:
    folder = noise_run(tmp_path)
    points = json.loads((folder / "curves.json").read_text())["noise"]["points"]
    isos = sorted({p["iso"] for p in points})
    text = shown(folder, terminal=False)
    rows = text.split("Noise per ISO\n")[1].split("Green.")[0].splitlines()
    assert rows[0].split("  ")[-1].strip() == "SNR"
    assert [row.split()[0] for row in rows[1:]] == [f"{iso:.0f}" for iso in isos]


def test_summary_of_sharpness_has_one_row_per_region_and_no_limits_table(tmp_path: Path) -> None:
    text = shown(sharpness_run(tmp_path), terminal=False)
    rows = text.split("Sharpest f-number of each region\n")[1].splitlines()[1:10]
    assert [row.split()[0] for row in rows] == [
        "centre", "left", "right", "top", "bottom", "top-left", "top-right", "bottom-left", "bottom-right",
    ]  # fmt: skip
    assert rows[0].split() == ["centre", "f/5.1", "f/4.6", "to", "f/5.9", "f/3.1", "to", "f/9.6"]
    assert "criterion" not in text and "mtf50_fraction" not in text


def test_every_reason_is_told_once(tmp_path: Path) -> None:
    text = " ".join(shown(noise_run(tmp_path), terminal=False).split())
    for reason in ("no frames at ISO 51200", "flat ISO 200 has one frame", "expose less"):
        assert text.count(reason) == 1


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


def test_minus_zero_is_zero(tmp_path: Path) -> None:
    folder = practice_run(tmp_path)
    path = folder / "curves.json"
    content = json.loads(path.read_text())
    content["practice"]["frames"][0]["level_stops_below_saturation"] = -0.001
    path.write_text(json.dumps(content))
    text = shown(folder, terminal=False)
    assert "-0.0" not in text and " 0.0 " in text


def test_plain_lines_align_numbers_right_and_text_left() -> None:
    table = Table("Title", ("name", "value"), (("a", "1.25"), ("long name", "10")), frozenset({0}), "a note")
    assert plain_lines(table) == [
        "",
        "Title",
        "name       value",
        "a           1.25",
        "long name     10",
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
            "parameters": {"offset": {"value": 2.0, "stderr": None, "unit": "px"}}, "at_bound": [],
        }  # fmt: skip

    table = fit_table({"left": fit(1.25), "right": fit(None)}, "Fits", "main")
    assert table is not None
    assert table.rows == (
        ("left", "offset", "2 ± not estimated", "px"),
        ("right", "offset", "2 ± not estimated", "px"),
    )
    assert table.note == ""
    assert table.details == (
        "Model: line. 5 points used, 3 degrees of freedom.", "Left: Reduced chi-square: 1.25.",
        "Right: Reduced chi-square: not estimated.",
    )  # fmt: skip
    alone = fit_table(fit(1.25), "Fits", "main")
    assert alone is not None and alone.columns == ("parameter", "value", "unit")
    assert alone.details == ("Model: line. 5 points used, 3 degrees of freedom. Reduced chi-square: 1.25.",)
    assert fit_table({}, "Fits", "main") is None


def test_fits_are_named_as_one_writes_them_and_their_evidence_folded() -> None:
    fit = {
        "model": "sigma_r^2 = sigma_0^2 + (sigma_1 g)^2, two stages",
        "parameters": {"sigma_0_low_iso": {"value": 3.0, "stderr": 0.1, "unit": "e-"}},
        "evidence": {"aicc_two_stages": -1.71687, "bic_one_stage": 12.0, "log_likelihood_weibull": -78.0},
        "reduced_chi_square": 0.9,
    }
    table = fit_table(fit, "Fits", "main")
    assert table is not None and table.note == ""
    assert table.rows == (("σ₀, noise before the gain, low ISO", "3.00 ± 0.10", "e⁻"),)
    (said,) = table.details
    assert "σᵣ² = σ₀² + (σ₁ g)², two stages" in said
    assert "AICc, two stages: -1.7169; BIC, one stage: 12; log-likelihood, weibull: -78" in said


@pytest.mark.parametrize(
    ("chi_square", "rescaled", "said"),
    [
        (9.97, True, "more widely than their own errors say: reduced chi-square 10, where 1 is expected; the errors "
         "given here are widened to match."),
        (4.0, False, "more widely than their own errors say: reduced chi-square 4, where 1 is expected; the errors "
         "given here are too small."),
        (0.21, False, "less than their own errors say: reduced chi-square 0.21, where 1 is expected."),
        (1.4, False, ""),
    ],
)  # fmt: skip
def test_scatter_far_from_the_errors_is_a_plain_sentence(chi_square: float, rescaled: bool, said: str) -> None:
    fit = {"parameters": {"k": 1.0}, "reduced_chi_square": chi_square, "errors_rescaled": rescaled}
    table = fit_table(fit, "Fits", "main")
    assert table is not None
    assert table.note == (f"The points scatter about the model {said}" if said else "")


def test_kinds_of_runs_that_set_no_limit_do_not_deplore_it(tmp_path: Path) -> None:
    folder = dark_run(tmp_path / "dark")
    record = json.loads((folder / "run.json").read_text())
    (folder / "run.json").write_text(json.dumps({**record, "measures": "dark-current"}))
    page = write_report(folder).read_text()
    assert "no limit" not in shown(folder, terminal=False) and "no limit" not in page
    assert "What was found" in page and "Your limits" not in page
    assert "no limit" not in shown(practice_run(tmp_path / "practice"), terminal=False).lower()


def test_a_limit_that_allows_for_unknown_read_noise_asks_for_no_darks(tmp_path: Path) -> None:
    folder = noise_run(tmp_path)
    curves = json.loads((folder / "curves.json").read_text())
    (limit,) = curves["limits"]
    plain = limit["text"]
    for text, told in ((plain, True), (f"{plain} Read noise was not measured: the interval allows for it.", False)):
        limit |= {"flags": ["no-dark", "uneven-light"], "text": text}
        (folder / "curves.json").write_text(json.dumps(curves))
        minds = [line for line in shown(folder, terminal=False).splitlines() if line.strip().startswith("Mind:")]
        assert any("falls off" in line for line in minds)
        assert any("no dark pair" in line for line in minds) == told


def test_ten_thousand_frames_do_not_make_a_page_that_no_browser_shows():
    row = FrameRow("a.dng", "used", "flat", "flat ISO 100", (), (), {"sha256": "0123456789abcdef" * 4})
    table = frames_table([row] * 10_000)
    assert len(table.rows) == 2000 and "8000 more are in frames.csv" in table.note
    assert table.rows[0][6] == "01234567"
    assert "more" not in frames_table([row] * 2000).note
