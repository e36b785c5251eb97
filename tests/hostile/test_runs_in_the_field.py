"""Two runs at once, limits of the system, frames that vanish, folders of many files, hostile names."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from hostile_mutations import MARK
from hostile_sources import make_noise_series
from killed_runs import check_whole, results_of, start_run, wait_for_the_end, whole_run

linux = pytest.mark.skipif(sys.platform != "linux", reason="as on Linux")


@pytest.fixture
def frames(tmp_path) -> Path:
    make_noise_series(tmp_path / "frames")
    return tmp_path / "frames"


@linux
def test_two_runs_into_one_folder_do_not_harm_each_other(frames, tmp_path):
    place = tmp_path / "place"
    both = [start_run(frames, place) for _ in range(2)]
    for process in both:
        _, told = process.communicate(timeout=300)
        assert process.returncode == 0, told
    check_whole(place)
    together = results_of(place / "out")
    whole_run(frames, place)
    assert results_of(place / "out") == together


@linux
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_run_that_is_told_to_end_leaves_no_process_and_no_half_file(frames, tmp_path, number):
    place = tmp_path / "place"
    process = start_run(frames, place)
    deadline = time.monotonic() + 60
    while not (place / "out" / "log.jsonl").exists() and time.monotonic() < deadline:
        time.sleep(0.01)
    process.send_signal(number)
    _, told = process.communicate(timeout=120)
    assert process.returncode in (0, 1, 3, 130), told  # 0: it was over before
    assert b"Traceback" not in told
    wait_for_the_end(place)
    check_whole(place)


@linux
def test_files_may_be_no_longer_than_so_much(frames, tmp_path):
    import resource

    done = subprocess.run(
        [sys.executable, "-m", "kitgauge", "run", "noise-ladder", str(frames), "--out", str(tmp_path / "out")],
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (3000, 3000)),
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 1, done.stderr
    assert "cannot write results" in done.stderr and "File too large" in done.stderr and "ulimit -f" in done.stderr
    assert "Traceback" not in done.stderr
    assert [path.name for path in (tmp_path / "out").iterdir() if path.suffix == ".part"] == []


def test_frames_that_vanish_after_they_were_listed_are_refused_by_name(frames, monkeypatch):
    from kitgauge.frames.opening import frame_paths
    from kitgauge.ingest import scan

    def vanishing(folder):
        listing = frame_paths(folder)
        (frames / "flat-100-1.dng").unlink()
        return listing

    monkeypatch.setattr(scan, "frame_paths", vanishing)
    found = {record.file: record for record in scan.scan_folder(frames).frames}
    assert len(found) == 12
    assert found["flat-100-1.dng"].status == "rejected"
    assert found["flat-100-1.dng"].reason
    assert sum(record.status == "rejected" for record in found.values()) == 1


def test_twenty_thousand_other_files_cost_little(frames):
    """Names alone tell most files: no file of theirs is opened."""
    from kitgauge.ingest.scan import scan_folder

    for number in range(20_000):
        os.close(os.open(frames / f"note-{number}.txt", os.O_CREAT | os.O_WRONLY))
    begun = time.process_time()
    found = scan_folder(frames)
    assert time.process_time() - begun < 5.0
    assert (len(found.frames), len(found.not_frames)) == (12, 20_000)


@pytest.mark.skipif(sys.platform == "win32", reason="names as on Unix")
def test_hostile_names_and_metadata_on_every_page(kitgauge, frames, tmp_path):
    names = [MARK, "a b", "quote'\"", "new\nline", "rtl-\u202e\u05d0", "<b>&amp;"]
    if sys.platform == "linux":
        names.append(os.fsdecode(b"not-utf8-\xff"))
    for path, name in zip(sorted(frames.iterdir()), names, strict=False):
        path.rename(frames / f"{name.replace('/', '')}.dng")
    done = kitgauge("run", "noise-ladder", frames, "--out", "out", "--technique", MARK, "--criterion", "output_mp=0.01")
    assert done.returncode == 0, done.stderr
    for command in (("report", "out"), ("review", frames, "--out", "review.html")):
        done = kitgauge(*command)
        assert done.returncode == 0, done.stderr
    assert kitgauge("limits", "accept", "out").returncode == 0
    assert kitgauge("limits").returncode == 0
    assert kitgauge("plan", "--light", "ev5", "--focal", "14", "--distance", "2").returncode == 0
    assert kitgauge("card", "--out", "card.html").returncode == 0
    for page in ("out/report.html", "review.html", "card.html"):
        text = (tmp_path / page).read_text(encoding="utf-8", errors="replace")
        assert MARK not in text and "<b>&amp;.dng" not in text
