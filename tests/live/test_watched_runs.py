"""Watched runs from end to end: frames are copied in one by one, slowly, and the results are those of a plain run."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from developed_pictures import encode, flat, save_jpeg
from small_kits import small_kit
from watched_folders import Seen, numbers, request

from kitgauge import runner
from kitgauge.frames import raw, rendered
from kitgauge.protocol.loading import load_protocol
from kitgauge.protocol.shot_list import CameraRange, shot_list
from kitgauge.runs.live import watch
from kitgauge.simulate.shooting import shoot_protocol

SHORT_LADDER = (
    ('values = "full-stops"\naround = "one-over-focal-length"\nfaster_stops = 2\nslower_stops = 4',
     'values = ["1/250", "1/60", "1/15"]'),
    ("frames = 10", "frames = 4"),
    ("frames = 2", "frames = 1"),
)  # fmt: skip
RANGES = {
    "noise-ladder": {"iso_max": 400.0},
    "aperture-sweep": {"f_min": 5.6, "f_max": 11.0},
    "practice-shutter": {},
    "dark-current": {},
    "short-ladder": {},
    "developed": {"iso_max": 400.0},
}


def copied_slowly(source: Path, target: Path, *, blocks: int = 3, pause_s: float = 0.03) -> None:
    """Write a file block by block, as a copier does, under its final name."""
    data = source.read_bytes()
    size = -(-len(data) // blocks)
    with target.open("wb") as file:
        for start in range(0, len(data), size):
            file.write(data[start : start + size])
            file.flush()
            time.sleep(pause_s)


class Copier(threading.Thread):
    """Copies the frames of a folder into another one, one after the other."""

    def __init__(self, source: Path, target: Path, pause_s: float = 0.2) -> None:
        super().__init__(daemon=True)
        self.source, self.target, self.pause_s = source, target, pause_s
        self.copied_at: dict[str, float] = {}

    def run(self) -> None:
        for path in sorted(self.source.iterdir()):
            copied_slowly(path, self.target / path.name)
            self.copied_at[path.name] = time.monotonic()
            time.sleep(self.pause_s)


def save_flats(folder: Path, isos: list[float]) -> None:
    """Write two developed flats for each ISO."""
    rng = np.random.default_rng(3)
    for number, iso in enumerate(2 * [iso] for iso in isos):
        for second, value in enumerate(iso):
            noise = 0.02 * (value / 100.0) ** 0.5
            light = flat(rng, (240, 360), 0.18, luminance=noise, red=noise, blue=noise, smoothing=0.7)
            save_jpeg(
                folder / f"P{number}{second}.JPG", encode(light), 98, iso=round(value), second=10 * number + second
            )


@pytest.fixture
def decoded(monkeypatch) -> Counter[str]:
    """How often the content of each file was decoded."""
    times: Counter[str] = Counter()

    def spy(module: Any, name: str, position: int) -> None:
        real = getattr(module, name)

        def spied(*arguments: Any) -> Any:
            found = real(*arguments)  # a file cut short is not decoded
            times[Path(arguments[position]).name] += 1
            return found

        monkeypatch.setattr(module, name, spied)

    spy(raw, "_mosaic", 2)
    spy(rendered, "_decode", 0)
    return times


@pytest.fixture(scope="module")
def shot(tmp_path_factory):
    """Return a function: protocol -> (protocol id or file, folder of frames, camera range)."""
    made: dict[str, tuple[str | Path, Path, CameraRange]] = {}

    def shoot(name: str):
        if name in made:
            return made[name]
        folder = tmp_path_factory.mktemp(name)
        protocol: str | Path = name
        if name == "short-ladder":
            text = load_protocol("handheld-shutter").source.read_text(encoding="utf-8")
            for old, new in SHORT_LADDER:
                assert old in text
                text = text.replace(old, new)
            protocol = folder / "short-ladder.toml"
            protocol.write_text(text, encoding="utf-8")
        if name == "developed":
            protocol = "noise-ladder"
        kit = small_kit()
        camera = replace(kit.camera_range, **RANGES[name])
        shots = shot_list(load_protocol(protocol).protocol, camera).shots
        if name == "developed":
            save_flats(folder / "frames", [shot.iso for shot in shots if shot.role == "flat"])
        else:
            shoot_protocol(kit, shots, folder / "frames", seed=5)
        made[name] = (protocol, folder / "frames", camera)
        return made[name]

    return shoot


@pytest.mark.usefixtures("in_this_process")
@pytest.mark.parametrize("name", list(RANGES))
def test_a_watched_run_ends_as_a_plain_one(shot, name, tmp_path, capsys, decoded):
    """... and has decoded each file once, though frames are looked at before their partners are there."""
    protocol, source, camera = shot(name)
    folder = tmp_path / "tethered"
    folder.mkdir()
    seen, copier = Seen(), Copier(source, folder)
    copier.start()
    done = watch(request(protocol, folder, tmp_path / "watched"), camera, seen, enough_stops=15.0, report=False)
    copier.join()
    assert (done.status, done.reason) == ("complete", "")
    assert decoded == dict.fromkeys(copier.copied_at, 1)
    plain = runner.run(protocol, folder, out=tmp_path / "plain", use_cache=False, report=False)
    assert plain.status == "complete"
    assert numbers(tmp_path / "watched") == numbers(tmp_path / "plain")
    assert (tmp_path / "watched" / "frames.csv").read_bytes() == (tmp_path / "plain" / "frames.csv").read_bytes()
    last = seen.states[-1]
    assert last.complete and not last.next and last.frames == len(copier.copied_at)
    assert {verdict.file for verdict in last.verdicts} == set(copier.copied_at)
    assert not [verdict for verdict in last.verdicts if verdict.outcome in ("failed", "left out")]
    waits = sorted(seen.at[file] - at for file, at in copier.copied_at.items())
    with capsys.disabled():
        print(f"\n{name}: judged {waits[len(waits) // 2]:.2f} s after the last byte (longest {waits[-1]:.2f} s)")


def test_what_happens_to_files_on_the_way(shot, tmp_path):
    """Temporary names, a copy, a RAW+JPEG pair, a file cut short, a clipped frame, and the card pulled out."""
    protocol, source, camera = shot("noise-ladder")
    first, second, *others = sorted(source.iterdir())
    folder, away = tmp_path / "card", tmp_path / "away"
    folder.mkdir()
    seen = Seen()

    told = seen.told

    def handle() -> None:
        shutil.copy(first, folder / "IMG_0001.DNG.part")
        time.sleep(0.8)
        assert "IMG_0001" not in seen.lines.getvalue()
        (folder / "IMG_0001.DNG.part").rename(folder / "IMG_0001.DNG")
        told("waits: IMG_0001.DNG")
        shutil.copy(first, folder / "IMG_0001 copy.DNG")
        told("the same file as")
        (folder / "IMG_0002.DNG").write_bytes(second.read_bytes()[:200_000])
        told("Arriving: IMG_0002.DNG 0.2 MB (does not open yet)")
        assert "FAILED" not in seen.lines.getvalue()
        shutil.copy(second, folder / "IMG_0002.DNG")
        told("good: IMG_0002.DNG")
        folder.rename(away)
        told("The folder has gone")
        away.rename(folder)
        told("The folder is back")
        for path in others:
            shutil.copy(path, folder)

    failures: list[BaseException] = []

    def handled() -> None:
        try:
            handle()
        except BaseException as error:
            failures.append(error)
            for path in sorted(source.iterdir()):  # lets the run end
                shutil.copy(path, folder)

    thread = threading.Thread(target=handled, daemon=True)
    thread.start()
    done = watch(request(protocol, folder, tmp_path / "watched"), camera, seen, report=False)
    thread.join()
    assert not failures, failures
    assert done.status == "complete"
    runner.run(protocol, folder, out=tmp_path / "plain", use_cache=False, report=False)
    assert numbers(tmp_path / "watched") == numbers(tmp_path / "plain")


def test_ctrl_c_ends_with_results_and_starting_again_goes_on(shot, tmp_path):
    protocol, source, _ = shot("noise-ladder")
    folder = tmp_path / "in"
    folder.mkdir()
    arguments = [sys.executable, "-m", "kitgauge", "run", protocol, "in", "--watch", "--out", "out", "--iso-max", "400"]
    environment = {**os.environ, "PYTHONWARNINGS": "error", "PYTHONUNBUFFERED": "1"}

    def started() -> subprocess.Popen:
        return subprocess.Popen(
            arguments, cwd=tmp_path, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
        )  # fmt: skip

    frames = sorted(source.iterdir())
    process = started()
    for path in frames[:4]:
        shutil.copy(path, folder)
    said = []
    assert process.stdout is not None
    for line in process.stdout:
        said.append(line)
        if line.startswith("good: IMG_0004.DNG"):
            break
    process.send_signal(signal.SIGINT)
    rest, _ = process.communicate(timeout=60)
    assert process.returncode == 3, rest
    assert "Stopped: the results so far are being written" in rest
    assert "All 4 frames were used." in rest and "Traceback" not in rest
    assert {point["iso"] for point in numbers(tmp_path / "out")["noise"]["points"]} == {100.0, 200.0}
    process = started()
    for path in frames[4:]:
        shutil.copy(path, folder)
    rest, _ = process.communicate(timeout=60)
    assert process.returncode == 0, rest
    assert "All that the list asks for is there." in rest and "Report: out/report.html" in rest


def test_without_frames_and_with_options_that_mean_nothing(kitgauge, tmp_path):
    (tmp_path / "in").mkdir()
    done = kitgauge("run", "noise-ladder", "in", "--iso-max", "400")
    assert done.returncode == 2 and "--iso-max without --watch" in done.stderr
    done = kitgauge("run", "noise-ladder", "in", "--watch", "--enough", "0")
    assert done.returncode == 2 and "not a width of an interval" in done.stderr
