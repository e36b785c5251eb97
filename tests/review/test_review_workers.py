"""Reviews by worker processes: what breaks on one frame costs that frame, and nothing comes out otherwise."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from everyday_frames import Blur, scene, write_frame, write_jpeg
from test_review_frames import LIMITS

import kitgauge
from kitgauge.errors import FrameError, PlanError
from kitgauge.ingest import worker_pool
from kitgauge.ingest.worker_pool import WorkerPool
from kitgauge.review import folder as review_folder

pytestmark = pytest.mark.skipif(os.name != "posix", reason="worker processes are for Linux and macOS")


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    """A raw frame of few samples, quickly reviewed."""
    light = np.random.default_rng(3).uniform(0.1, 0.3, (80, 120)).astype(np.float32)
    return write_frame(tmp_path_factory.mktemp("good") / "good.DNG", light)


@pytest.fixture
def frames(tmp_path, good):
    """Return a function: names -> a folder with copies of the good frame under these names, and JPEG files."""

    def of(*names):
        made = tmp_path / "frames"
        for name in names:
            if name.endswith(".JPG"):
                write_jpeg(made / name, np.random.default_rng(3).uniform(0.1, 0.3, (80, 120)).astype(np.float32))
            else:
                made.mkdir(exist_ok=True)
                shutil.copy(good, made / name)
        return made

    return of


def names_of(found):
    return [frame.file for frame in found.frames]


@pytest.mark.usefixtures("breaking_decoder")
def test_a_frame_that_breaks_its_worker_is_listed_and_the_rest_is_reviewed(frames):
    where = frames("a.DNG", "raw-fault.DNG", "raw-error.DNG", "z.DNG")
    (where / "broken.DNG").write_bytes(b"nonsense")
    told = []
    found = kitgauge.review(where, workers=2, progress=lambda done, total: told.append((done, total)))
    assert names_of(found) == ["a.DNG", "z.DNG"]
    assert list(found.not_opened) == ["broken.DNG", "raw-error.DNG", "raw-fault.DNG"]
    assert "the process that measured it ended by a memory fault" in found.not_opened["raw-fault.DNG"]
    assert "ArithmeticError: made up" in found.not_opened["raw-error.DNG"]
    assert told == [(number, 5) for number in range(1, 6)]


@pytest.mark.usefixtures("breaking_decoder")
def test_a_frame_that_takes_too_long_is_listed(frames, monkeypatch):
    monkeypatch.setattr(worker_pool, "SECONDS_PER_FILE", 3.0)
    found = kitgauge.review(frames("a.DNG", "raw-hang.DNG"), workers=2)
    assert names_of(found) == ["a.DNG"]
    assert "it took longer than 3 s" in found.not_opened["raw-hang.DNG"]


@pytest.mark.usefixtures("breaking_decoder")
def test_a_picture_beside_the_raw_file_that_breaks_the_worker_is_left_out(frames):
    where = frames("jpeg-fault.DNG", "jpeg-fault.JPG")
    found = kitgauge.review(where)
    assert [(frame.file, frame.companion) for frame in found.frames] == [("jpeg-fault.DNG", None)]
    assert "memory fault" in found.not_opened["jpeg-fault.JPG"]
    (frame,) = kitgauge.review(where / "jpeg-fault.DNG").frames
    assert (frame.file, frame.companion) == ("jpeg-fault.DNG", None)


@pytest.mark.usefixtures("breaking_decoder")
def test_a_single_frame_that_breaks_its_worker_is_one_error(frames):
    where = frames("raw-fault.DNG", "raw-fault.JPG", "raw-error.DNG")
    with pytest.raises(FrameError, match=r"(?s)ended by a memory fault.*where:.*raw-fault\.DNG.*fix:") as caught:
        kitgauge.review(where / "raw-fault.DNG")
    assert caught.value.where == str(where / "raw-fault.DNG")
    with pytest.raises(FrameError, match="ArithmeticError: made up"):
        kitgauge.review(where / "raw-error.DNG")
    assert names_of(kitgauge.review(where / "raw-fault.JPG")) == ["raw-fault.JPG"]


@pytest.mark.usefixtures("breaking_decoder")
def test_a_frame_that_needs_more_memory_than_its_part_is_reviewed_alone(frames, monkeypatch):
    where = frames("a.DNG", "raw-memory.DNG")
    asked = []

    def start_workers(workers, modules):
        asked.append(workers)
        return WorkerPool(workers, modules, memory_bytes=(1 if workers > 1 else 8) << 30)

    monkeypatch.setattr(review_folder, "start_workers", start_workers)
    told = []
    found = kitgauge.review(where, workers=2, progress=lambda done, _total: told.append(done))
    assert sorted(names_of(found)) == ["a.DNG", "raw-memory.DNG"]
    assert asked == [2, 1]
    assert told[-1] == 2
    with WorkerPool(2, memory_bytes=1 << 30) as pool:
        found = kitgauge.review(where, executor=pool, workers=2)
    assert names_of(found) == ["a.DNG"]
    assert "more memory than a worker may use" in found.not_opened["raw-memory.DNG"]


def test_workers_find_what_this_process_finds(frames):
    where = frames("a.DNG", "a.JPG")
    write_frame(where / "b.DNG", scene("leaves", Blur(motion=(9.0, 25.0)), shape=(240, 360)), minute=1)
    with ThreadPoolExecutor(1) as here:
        expected = kitgauge.review(where, executor=here, workers=1)
    found = kitgauge.review(where, workers=2)
    assert names_of(found) == ["b.DNG", "a.DNG"]
    assert found == expected
    (alone,) = kitgauge.review(where / "b.DNG").frames
    assert alone == replace(expected.frames[0], file="b.DNG")


def test_limits_that_do_not_serve_end_the_review(frames, tmp_path):
    (tmp_path / "results" / "box").mkdir(parents=True)
    limits = LIMITS.format(run="gone").replace("Invented Box", "Another Box")
    (tmp_path / "results" / "box" / "limits.toml").write_text(limits)
    with pytest.raises(PlanError, match="another body"):
        kitgauge.review(frames("a.DNG", "b.DNG"), tmp_path / "results", "box", workers=2)


@pytest.mark.parametrize("command", [["review", "frames"], ["plan", "--light", "frames/raw-hang.DNG", "--focal", "50"]])
def test_ctrl_c_ends_at_once(frames, tmp_path, breaking_decoder, command):
    where = frames("raw-hang.DNG", "raw-hang.JPG")
    code = (
        "import sys; sys.path[:0] = [sys.argv.pop(1)]\n"
        "from kitgauge.ingest import worker_nursery; worker_nursery._START = sys.argv.pop(1)\n"
        "from kitgauge.cli import main; main()\n"
    )
    tests = str(Path(__file__).parents[1])
    run = subprocess.Popen(
        [sys.executable, "-c", code, tests, breaking_decoder, *command],
        cwd=tmp_path, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        end = time.monotonic() + 60
        while not (where / "raw-hang.begun").exists():
            assert run.poll() is None, run.communicate()
            assert time.monotonic() < end, "waited in vain"
            time.sleep(0.02)
        run.send_signal(signal.SIGINT)
        out, err = run.communicate(timeout=20)  # the frame would take minutes
    finally:
        run.kill()
    assert (run.returncode, out, err) == (130, "", "kitgauge: stopped\n")
