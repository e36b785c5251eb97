"""Two runs at once, limits of the system, frames that vanish, folders of many files, hostile names."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from hostile_mutations import MARK
from hostile_sources import make_noise_series
from killed_runs import check_whole, results_of, start_run, wait_for_the_end, whole_run

from kitgauge.atomic import alone_in
from kitgauge.limits.commands import accept_run
from kitgauge.limits.model import Limit
from kitgauge.limits.store import accept, read_limits

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
def test_files_of_two_runs_do_not_mix(frames, tmp_path):
    """One over twelve frames, one over sixteen, into one folder: whoever looks finds those of one run."""
    more, place = tmp_path / "more", tmp_path / "place"
    make_noise_series(more, isos=(100, 200, 400, 800))
    both = [start_run(folder, place) for folder in (frames, more)]
    seen = set()
    while any(process.poll() is None for process in both):
        with alone_in(place / "out"):
            if (place / "out" / "run.json").exists():
                seen.add(frames_told(place / "out"))
        time.sleep(0.005)
    for process in both:
        _, told = process.communicate(timeout=300)
        assert process.returncode == 0, told
    assert seen and seen <= {(12, 12, 3), (16, 16, 4)}
    rows, _, _ = frames_told(place / "out")
    assert f"All {rows} frames were used" in (place / "out" / "report.html").read_text()


def frames_told(out: Path) -> tuple[int, int, int]:
    """Return the frames in frames.csv and in run.json, and the ISO values in curves.json."""
    curves = json.loads((out / "curves.json").read_text())
    return (
        len((out / "frames.csv").read_text().splitlines()) - 1,
        sum(json.loads((out / "run.json").read_text())["frames"].values()),
        len({point["iso"] for point in curves["noise"]["points"]}),
    )


def an_iso_limit(iso: float, snr: float) -> Limit:
    value, criterion = {"iso": iso}, {"snr": snr, "output_mp": 8.0}
    return Limit("iso", value, value, 0.9 * iso, 1.1 * iso, criterion, "an ISO limit", stderr_stops=0.1)


def test_limits_accepted_by_eight_at_once_are_all_there(tmp_path):
    """Each reads the file, adds its own and writes it: none may write over what another has added since."""
    limits = [an_iso_limit(1000.0 + n, snr=10.0 + n) for n in range(8)]
    path = tmp_path / "kit" / "limits.toml"

    def accept_one(limit: Limit) -> None:
        accept(path, "run", [limit], body="Sampler 8")

    with ThreadPoolExecutor(8) as eight:
        list(eight.map(accept_one, limits))
    found = read_limits(path).limits
    assert sorted(limit.limit.value["iso"] for limit in found) == [1000.0 + n for n in range(8)]
    assert [entry.name for entry in path.parent.iterdir()] == ["limits.toml"]


def test_runs_from_elsewhere_accepted_by_eight_at_once_are_copied_once_each(tmp_path):
    for number in range(8):
        run = tmp_path / f"folder-{number}" / "noise"  # all of one name
        run.mkdir(parents=True)
        limit = an_iso_limit(1000.0 + number, snr=10.0 + number).as_dict()
        kit = {"name": "sampler", "body": "Sampler 8"}
        curves = {"schema": 1, "kit": kit, "limits": [limit], "status": "complete", "run": number}
        (run / "curves.json").write_text(json.dumps(curves))
    runs = [tmp_path / f"folder-{number}" / "noise" for number in range(8)]
    with ThreadPoolExecutor(8) as eight:
        list(eight.map(lambda run: accept_run(run, tmp_path / "results", None, replace=False), runs))
    kit_folder = tmp_path / "results" / "sampler"
    found = read_limits(kit_folder / "limits.toml").limits
    copied = [json.loads((kit_folder / limit.run / "curves.json").read_text()) for limit in found]
    assert sorted(curves["run"] for curves in copied) == list(range(8))
    assert [curves["limits"][0]["iso"] for curves in copied] == [limit.limit.value["iso"] for limit in found]
    assert len(list(kit_folder.iterdir())) == 9


@linux
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_run_that_is_told_to_end_keeps_what_it_has_and_the_next_one_goes_on(tmp_path, number):
    frames, place = tmp_path / "frames", tmp_path / "place"
    make_noise_series(frames, isos=[100 + 50 * step for step in range(12)])
    process = start_run(frames, place, "--workers", "1")
    log = place / "out" / "log.jsonl"
    deadline = time.monotonic() + 60
    while not (log.exists() and b'"event": "step"' in log.read_bytes()) and time.monotonic() < deadline:
        time.sleep(0.001)
    process.send_signal(number)
    _, told = process.communicate(timeout=120)
    assert process.returncode == 3, told
    assert b"Partial: interrupted; run the same command again to go on where it stopped" in told
    wait_for_the_end(place)
    check_whole(place)
    head = json.loads((place / "out" / "run.json").read_text())
    assert head["status"] == "partial" and 0 < head["frames"]["used"] < 48
    if number == signal.SIGTERM:  # the other one ends in the same way
        whole_run(frames, place)
        again = json.loads((place / "out" / "run.json").read_text())
        assert (again["status"], again["frames_decoded"]) == ("complete", 48 - head["frames"]["used"])


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


def test_a_run_over_a_folder_full_of_rubbish_says_so_in_a_few_lines(kitgauge, frames, tmp_path):
    for number in range(5_000):
        os.close(os.open(frames / f"note-{number}.txt", os.O_CREAT | os.O_WRONLY))
    beginning = (frames / "flat-100-1.dng").read_bytes()
    for number in range(400):  # empty, or cut short
        (frames / f"x-{number:04d}.dng").write_bytes(b"" if number % 2 else beginning[: number % 100])
    done = kitgauge("run", "noise-ladder", frames, "--out", "out")
    assert done.returncode == 0, done.stderr
    assert len(done.stdout.splitlines()) < 40 and len(done.stdout) < 4000 and len(done.stderr) < 1000
    assert "Of 412 frames, 12 used, 400 rejected" in done.stdout
    head = json.loads((tmp_path / "out" / "run.json").read_text())
    assert head["frames"] == {"used": 12, "rejected": 400, "unmatched": 0}
    assert len(head["not_frames"]) == 5_000
    rows = (tmp_path / "out" / "frames.csv").read_text().splitlines()
    assert len(rows) == 413 and all(",rejected," in row for row in rows if row.startswith("x-"))
    assert (tmp_path / "out" / "report.html").stat().st_size < 2_000_000


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
