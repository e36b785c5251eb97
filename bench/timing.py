"""What the benches share: timing a command with its peak memory, and the decode that runs are compared with."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

# Peak memory is inherited over fork and exec on Linux, so each command is started by this small launcher, which then
# reports what its child used.
_LAUNCHER = """
import json, resource, subprocess, sys, time
begin = time.perf_counter()
done = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
wall = time.perf_counter() - begin
if done.returncode not in (0, 3):
    sys.stderr.buffer.write(done.stderr)
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(json.dumps([done.returncode, wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024]))
"""
_WATCH_S = 0.02
WORKERS = min(os.cpu_count() or 2, 8)  # of a run, unless it is told otherwise; the decode gets as many threads
# Opening and unpacking every frame, by so many threads (rawpy lets go of the interpreter's lock while it decodes).
_DECODE = """
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
import rawpy
def decode(path):
    with rawpy.imread(str(path)) as raw:
        return raw.raw_image_visible.shape
with ThreadPoolExecutor(int(sys.argv[2])) as pool:
    list(pool.map(decode, sorted(path for path in Path(sys.argv[1]).rglob("*") if path.is_file())))
"""


@dataclass(frozen=True)
class Timing:
    """What one command took."""

    code: int
    wall_s: float
    cpu_s: float  # of the processor, all threads, system included
    peak_mib: float  # of one process

    @property
    def cores(self) -> float:
        """Processor time over wall time: how many cores were at work."""
        return self.cpu_s / self.wall_s


def timed(command: list[str], **environment: str) -> Timing:
    """Run a command and return what it took."""
    done = subprocess.run(
        [sys.executable, "-c", _LAUNCHER, *command],
        stdout=subprocess.PIPE,
        check=True,
        env={**os.environ, **environment},
    )
    code, wall_s, cpu_s, peak_mib = json.loads(done.stdout)
    return Timing(int(code), float(wall_s), float(cpu_s), float(peak_mib))


def peak_together_mib(command: list[str]) -> float:
    """Return the peak memory of a command and all processes that it starts, what they share counted once [MiB].

    Looks every 20 ms, which costs time: not for a run that is timed. NaN where the system does not tell (Linux does).
    """
    peak = math.nan
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        while process.poll() is None:
            found = [_proportional_mib(pid) for pid in _with_children(process.pid)]
            if found and not peak >= sum(found):
                peak = sum(found)
            time.sleep(_WATCH_S)
    return peak


def _with_children(pid: int) -> list[int]:
    found = [pid]
    try:
        for thread in Path(f"/proc/{pid}/task").iterdir():
            for child in (thread / "children").read_text().split():
                found += _with_children(int(child))
    except OSError:  # it has ended
        pass
    return found


def _proportional_mib(pid: int) -> float:
    try:
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0.0
    return sum(int(line.split()[1]) for line in lines if line.startswith("Pss:")) / 1024


def time_decode(folder: Path, threads: int) -> Timing:
    """Time opening and unpacking every frame of a folder with rawpy, in a process of its own."""
    return timed([sys.executable, "-c", _DECODE, str(folder), str(threads)])


def run_command(protocol: str, folder: Path, out: Path) -> list[str]:
    """Return the command of a whole run that finds nothing in the cache."""
    return [sys.executable, "-m", "kitgauge", "run", protocol, str(folder), "--out", str(out), "--no-cache"]


def time_run(protocol: str, folder: Path, out: Path) -> Timing:
    """Time a whole `kitgauge run`, report included, from an empty cache; SystemExit if it gives no results."""
    timing = timed(run_command(protocol, folder, out))
    if timing.code not in (0, 3):
        raise SystemExit(f"{protocol}: run ended with exit code {timing.code}")
    return timing


def median(timings: list[Timing]) -> Timing:
    """Return the timing with the median wall time."""
    return sorted(timings, key=lambda timing: timing.wall_s)[len(timings) // 2]


@dataclass(frozen=True)
class Compared:
    """A run beside the decode of its frames: medians, and the median ratios of neighbouring timings."""

    decode: Timing
    run: Timing
    wall_ratio: float
    cpu_ratio: float


def compared(protocol: str, folder: Path, outs: Path, repeat: int) -> Compared:
    """Time decode and run of a folder in turn, so that both see the same machine; runs go to `outs`-0, `outs`-1 ..."""
    decodes, runs = [], []
    for number in range(repeat):
        decodes.append(time_decode(folder, WORKERS))
        runs.append(time_run(protocol, folder, outs.with_name(f"{outs.name}-{number}")))
    pairs = list(zip(decodes, runs, strict=True))
    wall = sorted(run.wall_s / decode.wall_s for decode, run in pairs)
    cpu = sorted(run.cpu_s / decode.cpu_s for decode, run in pairs)
    return Compared(median(decodes), median(runs), wall[repeat // 2], cpu[repeat // 2])
