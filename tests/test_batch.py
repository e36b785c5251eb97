"""Many kits: a run for each, what fails is named and stops nothing, the odd body is found, one page and one file."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from small_kits import shots_of, small_kit
from typer.testing import CliRunner

from kitgauge.cli import app
from kitgauge.errors import IngestError
from kitgauge.report.fleet_rows import group_tables
from kitgauge.runs.batch import run_batch
from kitgauge.simulate.shooting import shoot_protocol

ODD = "Body 4"


@pytest.fixture(scope="module")
def shelf(tmp_path_factory):
    """Six bodies of one model, one of them with 25 % more gain, and three folders that cannot serve."""
    root = tmp_path_factory.mktemp("shelf") / "shelf"
    for number in range(1, 7):
        kit = small_kit(shape=(120, 180), cells=(1, 1), body_serial=f"SH-{number:03d}")
        name = f"Body {number}"
        if name == ODD:
            gain = 1.25 * kit.sensor.base_gain_e_per_dn
            kit = replace(kit, sensor=replace(kit.sensor, base_gain_e_per_dn=gain))
        shoot_protocol(kit, shots_of("noise-ladder", kit, iso_max=400.0), root / name / "noise-ladder", seed=number)
    (root / "Body 1" / "holiday").mkdir()
    (root / "Broken <b>" / "noise-ladder").mkdir(parents=True)
    (root / "Broken <b>" / "noise-ladder" / "x.dng").write_bytes(b"no frame")
    (root / "Empty").mkdir()
    return root


@pytest.fixture(scope="module")
def done(shelf, tmp_path_factory):
    return run_batch(shelf, out=tmp_path_factory.mktemp("out") / "fleet", workers=2)


def test_every_kit_has_its_runs_and_failures_stop_nobody(done):
    kits = {kit["kit"]: kit["runs"] for kit in done.fleet["kits"]}
    assert list(kits) == [*(f"Body {k}" for k in range(1, 7)), "Broken <b>", "Empty"]
    assert [run["status"] for k in range(2, 7) for run in kits[f"Body {k}"]] == ["complete"] * 5
    assert [(run["protocol"], run["status"]) for run in kits["Body 1"]] == [
        ("holiday", "failed"), ("noise-ladder", "complete"),
    ]  # fmt: skip
    assert kits["Broken <b>"][0]["reason"] and kits["Broken <b>"][0]["run"] is None
    assert "protocol" in kits["Empty"][0]["reason"] and "--protocol" in kits["Empty"][0]["fix"]
    assert done.status == "partial"


def test_the_body_with_another_gain_differs_and_no_other(done):
    (group,) = done.fleet["groups"]
    assert group["enough"] and len(group["kits"]) == 6
    odd = [row for row in done.fleet["deviations"] if row["differs"]]
    assert {row["kit"] for row in odd} == {ODD}
    gain = next(row for row in odd if row["number"] == "gain, ISO 100")
    # made with 2.5 and 3.125 e-/DN
    assert gain["value"] == pytest.approx(3.125, rel=0.06) and gain["expected"] == pytest.approx(2.5, rel=0.03)
    assert gain["p"] <= gain["p_together"] < 0.05 and gain["siblings"] == 5
    quiet = [row for row in done.fleet["deviations"] if row["number"] == gain["number"] and not row["differs"]]
    assert abs(gain["difference_log2"]) > gain["seen_from_log2"]
    assert all(abs(row["difference_log2"]) < row["seen_from_log2"] for row in quiet)
    (table,) = group_tables(done.fleet)
    assert table.rows[-1][0] == "would show from" and "%" in table.rows[-1][table.columns.index("gain, ISO 100, e-/DN")]


def test_the_page_links_to_every_report_and_shows_no_markup_of_names(done):
    page = (done.folder / "fleet.html").read_text(encoding="utf-8")
    runs = [run for kit in done.fleet["kits"] for run in kit["runs"] if run["run"]]
    for run in runs:
        assert f'href="{run["page"]}"' in page and (done.folder / run["run"] / "report.html").is_file()
    assert f"<li>{ODD}: gain, ISO 100 is" in page.replace("\u00a0", " ")
    assert "<b>" not in page and "Broken &lt;b&gt;" in page and "<script" not in page


def test_two_folders_of_one_body_are_no_siblings(shelf, done, tmp_path):
    root = tmp_path / "twice"
    for name in ("a", "b"):
        (root / name).mkdir(parents=True)
        (root / name / "noise-ladder").symlink_to(shelf / "Body 2" / "noise-ladder")
    twice = run_batch(root, out=tmp_path / "out", workers=2)
    assert "a, b hold frames of one body" in twice.fleet["notes"][0]
    assert not twice.fleet["groups"][0]["enough"] and not done.fleet["notes"]


def test_the_command_prints_the_fleet_or_json_alone(shelf, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(app, ["batch", str(shelf), "--out", "o", "--json"])
    assert result.exit_code == 3 and len(json.loads(result.stdout)["kits"]) == 8
    result = CliRunner().invoke(app, ["batch", str(shelf / ODD), "--protocol", "noise-ladder", "--out", "p"])
    assert result.exit_code == 0, result.output
    assert "1 kit, 1 run: 1 complete." in result.stdout and "four kits or more" in result.stdout


def test_a_folder_without_kits_is_one_clear_error(tmp_path):
    with pytest.raises(IngestError, match="no subfolders in this folder"):
        run_batch(tmp_path, out=tmp_path / "out")
