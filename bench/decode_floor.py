"""What a whole run costs against opening and unpacking the same frames.

    python bench/decode_floor.py [--frames FOLDER] [--lossless] [--quick]

Simulates full-size (24-megapixel) frames of the three main protocols, then times, each in a process of its own,
(a) opening and unpacking every frame in one thread with rawpy, and (b) the whole `kitgauge run` from an empty cache.
Prints the ratio of wall times and the peak memory of each process. Quote the ratios, not the times.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from rich.console import Console
from rich.table import Table
from timing import median, time_decode, time_run

from kitgauge.protocol.loading import load_protocol
from kitgauge.protocol.shot_list import Shot, shot_list
from kitgauge.simulate.model import full_size_kit
from kitgauge.simulate.shooting import shoot_protocol

PROTOCOLS = ("noise-ladder", "aperture-sweep", "handheld-shutter")


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
            floor = median([time_decode(folder, threads=1) for _ in range(arguments.repeat)])
            outs = [Path(temporary) / f"{protocol}-{number}" for number in range(arguments.repeat)]
            whole = median([time_run(protocol, folder, out) for out in outs])
            table.add_row(
                protocol,
                str(len(list(folder.iterdir()))),
                f"{floor.wall_s:.1f}",
                f"{whole.wall_s:.1f}",
                f"{whole.wall_s / floor.wall_s:.2f}",
                f"{whole.cores:.2f}",
                f"{whole.peak_mib:.0f}",
                f"{floor.peak_mib:.0f}",
            )
    Console(width=120).print(table)


if __name__ == "__main__":
    main()
