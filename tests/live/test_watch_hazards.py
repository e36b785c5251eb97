"""What can happen to files in a watched folder, in one series: the results are those of a plain run all the same."""

from __future__ import annotations

import _thread
import json
import os
import shutil
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from small_kits import shots_of, small_kit
from watched_folders import Seen, numbers, request

from kitgauge import runner
from kitgauge.frames.metadata import read_settings
from kitgauge.simulate.shooting import shoot_protocol

RANGE = {"iso_max": 400.0}


@pytest.fixture(scope="module")
def frames(tmp_path_factory) -> list[Path]:
    """Flats at ISO 100, 200 and 400, then dark frames: two of each."""
    kit = small_kit()
    return shoot_protocol(kit, shots_of("noise-ladder", kit, **RANGE), tmp_path_factory.mktemp("frames"), seed=7)


def save_twin(raw: Path, path: Path) -> None:
    """Write the JPEG that the camera makes beside a raw frame of a flat."""
    settings = read_settings(raw)
    assert settings.body is not None and settings.taken_at is not None
    make, _, model = settings.body.partition(" ")
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = make, model
    exif[0x0132] = f"{settings.taken_at:%Y:%m:%d %H:%M:%S}"
    inside = exif.get_ifd(0x8769)
    inside[0x8827], inside[0x829A], inside[0x829D] = round(settings.iso), settings.shutter_s, settings.f_number
    inside[0x9003], inside[0xA431] = exif[0x0132], settings.body_serial
    codes = np.random.default_rng(1).normal(118.0, 3.0, (240, 360, 3)).astype(np.uint8)
    Image.fromarray(codes).save(path, exif=exif, quality=95)


def in_the_meantime(work) -> list[BaseException]:
    """Do `work` beside the run; if it fails, end the run as Ctrl-C does."""
    failures: list[BaseException] = []

    def done() -> None:
        try:
            work()
        except BaseException as error:
            failures.append(error)
            _thread.interrupt_main()

    threading.Thread(target=done, daemon=True).start()
    return failures


def test_files_that_come_in_odd_ways(frames, tmp_path):
    folder, link = tmp_path / "real", tmp_path / "link"
    folder.mkdir()
    link.symlink_to(folder, target_is_directory=True)
    seen = Seen()
    data = [path.read_bytes() for path in frames]
    names = [folder / path.name for path in frames]

    def odd_ways() -> None:
        # the JPEG of a pair first: taken for a frame, until the raw frame is there
        save_twin(frames[0], names[0].with_suffix(".JPG"))
        seen.told(f"waits: {names[0].stem}.JPG")
        names[0].write_bytes(data[0])
        seen.told(f"left out: {names[0].stem}.JPG")
        seen.told(f"waits: {names[0].name}")
        # room is made for the whole file, then it is filled
        names[1].write_bytes(bytes(len(data[1])))
        seen.told(f"Arriving: {names[1].name} 0.7 MB (does not open yet)")
        for share in (0.5, 0.98):
            names[1].write_bytes(data[1][: int(share * len(data[1]))].ljust(len(data[1]), b"\0"))
            time.sleep(0.9)
        assert f": {names[1].name} (" not in seen.said  # no verdict, neither good nor bad
        names[1].write_bytes(data[1])
        seen.told(f"good: {names[1].name} (flat ISO 100)")
        # another content under the same name
        names[2].write_bytes(data[4])
        seen.told(f"waits: {names[2].name} (flat ISO 400)")
        names[2].write_bytes(data[2])
        seen.told(f"waits: {names[2].name} (flat ISO 200)")
        # a stranger that is deleted again
        shutil.copy(frames[0], folder / "copy.DNG")
        seen.told("left out: copy.DNG: the same file as IMG_0001.DNG")
        (folder / "copy.DNG").unlink()
        # a clock that is wrong, and a slow network
        names[3].write_bytes(data[3])
        os.utime(names[3], (4e9, 4e9))
        seen.told(f"good: {names[3].name}")
        with names[4].open("wb") as file:
            for part in (slice(0, 100_000), slice(100_000, 500_000), slice(500_000, None)):
                time.sleep(1.0)
                file.write(data[4][part])
                file.flush()
        for name, content in list(zip(names, data, strict=True))[5:]:
            name.write_bytes(content)

    from kitgauge.runs.live import watch

    failures = in_the_meantime(odd_ways)
    camera = replace(small_kit().camera_range, **RANGE)
    done = watch(request("noise-ladder", link, tmp_path / "watched"), camera, seen, report=False)
    assert not failures, failures
    assert (done.status, done.reason) == ("complete", "") and "FAILED" not in seen.said
    runner.run("noise-ladder", link, out=tmp_path / "plain", use_cache=False, report=False)
    assert numbers(tmp_path / "watched") == numbers(tmp_path / "plain")
    assert (tmp_path / "watched" / "frames.csv").read_bytes() == (tmp_path / "plain" / "frames.csv").read_bytes()


def test_json_is_all_that_standard_output_has(frames, tmp_path, kitgauge):
    shutil.copytree(frames[0].parent, tmp_path / "in")
    asked = ("run", "noise-ladder", "in", "--watch", "--iso-max", "400", "--out", "out", "--json")
    done = kitgauge(*asked, KITGAUGE_CACHE=str(tmp_path / "cache"))
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == numbers(tmp_path / "out")
    assert "good: IMG_0012.DNG" in done.stderr and "\x1b" not in done.stderr
    # without watching, nothing is measured again, and nothing of decoded frames is left behind
    done = kitgauge("run", "noise-ladder", "in", "--out", "out", "--json", KITGAUGE_CACHE=str(tmp_path / "cache"))
    assert done.returncode == 0
    assert json.loads((tmp_path / "out" / "run.json").read_text())["frames_decoded"] == 0
    assert not list((tmp_path / "cache").glob("decoded-*"))


@pytest.mark.parametrize("after_s", [0.0, 0.8])
def test_ctrl_c_before_any_frame_and_while_they_are_measured(frames, tmp_path, after_s):
    import signal

    (tmp_path / "in").mkdir()
    process = subprocess.Popen(
        [sys.executable, "-m", "kitgauge", "run", "noise-ladder", "in", "--watch", "--iso-max", "400", "--out", "out"],
        cwd=tmp_path, env={**os.environ, "PYTHONUNBUFFERED": "1", "KITGAUGE_CACHE": str(tmp_path / "cache")},
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )  # fmt: skip
    assert process.stdout is not None
    begun = process.stdout.readline()
    if after_s:
        for path in frames:
            shutil.copy(path, tmp_path / "in")
        time.sleep(after_s)
    process.send_signal(signal.SIGINT)
    rest, _ = process.communicate(timeout=60)
    assert "Ctrl-C ends with the results so far" in begun and "Traceback" not in rest
    if not after_s:
        assert process.returncode == 1 and "no frame has arrived" in rest
    else:
        assert process.returncode in (0, 1, 3), rest
