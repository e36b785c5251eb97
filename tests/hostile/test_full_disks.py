"""Disks that are really full, and folders that really cannot be written: as a user would meet them."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from hostile_sources import LIMITS, make_noise_series
from small_disks import as_who_needs_permission, disks_can_be_mounted, on_small_disk

needs_disks = pytest.mark.skipif(not disks_can_be_mounted(), reason="this machine lets us mount no small disk")
NO_ROOM = "No space left on device"


@pytest.fixture
def frames(tmp_path) -> Path:
    make_noise_series(tmp_path / "frames")
    return tmp_path / "frames"


@needs_disks
def test_results_on_a_full_disk(frames, tmp_path):
    """A run finds no room, loses nothing, and goes on from the cache when there is room."""
    seen = on_small_disk(
        tmp_path / "disk",
        "2m",
        """
frames, cache = map(Path, given)
run = lambda out: kitgauge("run", "noise-ladder", frames, "--out", disk / out, KITGAUGE_CACHE=str(cache))
seen["first"], seen["files"] = run("out"), content(disk / "out")
frames = frames.rename(frames.parent / "renamed")
(frames / "flat-100-1.dng").rename(frames / "another-name.dng")  # so that no file of results is what it was
fill(disk, 40)  # room for the log and the table of frames, but not for the curves
seen["full"], seen["files left"] = run("out"), content(disk / "out")
(disk / "filler").unlink()
fill(disk, 128)  # room for the curves, but not for the page
seen["no page"], seen["its files"] = run("new"), content(disk / "new")
(disk / "filler").unlink()
seen["report"] = kitgauge("report", disk / "new")
seen["again"], seen["at the end"] = run("out"), content(disk / "out")
""",
        frames,
        tmp_path / "cache",
    )
    assert seen["first"]["code"] == 0, seen["first"]
    full = seen["full"]
    assert full["code"] == 1 and full["out"] == ""
    assert NO_ROOM in full["err"] and "nothing is measured twice" in full["err"] and len(full["err"].splitlines()) == 4
    kept = set(seen["files"]) - {"log.jsonl"}
    assert kept == {"run.json", "curves.json", "frames.csv", "protocol.toml", "report.html"}
    assert all(seen["files left"][name] == seen["files"][name] for name in kept)
    assert seen["files left"].keys() == seen["files"].keys()
    page = seen["no page"]
    assert page["code"] == 3 and f"the report was not written ({NO_ROOM})" in page["err"]
    assert "Report:" not in page["out"]
    assert set(seen["its files"]) == {"run.json", "curves.json", "frames.csv", "protocol.toml", "log.jsonl"}
    assert seen["report"]["code"] == 0
    assert seen["again"]["code"] == 0
    assert json.loads(bytes.fromhex(seen["at the end"]["run.json"]))["frames_decoded"] == 0


@needs_disks
def test_a_full_disk_of_the_cache_costs_no_result(frames, tmp_path):
    seen = on_small_disk(
        tmp_path / "disk",
        "64k",
        """
fill(disk)
run = lambda: kitgauge("run", "noise-ladder", given[0], "--out", given[1], KITGAUGE_CACHE=str(disk / "cache"))
seen["full"] = run()
(disk / "filler").unlink()
seen["room"] = run()
""",
        frames,
        tmp_path / "out",
    )
    assert seen["full"]["code"] == 0 and "Report:" in seen["full"]["out"]
    assert f"3 measurements could not be kept for the next run ({NO_ROOM}" in seen["full"]["err"]
    assert seen["room"]["code"] == 0 and "could not be kept" not in seen["room"]["err"]
    assert json.loads((tmp_path / "out" / "run.json").read_text())["frames_decoded"] == 12


@needs_disks
def test_other_files_on_a_full_disk_stay_as_they_were(tmp_path):
    (tmp_path / "limits.toml").write_text(LIMITS)
    seen = on_small_disk(
        tmp_path / "disk",
        "1m",
        """
kit = disk / "results" / "sampler"
kit.mkdir(parents=True)
(kit / "limits.toml").write_bytes(Path(given[0]).read_bytes())
(disk / "brief.html").write_text("old")
fill(disk)
before = content(disk)
seen["brief"] = kitgauge("brief", "noise-ladder", "--out", disk / "brief.html")
seen["limits"] = kitgauge("limits", "drop", 1, "--results", disk / "results")
seen["same"] = content(disk) == before
""",
        tmp_path / "limits.toml",
    )
    assert seen.pop("same")
    for name, done in seen.items():
        assert done["code"] == 1, (name, done)
        assert NO_ROOM in done["err"] and len(done["err"].splitlines()) == 4, (name, done)
        assert done["out"] == ""


def test_folders_that_can_only_be_read(frames, tmp_path):
    """Frames on a card that is write-protected are measured; results where nobody may write are refused at once."""
    before = as_who_needs_permission()
    locked = tmp_path / "locked"
    (locked / "results" / "sampler").mkdir(parents=True)
    (locked / "results" / "sampler" / "limits.toml").write_text(LIMITS)
    folders = [frames, locked, *(path for path in locked.rglob("*") if path.is_dir())]
    for path in folders:
        path.chmod(0o555)

    def call(*arguments: object) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [*before, sys.executable, "-m", "kitgauge", *map(str, arguments)],
            env={**os.environ, **dict.fromkeys(("HOME", "XDG_CONFIG_HOME", "KITGAUGE_CACHE"), str(locked / "none"))},
            capture_output=True, text=True, timeout=120, check=False,
        )  # fmt: skip

    try:
        done = call("run", "noise-ladder", frames, "--out", tmp_path / "out")
        assert done.returncode == 0, done.stderr
        assert "could not be kept for the next run (Permission denied" in done.stderr
        assert "atplotlib" not in done.stderr
        assert (tmp_path / "out" / "report.html").exists()
        for arguments in (
            ("run", "noise-ladder", frames, "--out", locked / "out"),
            ("run", "noise-ladder", frames, "--results", locked / "results"),
            ("limits", "drop", "1", "--results", locked / "results"),
        ):
            done = call(*arguments)
            assert done.returncode == 1, arguments
            assert "Permission denied" in done.stderr and "change its permissions" in done.stderr
            assert len(done.stderr.splitlines()) == 4
    finally:
        for path in folders:
            path.chmod(0o755)
    assert (locked / "results" / "sampler" / "limits.toml").read_text() == LIMITS


def test_no_place_for_temporary_files(tmp_path):
    """Neither the user's folders nor any for temporary files can be written: said in one message."""
    (tmp_path / "file").write_text("")
    code = (
        "import sys, tempfile\n"
        "tempfile._candidate_tempdir_list = lambda: [sys.argv[1]]\n"
        "from kitgauge.errors import ResultsError\n"
        "from kitgauge.matplotlib_ready import check_matplotlib\n"
        "from kitgauge.runs.files import temporary_folder\n"
        "for action in (check_matplotlib, temporary_folder().__enter__):\n"
        "    try:\n"
        "        action()\n"
        "    except ResultsError as error:\n"
        "        print(error.what, '|', error.fix)\n"
    )
    nowhere = str(tmp_path / "file" / "x")
    done = subprocess.run(
        [sys.executable, "-c", code, nowhere], env={**os.environ, "MPLCONFIGDIR": nowhere}, capture_output=True,
        text=True, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    told = done.stdout.splitlines()
    assert [line.partition(" | ")[0] for line in told] == [
        "pictures cannot be drawn",
        "there is no place for temporary files",
    ]
    assert all("set TMPDIR" in line for line in told)
