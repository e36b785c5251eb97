"""What a whole run costs against opening and unpacking the same frames.

    python bench/decode_floor.py [--frames FOLDER] [--lossless] [--quick]

Simulates full-size (24-megapixel) frames of the three main protocols, then times, each in a process of its own,
(a) opening and unpacking every frame in one thread with rawpy, and (b) the whole `kitgauge run` from an empty cache.
Prints the ratio of wall times and the peak memory of each process. Quote the ratios, not the times.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from rich.console import Console
from rich.table import Table

from kitgauge.protocol.loading import load_protocol
from kitgauge.protocol.shot_list import Shot, shot_list
from kitgauge.simulate.model import full_size_kit
from kitgauge.simulate.shooting import shoot_protocol

PROTOCOLS = ("noise-ladder", "aperture-sweep", "handheld-shutter")

DECODE = """
import sys
from pathlib import Path
import rawpy
for path in sorted(Path(sys.argv[1]).iterdir()):
    with rawpy.imread(str(path)) as raw:
        raw.raw_image_visible.max()
"""
# Peak memory is inherited over fork and exec on Linux, so each command is started by this small launcher, which then
# reports what its child used.
LAUNCHER = """
import json, os, resource, subprocess, sys, time
begin = time.perf_counter()
done = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL)
wall = time.perf_counter() - begin
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(json.dumps([done.returncode, wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024]))
"""


def timed(command: list[str], **environment: str) -> tuple[int, float, float, float]:
    """Return exit code, wall time [s], processor time [s] and peak memory [MiB] of `command`."""
    import json

    done = subprocess.run(
        [sys.executable, "-c", LAUNCHER, *command],
        stdout=subprocess.PIPE,
        check=True,
        env={**os.environ, **environment},
    )
    code, wall, cpu, peak = json.loads(done.stdout)
    return int(code), float(wall), float(cpu), float(peak)


def shots_of(protocol: str, quick: bool) -> list[Shot]:
    """Return the shots of a protocol; of handheld series fewer frames per speed, which is said in the table."""
    shots = list(shot_list(load_protocol(protocol).protocol, full_size_kit().camera_range).shots)
    if quick:
        shots = [replace(shot, frames=min(shot.frames, 4)) for shot in shots]
    return shots


def main() -> None:
    """Run the bench and print its table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--frames", type=Path, help="keep the simulated frames here (default: a temporary folder)")
    parser.add_argument(
        "--lossless", action="store_true", help="lossless-compressed frames instead of uncompressed ones"
    )
    parser.add_argument("--quick", action="store_true", help="at most 4 frames per setting")
    parser.add_argument("--repeat", type=int, default=3, help="timings of each; the median counts")
    arguments = parser.parse_args()
    table = Table(
        "protocol",
        "frames",
        "decode, s",
        "run, s",
        "run / decode",
        "run, cpu / wall",
        "run, peak MiB",
        "decode, peak MiB",
    )
    with tempfile.TemporaryDirectory() as temporary:
        root = arguments.frames or Path(temporary)
        kit = full_size_kit("lossless" if arguments.lossless else "none")
        for protocol in PROTOCOLS:
            folder = root / protocol
            if not folder.exists():
                begin = time.perf_counter()
                shoot_protocol(kit, shots_of(protocol, arguments.quick), folder, seed=1)
                print(f"simulated {protocol} in {time.perf_counter() - begin:.0f} s", file=sys.stderr)
            decode: list[tuple[int, float, float, float]] = []
            runs: list[tuple[int, float, float, float]] = []
            for number in range(arguments.repeat):
                decode.append(timed([sys.executable, "-c", DECODE, str(folder)]))
                out = Path(temporary) / f"{protocol}-{number}"
                command = [
                    sys.executable,
                    "-m",
                    "kitgauge",
                    "run",
                    protocol,
                    str(folder),
                    "--out",
                    str(out),
                    "--no-cache",
                ]
                runs.append(timed(command))
            floor = sorted(decode, key=lambda item: item[1])[len(decode) // 2]
            whole = sorted(runs, key=lambda item: item[1])[len(runs) // 2]
            if whole[0] not in (0, 3):
                raise SystemExit(f"{protocol}: run ended with exit code {whole[0]}")
            table.add_row(
                protocol,
                str(len(list(folder.iterdir()))),
                f"{floor[1]:.1f}",
                f"{whole[1]:.1f}",
                f"{whole[1] / floor[1]:.2f}",
                f"{whole[2] / whole[1]:.2f}",
                f"{whole[3]:.0f}",
                f"{floor[3]:.0f}",
            )
    Console(width=120).print(table)


if __name__ == "__main__":
    main()
