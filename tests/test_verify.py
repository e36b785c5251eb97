"""Working a run out again: every number leads back to frames, protocol, parameters; what was tampered with is told."""

from __future__ import annotations

import json
import shutil

import pytest
from small_kits import shots_of, small_kit
from typer.testing import CliRunner

from kitgauge import runner
from kitgauge.cli import app
from kitgauge.errors import ResultsError
from kitgauge.limits.criteria import Criteria
from kitgauge.protocol.loading import load_protocol
from kitgauge.report.data import load_run
from kitgauge.runs.reading import read_json
from kitgauge.runs.same_numbers import compare_values
from kitgauge.runs.verify import verify_run
from kitgauge.simulate.shooting import shoot_protocol


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A finished run of a user's own protocol file, with criteria of its own."""
    root = tmp_path_factory.mktemp("verify")
    kit = small_kit(shape=(120, 180), cells=(1, 1))
    shoot_protocol(kit, shots_of("noise-ladder", kit, iso_max=400.0), root / "frames", seed=4)
    protocol = root / "own.toml"
    protocol.write_bytes(load_protocol("noise-ladder").content)
    criteria = Criteria(snr=20.0, output_mp=0.01)
    runner.run(protocol, root / "frames", out=root / "run", criteria=criteria, use_cache=False, report=False, workers=2)
    return root


@pytest.fixture
def run(made, tmp_path):
    """A copy that may be changed."""
    return shutil.copytree(made, tmp_path / "made") / "run"


def again(run, **more):
    return verify_run(run, frames=run.parent / "frames", workers=1, **more)


def test_the_same_frames_give_the_same_numbers_to_the_last_bit_wherever_the_run_lies(run):
    shutil.copyfile(run.parent / "frames" / "IMG_0001.DNG", run.parent / "frames" / "LATER.DNG")
    (run.parent / "own.toml").unlink()  # the copy in the run's folder serves
    found = again(run)
    assert found.same and found.tolerance == 0.0 and not found.versions
    assert found.numbers.equal == found.numbers.numbers > 300
    assert found.since_added == 1  # not taken in
    assert not list(run.parent.glob("run/kitgauge*")) and read_json(run / "run.json")["schema"] == 2


@pytest.mark.parametrize(
    ("old", "new", "path"),
    [
        ('"output_mp": 0.01', '"output_mp": 0.02', "limits[0].criterion.output_mp"),
        ('"channel": "G"', '"channel": "R"', "noise.points[4].channel"),
    ],
)
def test_a_changed_value_is_found_where_it_stands(run, old, new, path):
    text = (run / "curves.json").read_text()
    assert old in text
    (run / "curves.json").write_text(text.replace(old, new, 1))
    assert path in [item.path for item in again(run).numbers.differences]


def test_the_last_digit_of_one_number_counts(run):
    curves = json.loads((run / "curves.json").read_text())
    gain = curves["noise"]["points"][0]["gain_e_per_dn"]
    curves["noise"]["points"][0]["gain_e_per_dn"] = gain * (1 + 3e-16)
    assert curves["noise"]["points"][0]["gain_e_per_dn"] != gain
    (run / "curves.json").write_text(json.dumps(curves))
    (difference,) = again(run).numbers.differences
    assert difference.path == "noise.points[0].gain_e_per_dn" and difference.now == gain


def test_what_was_done_to_the_list_of_frames_is_found(run):
    rows = (run / "frames.csv").read_text().splitlines(keepends=True)
    rows[1] = rows[1].replace(",used,", ",rejected,")
    (run / "frames.csv").write_text("".join(rows))
    (difference,) = again(run).rows
    assert "IMG_" in difference.path and (difference.then, difference.now) == ("rejected", "used")


def test_changed_and_missing_frames_are_named_and_nothing_is_worked_out(run):
    frames = run.parent / "frames"
    content = bytearray((frames / "IMG_0002.DNG").read_bytes())
    content[-1] ^= 1
    (frames / "IMG_0002.DNG").write_bytes(content)
    (frames / "IMG_0003.DNG").unlink()
    found = again(run)
    assert (found.changed, found.missing) == (("IMG_0002.DNG",), ("IMG_0003.DNG",))
    assert found.numbers is None and not found.same


def test_a_frame_outside_the_folder_is_not_read(run):
    shutil.copyfile(run.parent / "frames" / "IMG_0001.DNG", run.parent / "outside.DNG")
    text = (run / "frames.csv").read_text()
    (run / "frames.csv").write_text(text.replace("IMG_0001.DNG", "../outside.DNG"))
    assert again(run).missing == ("../outside.DNG",)


@pytest.mark.parametrize("what", ["copy changed", "all gone"])
def test_a_changed_protocol_is_told(run, what):
    (run.parent / "own.toml").unlink()
    run_json = json.loads((run / "run.json").read_text())
    run_json["protocol"] |= {"id": "own", "source": "nowhere.toml"}
    (run / "run.json").write_text(json.dumps(run_json))
    if what == "copy changed":
        (run / "protocol.toml").write_bytes((run / "protocol.toml").read_bytes() + b"\n")
    else:
        (run / "protocol.toml").unlink()
    found = again(run)
    assert found.inputs["protocol"] == ("changed" if what == "copy changed" else "missing") and not found.same


def test_other_versions_are_told_and_the_tolerance_is_stated(run):
    run_json = json.loads((run / "run.json").read_text())
    run_json["versions"]["scipy"] = "1.0.0"
    (run / "run.json").write_text(json.dumps(run_json))
    curves = json.loads((run / "curves.json").read_text())
    curves["noise"]["points"][0]["gain_e_per_dn"] *= 1 + 1e-8
    curves["noise"]["points"][1]["gain_e_per_dn"] *= 1 + 1e-4
    (run / "curves.json").write_text(json.dumps(curves))
    found = again(run)
    assert found.versions["scipy"][0] == "1.0.0" and found.tolerance == 1e-6
    (difference,) = found.numbers.differences
    assert difference.path == "noise.points[1].gain_e_per_dn"
    assert found.numbers.largest_relative == pytest.approx(1e-8, rel=1e-3)


def test_an_older_run_json_is_read_with_a_message_and_a_newer_one_refused(run):
    run_json = json.loads((run / "run.json").read_text())
    older = {key: value for key, value in run_json.items() if key != "code_sha256"} | {"schema": 1}
    del older["protocol"]["source"]
    (run / "run.json").write_text(json.dumps(older))
    assert read_json(run / "run.json")["code_sha256"] is None
    assert "older kitgauge (schema 1; now 2)" in load_run(run).notes[0]
    found = again(run)
    assert "older kitgauge" in found.older_form and found.same and "kitgauge's code" in found.versions
    for newer, what in ((run_json | {"schema": 3}, "newer kitgauge"), (run_json | {"schema": True}, "not of a form")):
        (run / "run.json").write_text(json.dumps(newer))
        for read in (read_json, lambda path: load_run(path.parent)):
            with pytest.raises(ResultsError, match=what):
                read(run / "run.json")


@pytest.mark.parametrize(
    ("status", "reason"),
    [
        ("failed", "x"),
        ("partial", "interrupted; run again"),
        ("partial", "the folder of frames is gone; run again"),
    ],
)
def test_an_unfinished_run_cannot_be_verified(run, status, reason):
    run_json = json.loads((run / "run.json").read_text()) | {"status": status, "reason": reason}
    (run / "run.json").write_text(json.dumps(run_json))
    with pytest.raises(ResultsError, match="not finished"):
        again(run)


def test_the_command_says_where_frames_are_wanted_and_ends_with_its_verdict(run, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    shutil.move(run.parent / "frames", tmp_path / "moved")
    run_json = json.loads((run / "run.json").read_text())
    run_json["settings"]["frames"] = "gone"
    (run / "run.json").write_text(json.dumps(run_json))
    with pytest.raises(ResultsError, match="--frames FOLDER"):
        verify_run(run)
    result = CliRunner().invoke(app, ["verify", str(run), "--frames", "moved", "--json"])
    content = json.loads(result.stdout)
    assert result.exit_code == 0 and content["same"] and content["compared"]["differences"] == []
    (tmp_path / "moved" / "IMG_0001.DNG").unlink()
    result = CliRunner().invoke(app, ["verify", str(run), "--frames", "moved"])
    assert result.exit_code == 1 and "IMG_0001.DNG" in result.stdout and "Not verified" in result.stdout


def test_the_report_leads_to_frames_protocol_code_and_parameters(run):
    from kitgauge.report.page import write_report

    page = write_report(run).read_text(encoding="utf-8")
    run_json = read_json(run / "run.json")
    for known in (run_json["protocol"]["sha256"], run_json["code_sha256"], run_json["versions"]["numpy"], "0.01"):
        assert known in page
    for row in (run / "frames.csv").read_text().splitlines()[1:]:
        file, sha256 = row.split(",")[:2]
        assert file in page and sha256[:8] in page


def test_values_side_by_side():
    then = {"a": [1.0, None, True, "x"], "b": {"text": "old"}, "c": 0.0}
    assert not compare_values(then, json.loads(json.dumps(then))).differences
    now = {"a": [1.0, 0.0, 1, "x"], "b": {"text": "new"}, "c": -0.0, "d": 3}
    assert [item.path for item in compare_values(then, now).differences] == ["a[1]", "a[2]", "b.text", "d"]
    assert [item.path for item in compare_values(then, now, 1e-6).differences] == ["a[1]", "a[2]"]
    assert [item.path for item in compare_values({"a": [1]}, {"a": [1, 2]}).differences] == ["a, how many"]
    assert not compare_values({"a": 1.0}, {"a": 1.0 + 1e-7}, 1e-6).differences
    assert compare_values({"a": 1.0}, {"a": 1.0 + 1e-5}, 1e-6).differences
    assert compare_values({"a": 1.0}, {}, 1e-6).differences
