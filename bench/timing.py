"""What the benches share: timing a command with its peak memory, and the decode that runs are compared with."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

# Peak memory is inherited over fork and exec on Linux, so each command is started by this small launcher, which then
# reports what its child used.
_LAUNCHER = """
import json, resource, subprocess, sys, time
begin = time.perf_counter()
done = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL)
wall = time.perf_counter() - begin
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(json.dumps([done.returncode, wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024]))
"""
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
    peak_mib: float

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


def time_decode(folder: Path, threads: int) -> Timing:
    """Time opening and unpacking every frame of a folder with rawpy, in a process of its own."""
    return timed([sys.executable, "-c", _DECODE, str(folder), str(threads)])


def time_run(protocol: str, folder: Path, out: Path) -> Timing:
    """Time a whole `kitgauge run`, report included, from an empty cache; SystemExit if it gives no results."""
    command = [sys.executable, "-m", "kitgauge", "run", protocol, str(folder), "--out", str(out), "--no-cache"]
    timing = timed(command)
    if timing.code not in (0, 3):
        raise SystemExit(f"{protocol}: run ended with exit code {timing.code}")
    return timing


def median(timings: list[Timing]) -> Timing:
    """Return the timing with the median wall time."""
    return sorted(timings, key=lambda timing: timing.wall_s)[len(timings) // 2]
