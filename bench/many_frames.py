"""What a run costs as the number of frames grows: wall time and memory of all processes.

    python bench/many_frames.py [--protocol noise-ladder] [--sizes 10 100 1000 10000]

Tiny simulated frames (64 x 96 pixels), so that what is not the decode shows: listing, hashing, matching, pairing, logs,
tables. The exponent is the slope of log time against log frames between neighbouring sizes, less the time of the
smallest run: 1 is linear, 2 quadratic. Two runs each: one timed, one watched for memory (watching costs time).
"""

from __future__ import annotations

import argparse
import math
import shutil
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from rich.console import Console
from rich.table import Table
from timing import peak_together_mib, run_command, time_run

from kitgauge.protocol.loading import load_protocol
from kitgauge.protocol.shot_list import Shot, shot_list
from kitgauge.simulate.model import SimulatedKit
from kitgauge.simulate.shooting import shoot_protocol

SHAPE = (64, 96)
SIZES = (10, 100, 1000, 10000)


def simulated(protocol: str, folder: Path, frames: int) -> int:
    """Fill a folder with about so many frames of a protocol; return how many."""
    kit = replace(SimulatedKit(), shape=SHAPE, cells=(1, 1), iso_range=(100.0, 12800.0))
    shots = list(shot_list(load_protocol(protocol).protocol, kit.camera_range).shots)
    full = sum(shot.frames for shot in shots)
    if frames < full:  # some of the settings
        kept: list[Shot] = []
        for shot in shots:
            if sum(one.frames for one in kept) + shot.frames <= max(frames, shots[0].frames):
                kept.append(shot)
        shots = kept
    else:  # more frames of each setting
        shots = [replace(shot, frames=round(shot.frames * frames / full)) for shot in shots]
    begin = time.perf_counter()
    shoot_protocol(kit, shots, folder, seed=1)
    count = sum(shot.frames for shot in shots)
    print(f"simulated {count} frames in {time.perf_counter() - begin:.0f} s", file=sys.stderr)
    return count


def many_frames_table(protocol: str, sizes: Sequence[int]) -> Table:
    """Return what runs of so many tiny frames take."""
    table = Table(
        *("frames", "run, s", "ms per frame", "exponent", "cores", "peak MiB", "kB per frame", "report, MiB"),
        title=f"many frames: {protocol}, {SHAPE[0]} x {SHAPE[1]} pixels",
        caption="kB per frame: peak memory of all processes above that of the smallest run, for each frame more",
    )
    walls: list[tuple[int, float]] = []
    peaks: list[float] = []
    with tempfile.TemporaryDirectory() as temporary:
        for size in sizes:
            folder, out = Path(temporary) / "frames", Path(temporary) / "out"
            count = simulated(protocol, folder, size)
            took = time_run(protocol, folder, out)
            report_mib = (out / "report.html").stat().st_size / 2**20
            shutil.rmtree(out)
            peaks.append(peak_together_mib(run_command(protocol, folder, out)))
            walls.append((count, took.wall_s))
            more = count - walls[0][0]
            table.add_row(
                str(count),
                f"{took.wall_s:.2f}",
                f"{1000 * took.wall_s / count:.1f}",
                exponent(walls),
                f"{took.cores:.2f}",
                f"{peaks[-1]:.0f}",
                f"{1024 * (peaks[-1] - peaks[0]) / more:.1f}" if more else "-",
                f"{report_mib:.2f}",
            )
            shutil.rmtree(folder)
            shutil.rmtree(out)
    return table


def main() -> None:
    """Run the bench and print its table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--protocol", default="noise-ladder", help="id of the protocol")
    parser.add_argument("--sizes", type=int, nargs="+", default=SIZES, help="frames")
    arguments = parser.parse_args()
    Console(width=120).print(many_frames_table(arguments.protocol, arguments.sizes))


def exponent(walls: list[tuple[int, float]]) -> str:
    """Return the growth from the last size but one to the last, what every run costs taken away."""
    if len(walls) < 3:
        return "-"
    (few, shorter), (many, longer) = walls[-2:]
    fixed = walls[0][1]
    if min(shorter, longer) <= fixed:
        return "-"
    return f"{math.log((longer - fixed) / (shorter - fixed)) / math.log(many / few):.2f}"


if __name__ == "__main__":
    main()
