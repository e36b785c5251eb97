"""Accepting limits of a run that lies elsewhere: a copy of its results is kept with the kit, whole or not at all."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from kitgauge.errors import LimitsError, ResultsError, UsageError
from kitgauge.limits import run_copy
from kitgauge.limits.commands import accept_run
from kitgauge.limits.model import Limit
from kitgauge.limits.store import read_limits
from kitgauge.planner.command import plan_from_results, read_kit


def write_run(folder: Path, iso: float = 1600.0, **kit: object) -> Path:
    folder.mkdir(parents=True)
    limit = Limit(
        kind="iso", value={"iso": iso}, dial={"iso": iso}, ci_low=iso * 0.9, ci_high=iso * 1.1,
        criterion={"snr": 10.0, "output_mp": 8.0}, text=f"Up to ISO {iso:g}.", stderr_stops=0.1,
    )  # fmt: skip
    known = {"name": "made-up-1", "body": "Made Up 1", "body_serial": None, "sensor_pixels": 24e6, **kit}
    curves = {"schema": 1, "kit": known, "limits": [limit.as_dict()]}
    (folder / "curves.json").write_text(json.dumps(curves))
    (folder / "run.json").write_text('{"schema": 2}')
    (folder / "log.jsonl").write_text('{"event": "start"}\n')
    (folder / "mtf_curves.npz").write_bytes(b"arrays")
    (folder / "pictures").mkdir()
    (folder / "pictures" / "01-whole.jpg").write_bytes(b"picture")
    (folder / "holiday.mov").write_bytes(b"not of the run")
    return folder


@pytest.fixture
def results(tmp_path: Path) -> Path:
    (tmp_path / "results").mkdir()
    return tmp_path / "results"


def kit_files(results: Path) -> set[str]:
    kit = results / "made-up-1"
    return {path.relative_to(kit).as_posix() for path in kit.rglob("*") if path.is_file()} if kit.exists() else set()


def test_the_copy_serves_plans_and_says_where_it_is_from(results: Path, tmp_path: Path) -> None:
    run = write_run(tmp_path / "elsewhere" / "Run One")
    said = " ".join(accept_run(run, results, None, replace=False).split())
    assert f"Copied the results of the run to {results / 'made-up-1' / 'run-one'}" in said
    names = ("curves.json", "run.json", "log.jsonl", "mtf_curves.npz", "pictures/01-whole.jpg")
    assert kit_files(results) == {"limits.toml", *(f"run-one/{name}" for name in names)}
    assert read_limits(results / "made-up-1" / "limits.toml").limits[0].run == "run-one"
    *_, last = (results / "made-up-1" / "run-one" / "log.jsonl").read_text().splitlines()
    assert (json.loads(last)["event"], json.loads(last)["source"]) == ("copied", str(run))
    for name in set(names) - {"log.jsonl"}:
        assert (results / "made-up-1" / "run-one" / name).read_bytes() == (run / name).read_bytes()
    shutil.rmtree(tmp_path / "elsewhere")
    assert read_kit(results).model.sensor_pixels == 24e6
    results.rename(tmp_path / "moved")  # as a whole
    assert read_kit(tmp_path / "moved").model.sensor_pixels == 24e6
    assert plan_from_results(tmp_path / "moved", light="ev6").cautions == ()


def test_a_run_in_its_kits_folder_is_not_copied(results: Path) -> None:
    run = write_run(results / "made-up-1" / "sub" / "one")
    before = kit_files(results)
    assert "Copied" not in accept_run(run, results, None, replace=False)
    assert kit_files(results) == {*before, "limits.toml"}
    assert read_limits(results / "made-up-1" / "limits.toml").limits[0].run == "sub/one"


def test_the_same_run_is_copied_once_and_another_of_its_name_beside_it(results: Path, tmp_path: Path) -> None:
    run = write_run(tmp_path / "a" / "one")
    accept_run(run, results, None, replace=False)
    assert "Copied" not in accept_run(run, results, None, replace=False)
    assert "Copied" in accept_run(write_run(tmp_path / "b" / "one", 3200.0), results, None, replace=True)
    assert {path.name for path in (results / "made-up-1").iterdir()} == {"limits.toml", "one", "one-2"}
    assert [limit.run for limit in read_limits(results / "made-up-1" / "limits.toml").limits] == ["one-2"]


def test_a_refusal_leaves_no_copy_behind(results: Path, tmp_path: Path) -> None:
    accept_run(write_run(tmp_path / "a" / "one"), results, None, replace=False)
    before = kit_files(results)
    with pytest.raises(LimitsError, match="would be replaced"):
        accept_run(write_run(tmp_path / "b" / "two", 3200.0), results, None, replace=False)
    assert kit_files(results) == before
    assert not [path for path in (results / "made-up-1").iterdir() if path.name.startswith((".", "two"))]


def test_a_copy_that_fails_halfway_leaves_nothing(
    results: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = write_run(tmp_path / "a" / "one")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(run_copy.shutil, "copyfileobj", full)
    with pytest.raises(ResultsError, match="No space left"):
        accept_run(run, results, None, replace=False)
    assert kit_files(results) == set() and list((results / "made-up-1").iterdir()) == []


def test_a_path_of_an_older_file_is_mended_by_accepting_again(results: Path, tmp_path: Path) -> None:
    run = write_run(tmp_path / "a" / "one")
    accept_run(run, results, None, replace=False)
    path = results / "made-up-1" / "limits.toml"
    path.write_text(path.read_text().replace('run = "one"', f'run = "{run}"'))
    assert len(plan_from_results(results, light="ev6").cautions) == 1
    assert "unchanged: highest ISO 1600" in accept_run(run, results, None, replace=False)
    assert read_limits(path).limits[0].run == "one" and plan_from_results(results, light="ev6").cautions == ()


@pytest.mark.parametrize("name", ["limits.toml", "con", "a:b", "x" * 200, "--", "a\\b", "ÄÖ"])
def test_odd_names_of_runs_become_plain_ones(results: Path, tmp_path: Path, name: str) -> None:
    accept_run(write_run(tmp_path / "a" / name), results, None, replace=False)
    (limit,) = read_limits(results / "made-up-1" / "limits.toml").limits
    assert set(limit.run) <= set("abcdefghijklmnopqrstuvwxyz0123456789._-") and limit.run not in ("limits.toml", "con")
    assert read_kit(results).model.sensor_pixels == 24e6


def test_links_are_not_copied(results: Path, tmp_path: Path) -> None:
    run = write_run(tmp_path / "a" / "one")
    (tmp_path / "secret").write_text("secret")
    (run / "report.html").symlink_to(tmp_path / "secret")
    (run / "pictures").rename(tmp_path / "pictures")
    (run / "pictures").symlink_to(tmp_path / "pictures")
    accept_run(run, results, None, replace=False)
    assert not any("report" in name or "pictures" in name for name in kit_files(results))
    other = write_run(tmp_path / "b" / "two", 3200.0)
    (other / "curves.json").rename(tmp_path / "curves.json")
    (other / "curves.json").symlink_to(tmp_path / "curves.json")
    with pytest.raises(ResultsError, match="cannot be copied"):
        accept_run(other, results, None, replace=True)


def test_a_link_in_the_kits_folder_is_not_taken_for_the_copy(results: Path, tmp_path: Path) -> None:
    run = write_run(tmp_path / "a" / "one")
    (results / "made-up-1").mkdir()
    (results / "made-up-1" / "one").symlink_to(run)
    accept_run(results / "made-up-1" / "one", results, None, replace=False)
    assert read_limits(results / "made-up-1" / "limits.toml").limits[0].run == "one-2"


@pytest.mark.parametrize("name", ["../../out", "/out", "..", "a/b", "C:\\out", "\\\\server\\share", "a\0b"])
def test_a_kit_named_in_the_run_leads_nowhere_else(results: Path, tmp_path: Path, name: str) -> None:
    run = write_run(tmp_path / "a" / "one", name=name)
    with pytest.raises(UsageError, match="not the name of a kit"):
        accept_run(run, results, None, replace=False)
    assert {path.name for path in tmp_path.iterdir()} == {"results", "a"} and list(results.iterdir()) == []
