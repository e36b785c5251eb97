"""A run that is killed leaves whole files and no process, and the next run ends as if nothing had been.

A dozen moments here; `python bench/kill_runs.py` tries 200.
"""

from __future__ import annotations

import random
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from hostile_sources import make_noise_series
from killed_runs import BehindError, check_whole, kill_one, run_again, undisturbed

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="looks at /proc")


def test_killed_at_a_dozen_moments(tmp_path):
    frames, place = tmp_path / "frames", tmp_path / "place"
    make_noise_series(frames)
    expected, takes_s = undisturbed(frames, place)
    draw = random.Random(7)
    for _ in range(3):
        for _ in range(4):  # one upon the other: what is left of the one is what the next begins with
            kill_one(frames, place, takes_s, draw)
        run_again(frames, place, expected)


def test_the_check_sees_half_files(tmp_path):
    for name, content in {
        "curves.json": b'{"schema": 1, ',
        "log.jsonl": b'{"event": "start"}\n{"eve',
        "frames.csv": b"file,status\na.dng",
        "report.html": b"<html><body>",
        "x.json.gz": b"\x1f\x8b\x08",
        ".curves.json.abc.part": b"{}",
    }.items():
        (tmp_path / name).write_bytes(content)
        with pytest.raises(BehindError):
            check_whole(tmp_path)
        (tmp_path / name).unlink()
