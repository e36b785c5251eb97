"""A class: a run for each learner, one overview, and nobody stopped by another's frames."""

from __future__ import annotations

import json
import re

import pytest
from practice_series import shoot_iso
from typer.testing import CliRunner

from kitgauge.class_run import run_class
from kitgauge.cli import app
from kitgauge.errors import IngestError


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("class") / "May"
    shoot_iso(folder / "Ada <b>", (100.0, 1600.0), jpeg=True, seed=1)
    shoot_iso(folder / "Ben", (100.0, 1600.0), jpeg=True, seed=2)
    (folder / "Cleo").mkdir()
    (folder / "Cleo" / "notes.txt").write_text("no frames")
    (folder / "Dora").mkdir()
    (folder / "Dora" / "broken.jpg").write_bytes(b"\xff\xd8\xff\xe0 broken")
    return folder


@pytest.fixture(scope="module")
def done(folder, tmp_path_factory):
    return run_class("practice-iso", folder, out=tmp_path_factory.mktemp("out") / "class", use_cache=False)


def test_each_learner_has_a_row_and_failures_stop_nobody(done):
    learners = {row["learner"]: row for row in done.overview["learners"]}
    assert list(learners) == ["Ada <b>", "Ben", "Cleo", "Dora"]
    assert [row["status"] for row in learners.values()] == ["complete", "complete", "failed", "failed"]
    assert "no frames in this folder" in learners["Cleo"]["reason"] and learners["Cleo"]["fix"]
    assert learners["Dora"]["reason"]
    assert learners["Ben"]["frames"] == 2 and "at ISO 1600" in learners["Ben"]["results"]["noise at the highest"]
    assert done.status == "partial"


def test_the_overview_links_to_the_learners_pages(done):
    page = (done.folder / "class.html").read_text(encoding="utf-8")
    links = re.findall(r'<a href="([^"]+)">([^<]+)</a>', page)
    assert [name for _, name in links] == ["Ada &lt;b&gt;", "Ben"]
    for link, _ in links:
        assert (done.folder / link).is_file()
    assert "Cleo" in page.split("What was missing")[1] and "<b>" not in page.replace("Ada &lt;b&gt;", "")
    assert "<script" not in page
    assert json.loads((done.folder / "class.json").read_text())["protocol"] == "practice-iso"


def test_json_alone_goes_to_standard_output(folder, tmp_path, monkeypatch):
    monkeypatch.setenv("KITGAUGE_CACHE", str(tmp_path / "cache"))
    arguments = ["class", "practice-iso", str(folder), "--out", str(tmp_path / "out"), "--json"]
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code == 3
    assert len(json.loads(result.stdout)["learners"]) == 4


def test_a_folder_without_learners_is_one_clear_error(tmp_path):
    with pytest.raises(IngestError, match="no subfolders in this folder"):
        run_class("practice-iso", tmp_path, out=tmp_path / "out")
    with pytest.raises(IngestError, match="cannot be read"):
        run_class("practice-iso", tmp_path / "nowhere", out=tmp_path / "out")
