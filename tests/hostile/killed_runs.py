"""Runs that are killed at random moments, and what they must leave behind: whole files, no processes."""

from __future__ import annotations

import csv
import gzip
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
import tomllib
from pathlib import Path

MARK = "KITGAUGE_TEST_MARK"
_TIMES = re.compile(
    r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d)?([+-]\d\d:\d\d)?|\d+(\.\d+)? (s|seconds|minutes)\b|frames decoded</dt><dd>\d+"
)


class BehindError(Exception):
    """Something was left behind that must not be."""


def start_run(frames: Path, place: Path, *options: str, protocol: str = "noise-ladder") -> subprocess.Popen[bytes]:
    """Start a run of `frames` in a process group of its own: results in place/out, cache in place/cache."""
    return subprocess.Popen(
        [sys.executable, "-m", "kitgauge", "run", protocol, str(frames), "--out", str(place / "out"), *options],
        env={**os.environ, "KITGAUGE_CACHE": str(place / "cache"), MARK: str(place)},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )


def whole_run(frames: Path, place: Path) -> float:
    """Run to the end and return how long that took [s]."""
    begun = time.monotonic()
    process = start_run(frames, place)
    _, told = process.communicate(timeout=300)
    if process.returncode != 0:
        raise BehindError(f"the run ended with {process.returncode}: {told.decode(errors='replace')}")
    return time.monotonic() - begun


def undisturbed(frames: Path, place: Path) -> tuple[dict[str, bytes], float]:
    """Return the results of a run that nobody kills, and how long it took [s]; `place` is empty afterwards."""
    takes_s = whole_run(frames, place)
    check_whole(place)
    results = results_of(place / "out")
    shutil.rmtree(place)
    return results, takes_s


def kill_one(frames: Path, place: Path, takes_s: float, draw: random.Random) -> str:
    """Kill a run at a random moment and look at what is left; return when that was, and how much there was.

    Raises BehindError for a half file or a process that stays.
    """
    after_s = draw.uniform(0.0, 1.05 * takes_s)
    process = start_run(frames, place)
    time.sleep(after_s)
    ended = process.poll() is not None
    process.send_signal(signal.SIGKILL)
    process.communicate()
    wait_for_the_end(place)
    return f"{after_s:.2f} s: {check_whole(place)} files{', the run had ended' if ended else ''}"


def run_again(frames: Path, place: Path, expected: dict[str, bytes]) -> None:
    """Run to the end after kills; raises BehindError where the results are not those of an undisturbed run."""
    whole_run(frames, place)
    check_whole(place)
    for name, content in results_of(place / "out").items():
        if content != expected[name]:
            at = next((i for i, (one, two) in enumerate(zip(content, expected[name], strict=False)) if one != two), -1)
            parts = [text[max(0, at - 80) : at + 40].decode(errors="replace") for text in (expected[name], content)]
            raise BehindError(f"{name} is another one after the kill: {parts}")
    shutil.rmtree(place)


def wait_for_the_end(place: Path, seconds: float = 15.0) -> None:
    """Wait until no process of the run is left; BehindError if one stays."""
    end = time.monotonic() + seconds
    while left := processes_of(place):
        if time.monotonic() > end:
            raise BehindError(f"processes stay: {left}")
        time.sleep(0.02)


def processes_of(place: Path) -> list[int]:
    """Return the processes that carry the mark of the run in `place`; dead ones have no environment."""
    mark = f"{MARK}={place}\0".encode()
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit() and int(entry.name) != os.getpid():
            try:
                if mark in (entry / "environ").read_bytes():
                    found.append(int(entry.name))
            except OSError:  # it has ended, or is another's
                continue
    return found


def check_whole(place: Path) -> int:
    """Return how many files there are in results and cache; BehindError for one that is not whole."""
    files = [path for path in place.rglob("*") if path.is_file()]
    for path in files:
        content = path.read_bytes()
        try:
            if path.suffix == ".gz":
                json.loads(gzip.decompress(content))
            elif path.suffix == ".json":
                json.loads(content)
            elif path.suffix == ".jsonl":
                lines = content.decode().split("\n")
                if lines.pop() != "":
                    raise ValueError("half a line")
                for line in lines:
                    json.loads(line)
            elif path.suffix == ".csv":
                rows = list(csv.reader(content.decode().splitlines()))
                if len({len(row) for row in rows}) != 1 or not content.endswith(b"\n"):
                    raise ValueError("half a table")
            elif path.suffix == ".html":
                if not content.rstrip().endswith(b"</html>"):
                    raise ValueError("half a page")
            elif path.suffix == ".toml":
                tomllib.loads(content.decode())
            else:
                raise ValueError("a file that nobody asked for")
        except (ValueError, OSError, EOFError) as error:
            raise BehindError(f"{path.relative_to(place)}: {error}") from error
    return len(files)


def results_of(folder: Path) -> dict[str, bytes]:
    """Return the results of a finished run but for times, durations and how many frames came from the cache."""
    found = {name: (folder / name).read_bytes() for name in ("curves.json", "frames.csv")}
    page = (folder / "report.html").read_text(encoding="utf-8")
    found["report.html"] = _TIMES.sub("TIME", page).encode()
    return found
