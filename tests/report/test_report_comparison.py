"""Comparison page and figure, the rose of directions, the rule and other focal lengths in the report."""

from __future__ import annotations

import json
import subprocess
import sys

from blur_run_folders import write_blur_run
from report_samples import blur_run

from kitgauge.report.comparison_page import comparison_page
from kitgauge.report.data import load_run
from kitgauge.report.page import render_page
from kitgauge.report.plots_comparison import comparison_picture
from kitgauge.report.plots_directions import direction_counts, directions_picture

RUNS = [
    {"run": "one", "label": "standing", "taken_at": "2026-03-01T10:00:00", "shutter_s": 1 / 40, "ci_low_s": 1 / 48,
     "ci_high_s": 1 / 33, "scaled": False},
    {"run": "two", "label": "seated <b>, elbows on the knees, stabiliser on", "taken_at": "2026-04-01T10:00:00",
     "shutter_s": 1 / 20, "ci_low_s": 1 / 25, "ci_high_s": 1 / 16, "scaled": True},
    {"run": "three", "label": "on a wall", "taken_at": None, "shutter_s": None, "ci_low_s": 1 / 8, "ci_high_s": None,
     "scaled": False},
]  # fmt: skip
FOUND = {
    "criterion": {"keep": 0.8, "streak_px": 4.81, "streak_share_of_diagonal": 1 / 1500},
    "runs": RUNS,
    "differences": [{"text": "Seated, compared with standing: +1.00 stops."}],
    "progress": [],
    "notes": ["each way was measured once"],
}


def test_the_figure_shows_every_run_bounds_and_scaled_ones_and_says_so():
    picture = comparison_picture(RUNS)
    assert picture is not None
    assert "1/40 s" in picture.svg
    assert "stabiliser on" in picture.svg.replace("\n", " ")
    assert "scaled by angle" in picture.caption
    assert "arrow without a point" in picture.caption
    assert "on a wall, 1/8 s or slower" in picture.alt
    assert comparison_picture([{"label": "nothing"}]) is None


def test_the_page_is_whole_and_escaped():
    page = comparison_page(FOUND)
    assert "Seated, compared with standing" in page
    assert "seated &lt;b&gt;" in page
    assert "<b>," not in page
    assert "1/8\N{NO-BREAK SPACE}s or slower" in page or "1/8 s or slower" in page
    assert "diagonal / 1500" in page


def test_the_rose_counts_directions_as_lines_without_a_front():
    # level both ways, upright, and 45 degrees; sectors of 22.5 degrees, the first centred on level
    assert direction_counts([0.0, 179.0, 180.0, -2.0]) == [4, 0, 0, 0, 0, 0, 0, 0]
    assert direction_counts([90.0, -90.0, 45.0]) == [0, 0, 1, 0, 2, 0, 0, 0]
    frames = [{"role": "handheld", "shutter_s": 1 / 60, "direction_deg": 2.0 * k - 8, "direction_deg_stderr": 3.0}
              for k in range(9)]  # fmt: skip
    frames += [{**frames[0], "direction_deg_stderr": 40.0}, {**frames[0], "role": "tripod"}]
    picture = directions_picture(frames)
    assert picture is not None
    assert "9 of 9 within 22.5 degrees of level" in picture.caption
    assert "1 frame too sharp" in picture.caption
    assert directions_picture(frames[:3]) is None


def test_a_report_tells_the_rule_and_marks_scaled_limits(tmp_path):
    folder = blur_run(tmp_path / "run")
    curves = json.loads((folder / "curves.json").read_text())
    curves["blur"]["rule"] = {"text": "The rule of thumb says 1/50 s; your limit is 0.64 stops slower."}
    curves["blur"]["scaled"] = [
        {"focal_mm": 100.0, "from_focal_mm": 50.0, "scaled": True, "keep": 0.8, "shutter_s": 1 / 70, "ci_low_s": 1 / 80,
         "ci_high_s": None}
    ]  # fmt: skip
    (folder / "curves.json").write_text(json.dumps(curves))
    page = render_page(load_run(folder))
    assert "your limit is 0.64\N{NO-BREAK SPACE}stops slower" in page
    assert "Other focal lengths" in page
    assert "scaled" in page
    assert "measured" in page
    assert "Directions" in page


def test_the_command_compares_prints_and_draws(tmp_path):
    one = write_blur_run(tmp_path / "one", 1 / 60, 1, technique="stabiliser off")
    two = write_blur_run(tmp_path / "two", 1 / 15, 2, technique="stabiliser on")
    command = [sys.executable, "-m", "kitgauge", "compare", str(one), str(two)]
    shown = subprocess.run([*command, "--out", str(tmp_path / "page.html")], capture_output=True, text=True, check=True)
    assert "the stabiliser gives +" in " ".join(shown.stdout.split())
    assert "<svg" in (tmp_path / "page.html").read_text(encoding="utf-8")
    told = subprocess.run([*command, "--json", "--criterion", "keep=0.5"], capture_output=True, text=True, check=True)
    found = json.loads(told.stdout)
    assert found["criterion"]["keep"] == 0.5
    assert found["differences"][0]["kind"] == "stabiliser"
    wrong = subprocess.run([*command[:-1], str(tmp_path)], capture_output=True, text=True, check=False)
    assert wrong.returncode == 1
    assert "results file missing" in wrong.stderr
