"""`kitgauge card`: writes the file, or says in one message what is wrong."""

from __future__ import annotations

import os
import sys

import pytest
from card_kits import BODY, highest_iso, write_kit

from kitgauge.cli import _exit_code


def call(monkeypatch, capsys, *arguments):
    monkeypatch.setattr(sys, "argv", ["kitgauge", "card", *map(str, arguments)])
    code = _exit_code()
    out, err = capsys.readouterr()
    return code, out, err


@pytest.fixture(autouse=True)
def _small_grid(monkeypatch):
    monkeypatch.setattr("kitgauge.card.chooser.LIGHTS_EV", (8,))


@pytest.mark.parametrize("name", ["card.html", "card.pdf", "CARD.HTML"])
def test_it_writes_what_it_says(name, kit_results, tmp_path, monkeypatch, capsys):
    out = tmp_path / name
    code, said, err = call(monkeypatch, capsys, "--results", kit_results, "--out", out)
    assert (code, err) == (0, "")
    assert str(out) in said and BODY in said
    start = out.read_bytes()[:20]
    assert start.startswith(b"%PDF-" if name.endswith("pdf") else b"<!DOCTYPE html>")


def test_without_results_it_is_common_practice_and_says_so(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    code, said, err = call(monkeypatch, capsys)
    assert (code, err) == (0, "")
    assert "card.html" in said and "common practice" in said
    assert "every number here is common practice" in (tmp_path / "card.html").read_text(encoding="utf-8")


def test_focal_lengths_in_either_form(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert call(monkeypatch, capsys, "--focal", "24, 85mm", "--focal", "35")[0] == 0
    page = (tmp_path / "card.html").read_text(encoding="utf-8")
    assert [f">{focal} mm</option>" in page for focal in (24, 35, 50, 85)] == [True, True, False, True]


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["--out", "card.png"], 2, ["card.png", ".html or .pdf"]),
        (["--out", "card"], 2, [".html or .pdf"]),
        (["--kit", "nobody"], 2, ["no accepted limits for this kit", "invented-one"]),
        (["--kit", "../x"], 2, ["not the name of a kit"]),
        (["--lens", "Nothing 35"], 2, ["this lens was not measured", "Invented Zoom 70-200"]),
        (["--focal", "wide"], 2, ["not a focal length", "wide"]),
        (["--focal", "35,,50"], 2, ["not a focal length", "nothing"]),
        (["--focal", "nan"], 2, ["focal_mm is out of range"]),
        (["--focal", "-5"], 2, ["focal_mm is out of range"]),
        (["--focal", "1e9"], 2, ["focal_mm is out of range"]),
        (["--focal", ",".join(str(k) for k in range(20, 40))], 2, ["too many focal lengths"]),
        (["--results", "not-there"], 2, ["no such folder"]),
        (["--out", "missing/card.html"], 1, ["cannot write results", "make that folder first"]),
        (["--out", "folder.pdf"], 1, ["cannot write results", "that is a folder"]),
    ],
    ids=lambda value: " ".join(value)[:40] if isinstance(value, list) else None,
)
def test_one_message_for_what_is_wrong(arguments, code, words, kit_results, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "folder.pdf").mkdir()
    given = arguments if "--results" in arguments else [*arguments, "--results", kit_results]
    found, said, err = call(monkeypatch, capsys, *given)
    assert found == code, err
    assert said == ""
    assert err.count("kitgauge: ") == 1 and "Traceback" not in err
    for word in words:
        assert word in err
    assert not (tmp_path / "card.html").exists()


def test_a_place_that_cannot_be_written(kit_results, tmp_path, monkeypatch, capsys):
    if os.name == "posix" and os.geteuid() == 0:
        pytest.skip("root may write anywhere")
    tmp_path.chmod(0o500)
    code, _, err = call(monkeypatch, capsys, "--results", kit_results, "--out", tmp_path / "card.html")
    tmp_path.chmod(0o700)
    assert code == 1 and "cannot write results" in err


def test_an_old_card_survives_a_failure(kit_results, tmp_path, monkeypatch, capsys):
    out = tmp_path / "card.html"
    out.write_text("old")
    assert call(monkeypatch, capsys, "--results", kit_results, "--out", out, "--lens", "Nothing")[0] == 2
    assert out.read_text() == "old"


def test_damaged_and_several_kits(tmp_path, monkeypatch, capsys):
    write_kit(tmp_path, [highest_iso(800.0)], "one")
    write_kit(tmp_path, [highest_iso(1600.0)], "two")
    code, _, err = call(monkeypatch, capsys, "--results", tmp_path, "--out", tmp_path / "card.html")
    assert code == 2 and "several kits" in err and "one, two" in err
    (tmp_path / "two" / "limits.toml").write_text("schema = 99\n")
    code, _, err = call(monkeypatch, capsys, "--results", tmp_path, "--kit", "two", "--out", tmp_path / "card.html")
    assert code == 1 and "newer kitgauge" in err
    assert call(monkeypatch, capsys, "--results", tmp_path, "--kit", "one", "--out", tmp_path / "card.html")[0] == 0
