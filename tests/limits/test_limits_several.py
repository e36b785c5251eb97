"""More than one accepted limit for a setting: which one a plan uses is said, not left to be guessed."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from kitgauge.limits.commands import accept_run, show_limits
from kitgauge.limits.several import WIDTH, wrapped
from kitgauge.planner.command import plan_from_results

KIT = {"name": "made-up-1", "body": "Made Up 1", "body_serial": None}


def accept_limit(results: Path, name: str, **limit: Any) -> str:
    folder = results / "made-up-1" / name
    folder.mkdir(parents=True)
    (folder / "curves.json").write_text(json.dumps({"schema": 1, "kit": KIT, "limits": [limit]}))
    return accept_run(folder, results, None, replace=False)


def iso(results: Path, name: str, iso: float, output_mp: float) -> str:
    return accept_limit(results, name, kind="iso", iso=iso, criterion={"snr": 10.0, "output_mp": output_mp})


def shutter(results: Path, name: str, shutter_s: float, technique: str) -> str:
    criterion = {"keep": 0.8, "streak_px": 5.0}
    return accept_limit(
        results, name, kind="shutter", shutter_s=shutter_s, technique=technique, focal_mm=50, criterion=criterion
    )


def unwrapped(text: str) -> str:
    return " ".join(text.split())


def test_two_iso_limits(tmp_path: Path) -> None:
    assert "There are now" not in iso(tmp_path, "one", 8000, 1)
    said = unwrapped(iso(tmp_path, "two", 1600, 8))
    sentence = (
        "There are now 2 ISO limits: 1 MP and 8 MP; plans use the one that fits --output-mp, else the one accepted last"
    )
    assert sentence in said
    assert sentence in unwrapped(show_limits(tmp_path, None))
    plain = unwrapped(plan_from_results(tmp_path, light="ev6").text())
    assert "of 2 ISO limits (1 MP, 8 MP) the one that was accepted last" in plain
    small = unwrapped(plan_from_results(tmp_path, light="ev6", output_mp=1.0).text())
    assert "of 2 ISO limits (1 MP, 8 MP) the one that fits --output-mp" in small
    assert "up to ISO 8000" in small


def test_two_techniques(tmp_path: Path) -> None:
    shutter(tmp_path, "one", 0.02, "standing")
    said = unwrapped(shutter(tmp_path, "two", 0.05, "seated"))
    assert "There are now 2 shutter limits: standing and seated; plans use the one of --technique" in said
    text = unwrapped(plan_from_results(tmp_path, light="ev6").text())
    assert "of seated, standing the one that asks for the fastest shutter" in text
    asked = unwrapped(plan_from_results(tmp_path, light="ev6", technique="seated").text())
    assert "asks for the fastest shutter" not in asked


@pytest.mark.parametrize("number", ["95 %", "ISO 8540", "1/50 s", "35 mm", "2.0 stops"])
def test_no_line_ends_between_a_number_and_its_unit(number: str) -> None:
    for length in range(60, WIDTH + 5):
        lines = wrapped(f"{'x' * length} {number} and more words after it", "  ", "    ")
        assert any(number in line for line in lines)
        assert all(len(line) <= WIDTH or " " not in line.strip() for line in lines)


def test_limits_at_two_focal_lengths(tmp_path: Path) -> None:
    for name, focal_mm in (("one", 50), ("two", 85)):
        said = accept_limit(
            tmp_path, name, kind="shutter", shutter_s=0.02, technique="standing", focal_mm=focal_mm,
            criterion={"keep": 0.8},
        )  # fmt: skip
    rule = "plans use the one nearest to --focal, else the one that asks for the fastest shutter"
    assert f"There are now 2 shutter limits: 50 mm and 85 mm; {rule}" in unwrapped(said)
