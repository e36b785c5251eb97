"""Verifying finds what was done to any file of a run: the report, run.json, the log; no name in it leads elsewhere."""

from __future__ import annotations

import csv
import json
import os
import re
import shutil

import numpy as np
import pytest
from small_kits import shots_of, small_kit
from typer.testing import CliRunner

from kitgauge import runner
from kitgauge.cli import app
from kitgauge.ingest.record import FrameRecord
from kitgauge.limits.criteria import Criteria
from kitgauge.report.page import write_report
from kitgauge.runs.files import frames_table
from kitgauge.runs.provenance import hash_if_there
from kitgauge.runs.verify import verify_run
from kitgauge.simulate.shooting import shoot_protocol


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A finished run with its report; one of its frames is a link, as some archives keep them."""
    root = tmp_path_factory.mktemp("verify-files")
    kit = small_kit(shape=(120, 180), cells=(1, 1))
    shoot_protocol(kit, shots_of("noise-ladder", kit, iso_max=200.0), root / "frames", seed=4)
    (root / "archive").mkdir()
    (root / "frames" / "IMG_0001.DNG").rename(root / "archive" / "first.DNG")
    (root / "frames" / "IMG_0001.DNG").symlink_to(root / "archive" / "first.DNG")
    criteria = Criteria(snr=20.0, output_mp=0.01)
    runner.run("noise-ladder", root / "frames", out=root / "run", criteria=criteria, use_cache=False, workers=1)
    return root


@pytest.fixture
def run(made, tmp_path):
    """A copy that may be changed; the frames stay where they are."""
    return shutil.copytree(made / "run", tmp_path / "run")


@pytest.fixture
def again(made):
    return lambda run: verify_run(run, frames=made / "frames", workers=1)


def change(path, old, new, count=1):
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, count), encoding="utf-8")


def paths(differences):
    return [item.path for item in differences]


def test_an_untouched_run_is_the_same_in_all_files_and_others_beside_it_are_told(run, again):
    (run / "notes.txt").write_text("mine")
    (run / "log.jsonl").unlink()
    found = again(run)
    assert found.same and found.tolerance == 0.0 and found.missing == ()
    assert found.files.same == ("protocol.toml", "report.html")
    assert (found.files.missing, found.files.added) == (("log.jsonl",), ("notes.txt",))


def test_every_number_and_sign_of_the_report_counts(run, again):
    """A number in the text, one in a table, a point of a drawing, and an element put in."""
    page = (run / "report.html").read_text(encoding="utf-8")
    texts = re.findall(r"(?<=>)[^<>]*\d[^<>]*(?=<)", page)
    cells = re.findall(r"<td>[\d.]+", page)
    points = re.findall(r'<use [^>]*x="[\d.]+"', page)
    edits = {
        texts[len(texts) // 3]: lambda text: re.sub(r"\d(?=\D*$)", lambda digit: str((int(digit[0]) + 1) % 10), text),
        cells[-1]: lambda cell: cell + "1",
        points[0]: lambda point: point[:-1] + '9"',
        "</h1>": lambda end: end + "<script>kg()</script>",
    }
    for old, new in edits.items():
        assert new(old) != old
        page = page.replace(old, new(old), 1)
    (run / "report.html").write_text(page, encoding="utf-8")
    found = again(run)
    assert not found.numbers_differ and not found.same
    assert len(found.files.differences) == len(edits)
    assert all(item.path.startswith("report.html, line ") and item.then != item.now for item in found.files.differences)
    (script,) = [item for item in found.files.differences if "script" in item.then]
    assert "script" not in script.now


def test_a_report_made_anew_from_changed_numbers_is_found_with_them(run, again):
    curves = json.loads((run / "curves.json").read_text())
    curves["limits"][0]["text"] = "Up to ISO 99999 on 8 MP pictures."
    (run / "curves.json").write_text(json.dumps(curves))
    write_report(run)
    found = again(run)
    assert "limits[0].text" in paths(found.numbers.differences)
    assert any("99999" in str(item.then) for item in found.files.differences)


def test_run_json_frames_csv_log_and_arrays_count(run, again):
    record = json.loads((run / "run.json").read_text())
    record["kit"]["sensor_pixels"] += 1
    record["notes"] = [*record["notes"], "all is well"]
    record["frames"]["used"] += 1
    record["protocol"]["title"] = "Another"
    (run / "run.json").write_text(json.dumps(record))
    rows = (run / "frames.csv").read_text().splitlines(keepends=True)
    cells = rows[1].split(",")
    cells[5] = "3200"  # its ISO
    (run / "frames.csv").write_text("".join([rows[0], ",".join(cells), *rows[2:], rows[2]]))
    change(run / "log.jsonl", '"limits": ["', '"limits": ["9 ')
    np.savez(run / "mtf_curves.npz", mtf=np.ones(3))
    found = again(run)
    wanted = {
        "run.json.kit.sensor_pixels", "run.json.notes, how many", "run.json.frames.used", "run.json.protocol.title",
        "log.jsonl.text[0]", "mtf_curves.npz",
    }  # fmt: skip
    assert wanted <= set(paths(found.numbers.differences))
    assert sorted(paths(found.rows)) == [f"frames.csv, {cells[0]}.iso", "frames.csv, how many rows"]


def test_the_copy_of_the_protocol_is_compared_even_where_the_original_serves(run, again):
    change(run / "protocol.toml", "title", "# title\ntitle")
    found = again(run)
    assert found.inputs["protocol"] == "same" and not found.same
    assert paths(found.files.differences) == ["protocol.toml, SHA-256"]


def test_with_other_versions_the_page_is_made_of_the_kept_numbers(run, again):
    """A number that another library rounds otherwise is no fault, and is none of the page that shows it."""
    record = json.loads((run / "run.json").read_text())
    record["versions"]["scipy"] = "1.0.0"
    (run / "run.json").write_text(json.dumps(record))
    curves = json.loads((run / "curves.json").read_text())
    for point in curves["noise"]["points"]:
        for name in ("gain_e_per_dn", "snr_midgrey", "read_noise_e"):
            point[name] *= 1 + 3e-8
    (run / "curves.json").write_text(json.dumps(curves))
    write_report(run)
    assert again(run).same
    page = (run / "report.html").read_text(encoding="utf-8")
    (run / "report.html").write_text(
        page.replace("ISO\N{NO-BREAK SPACE}", "ISO\N{NO-BREAK SPACE}1", 1), encoding="utf-8"
    )
    found = again(run)
    assert not found.same and found.files.page_differs and not found.numbers_differ


def test_the_command_names_the_file_and_what_to_do(run, made):
    change(run / "report.html", "<h1>", "<h1>9")
    result = CliRunner().invoke(app, ["verify", str(run), "--frames", str(made / "frames")])
    said = " ".join(result.output.split())
    assert result.exit_code == 1
    assert "report.html, line" in said and "kitgauge report RUN makes it again" in said
    assert said.endswith("Not verified: the numbers are what these frames give, but not report.html.")
    result = CliRunner().invoke(app, ["report", str(run)])
    result = CliRunner().invoke(app, ["verify", str(run), "--frames", str(made / "frames"), "--json"])
    assert result.exit_code == 0 and json.loads(result.stdout)["files"]["same"] == ["protocol.toml", "report.html"]


@pytest.mark.parametrize(
    "name",
    ["../archive/first.DNG", "{root}/archive/first.DNG", "up/first.DNG", "a\0b.DNG", "pipe.DNG", "x" * 5000,
     "C:\\first.DNG", "\\\\server\\share\\first.DNG"],
    ids=lambda name: name[:12],
)  # fmt: skip
def test_names_in_the_list_of_frames_lead_nowhere_else(run, made, tmp_path, name):
    """Not even to be hashed: a pipe would hold the program up for ever."""
    frames = shutil.copytree(made / "frames", tmp_path / "frames", symlinks=True)
    shutil.copytree(made / "archive", tmp_path / "archive")
    (frames / "up").symlink_to(tmp_path / "archive")
    os.mkfifo(frames / "pipe.DNG")
    name = name.replace("{root}", str(tmp_path))
    rows = (run / "frames.csv").read_bytes().decode().replace("IMG_0002.DNG", name)
    (run / "frames.csv").write_bytes(rows.encode())
    found = verify_run(run, frames=frames, workers=1)
    assert [file.split("\0")[0] for file in found.missing] == [name.split("\0")[0]] and not found.same


@pytest.mark.parametrize("value", ["../../pipe", "a\0b", "x" * 5000, "/nowhere", "{root}/pipe"])
def test_paths_in_run_json_are_looked_at_and_no_more(run, again, tmp_path, value):
    os.mkfifo(tmp_path / "pipe")
    record = json.loads((run / "run.json").read_text())
    record["protocol"] |= {"id": "../noise-ladder", "source": value.replace("{root}", str(tmp_path))}
    record["settings"] |= {"settings_file": value.replace("{root}", str(tmp_path)), "settings_sha256": "1" * 64}
    (run / "run.json").write_text(json.dumps(record))
    (run / "protocol.toml").unlink()
    found = again(run)
    assert found.inputs["protocol"] == "missing" and found.inputs["settings file"] == "missing" and not found.same


def test_links_in_the_folder_of_a_run_are_not_taken_for_its_files(run, again, tmp_path):
    (run / "report.html").rename(tmp_path / "page")
    (run / "report.html").symlink_to(tmp_path / "page")
    found = again(run)
    assert found.same and "report.html" not in found.files.same
    assert (found.files.missing, found.files.added) == (("report.html",), ("report.html",))


def test_only_ordinary_files_are_hashed(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    for name in ("pipe", "", "gone", "a\0b", "x" * 5000):
        assert hash_if_there(tmp_path / name) is None


@pytest.mark.parametrize("name", ["cr\r.dng", "lf\n.dng", "crlf\r\n.dng", '"q",.dng', "\udcff.dng", "\u2028.dng"])
def test_a_name_is_one_cell_of_the_list_of_frames_whatever_it_holds(tmp_path, name):
    records = [FrameRecord(file=file, path=tmp_path / file, sha256="1") for file in (name, "b.dng")]
    (tmp_path / "frames.csv").write_bytes(frames_table(records).encode("utf-8", "surrogateescape"))
    with (tmp_path / "frames.csv").open(encoding="utf-8", errors="surrogateescape", newline="") as file:
        assert [row["file"] for row in csv.DictReader(file)] == [name, "b.dng"]
