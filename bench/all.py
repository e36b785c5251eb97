"""All that says what kitgauge costs, in one command.

    python bench/all.py [--quick] [--repeat N]

Start-up; every protocol against decoding its frames, uncompressed and lossless-compressed, with the memory of all
processes; growth with the number of frames; runs of 10 to 10,000 tiny frames. Simulates 24-megapixel frames in a
temporary folder (up to 4 GB at a time). `--quick` takes small frames, at most 1,000 of them, and two minutes: there
start-up and report weigh most, and the ratios say nothing about full frames. Quote the ratios, not the times: machines
differ, and are shared.
"""

from __future__ import annotations

import argparse
import platform

from decode_floor import QUICK, floor_table
from growth import PROTOCOLS, growth_table
from many_frames import SIZES, many_frames_table
from rich.console import Console
from start_up import start_up_table
from timing import WORKERS

import kitgauge
from kitgauge.protocol.loading import shipped_protocols
from kitgauge.simulate.dng import Compression
from kitgauge.simulate.model import full_size_kit
from kitgauge.simulate.small import small_kit

COMPRESSIONS: tuple[Compression, ...] = ("none", "lossless")
FULL_FACTORS, QUICK_FACTORS = (1, 2, 4), (1, 2)


def main() -> None:
    """Run all benches and print their tables, each as soon as it is there."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="small frames, one protocol of each kind, no repeats")
    parser.add_argument("--repeat", type=int, default=3, help="timings of each; the median counts")
    arguments = parser.parse_args()
    quick, repeat = arguments.quick, 1 if arguments.quick else arguments.repeat
    console = Console(width=150)
    console.print(f"kitgauge {kitgauge.__version__}, Python {platform.python_version()}, {WORKERS} workers")
    console.print(start_up_table(5 if quick else 15))
    for compression in COMPRESSIONS[: 1 if quick else None]:
        kit = small_kit(compression=compression) if quick else full_size_kit(compression)
        every = [loaded.protocol.id for loaded in shipped_protocols()]
        console.print(floor_table(QUICK if quick else every, kit, most=2 if quick else 4, repeat=repeat))
    kit = small_kit() if quick else full_size_kit()
    protocols, factors = (PROTOCOLS[:1], QUICK_FACTORS) if quick else (PROTOCOLS, FULL_FACTORS)
    console.print(growth_table(protocols, kit, factors, repeat=1))
    console.print(many_frames_table("noise-ladder", SIZES[:-1] if quick else SIZES))


if __name__ == "__main__":
    main()
