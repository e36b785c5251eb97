"""Folders that are removed while a run is at work, and Ctrl-C: what was measured stays, and is not measured again."""

from __future__ import annotations

import csv
import json
import os
import shutil
import signal
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from hostile_sources import make_noise_series

from kitgauge import runner
from kitgauge.errors import ResultsError
from kitgauge.runs.outcome import Run


@pytest.fixture(scope="module")
def _series(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("series") / "frames"
    make_noise_series(folder)
    return folder


class Place:
    """Frames of three ISO values, results and a cache, and runs during which something happens."""

    def __init__(self, folder: Path, series: Path) -> None:
        self.frames, self.out, self.cache = folder / "frames", folder / "results" / "out", folder / "cache"
        shutil.copytree(series, self.frames)

    def run(self, happening: Callable[[], object] = lambda: None, *, after: int = 1) -> Run:
        """Run; when so many ISO values are measured, something happens. One worker: the second is then being read."""
        pending = [happening]

        def progress(stage: str, done: int, _total: int) -> None:
            if stage.startswith("measuring") and done == after and pending:
                pending.pop()()

        with ThreadPoolExecutor(1) as executor:
            return runner.run(
                "noise-ladder", self.frames, out=self.out, executor=executor, workers=1, progress=progress, report=False
            )

    def rows(self) -> dict[str, dict[str, str]]:
        with (self.out / "frames.csv").open(newline="") as file:
            return {row["file"]: row for row in csv.DictReader(file)}


@pytest.fixture
def place(_series, tmp_path, monkeypatch) -> Place:
    monkeypatch.setenv("KITGAUGE_CACHE", str(tmp_path / "cache"))
    return Place(tmp_path, _series)


def test_the_results_folder_is_removed(place):
    with pytest.raises(ResultsError, match="the folder of this run is gone") as raised:
        place.run(lambda: shutil.rmtree(place.out.parent))
    assert raised.value.where == str(place.out)
    assert raised.value.fix == "run the same command again; nothing is measured twice"
    again = place.run()
    assert (again.status, again.frames_decoded) == ("complete", 4)


def test_the_results_folder_is_removed_before_the_end(place):
    with pytest.raises(ResultsError, match="the folder of this run is gone"):
        place.run(lambda: shutil.rmtree(place.out.parent), after=3)
    again = place.run()
    assert (again.status, again.frames_decoded) == ("complete", 0)


@pytest.mark.parametrize("mount_point_stays", [False, True])
def test_the_card_with_the_frames_is_pulled_out(place, mount_point_stays):
    def pull() -> None:
        place.frames.rename(place.frames.parent / "card")
        if mount_point_stays:
            place.frames.mkdir()

    done = place.run(pull, after=0)
    shown = json.loads((place.out / "run.json").read_text())
    assert done.status == shown["status"] == "partial"
    assert (
        done.reason == "12 frames have gone since the run began; run the same command again to go on where it stopped"
    )
    assert {row["status"] for row in place.rows().values()} == {"rejected"}
    assert all(row["reason"] for row in place.rows().values())
    shutil.rmtree(place.frames, ignore_errors=True)
    (place.frames.parent / "card").rename(place.frames)
    assert place.run().status == "complete"


def test_the_cache_is_removed(place):
    done = place.run(lambda: shutil.rmtree(place.cache))
    assert (done.status, done.remarks) == ("complete", ())
    assert 0 < place.run().frames_decoded < 12  # those of which the measurement was removed


def test_the_cache_cannot_be_written_any_more(place):
    def block() -> None:
        shutil.rmtree(place.cache)
        place.cache.write_text("a file where the folder was")

    done = place.run(block)
    assert done.status == "complete"
    (remark,) = done.remarks
    assert "could not be kept for the next run (Not a directory" in remark
    events = [json.loads(line) for line in (place.out / "log.jsonl").read_text().splitlines()]
    assert [event["text"] for event in events if event["event"] == "remark"] == [remark]


def test_the_working_folder_is_removed(place, tmp_path, monkeypatch):
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    assert place.run(lambda: (tmp_path / "here").rmdir()).status == "complete"


@pytest.mark.skipif(sys.platform == "win32", reason="signals as on Unix")
def test_ctrl_c_keeps_what_was_measured_and_the_next_run_goes_on(place):
    done = place.run(lambda: os.kill(os.getpid(), signal.SIGINT))
    kept = [row for row in place.rows().values() if row["status"] == "used"]
    assert done.status == "partial" and done.reason.startswith("interrupted; run the same command again to go on")
    assert len(kept) == 4 and {row["iso"] for row in kept} == {"100.0"}
    assert len(done.curves["noise"]["points"]) > 0
    again = place.run()
    assert (again.status, again.frames_decoded) == ("complete", 8)


def test_another_protocol_that_begins_beside_a_run_is_told_of_it(place):
    refused = []

    def begin() -> None:
        with pytest.raises(ResultsError, match="this folder holds another run") as raised:
            runner.run("noise-quick", place.frames, out=place.out, executor=ThreadPoolExecutor(1), workers=1)
        refused.append(raised.value.got)

    done = place.run(begin)
    assert done.status == "complete"
    assert refused == [f"noise-ladder of {done.curves['kit']['name']}"]
