"""What whole runs cost against opening and unpacking the same frames, protocol by protocol.

    python bench/decode_floor.py [PROTOCOL ...] [--frames FOLDER] [--lossless] [--most N] [--quick] [--repeat N]

Simulates full-size (24-megapixel) frames, then times in turn, each in a process of its own, (a) opening and unpacking
every frame with rawpy in as many threads as the run has workers, and (b) the whole `kitgauge run` from an empty cache.
Prints the ratios, and the peak memory of all processes of the run. Quote the ratios, not the times.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from rich.console import Console
from rich.table import Table
from series import frame_mib, shots_of, simulated
from timing import WORKERS, compared, peak_together_mib, run_command

from kitgauge.protocol.loading import shipped_protocols
from kitgauge.simulate.dng import Compression
from kitgauge.simulate.model import SimulatedKit, full_size_kit
from kitgauge.simulate.small import small_kit

QUICK = ("noise-ladder", "aperture-sweep", "handheld-shutter", "practice-iso")


def floor_table(
    protocols: Sequence[str], kit: SimulatedKit, *, most: int | None, repeat: int, keep: Path | None = None
) -> Table:
    """Return the table of these protocols; frames are kept in the folder `keep`, else thrown away one by one."""
    megapixels = kit.shape[0] * kit.shape[1] / 1e6
    table = Table(
        "protocol", "frames", "decode, s", "cores", "run, s", "cores", "run / decode", "of processor time",
        "run, peak MiB", "frames per worker",
        title=f"Runs against decoding their frames: {megapixels:.1f} megapixels, compression {kit.compression}",
        caption=f"{WORKERS} workers, {WORKERS} threads of decoding; frames per worker: peak memory of all processes "
        "less that of a run of tiny frames, in frames",
    )  # fmt: skip
    tiny = replace(kit, shape=small_kit().shape, cells=small_kit().cells, isolated_squares=False)
    with tempfile.TemporaryDirectory() as temporary:
        for protocol in protocols:
            folder = simulated((keep or Path(temporary)) / protocol, kit, shots_of(protocol, kit, most))
            took = compared(protocol, folder, Path(temporary) / f"{protocol}-run", repeat)
            peak_mib = peak_together_mib(run_command(protocol, folder, Path(temporary) / f"{protocol}-memory"))
            each = "–"
            if kit.shape != tiny.shape:
                small = simulated(Path(temporary) / f"{protocol}-tiny", tiny, shots_of(protocol, tiny, most))
                base_mib = peak_together_mib(run_command(protocol, small, Path(temporary) / f"{protocol}-tiny-run"))
                each = f"{(peak_mib - base_mib) / WORKERS / frame_mib(kit):.1f}"
            table.add_row(
                protocol,
                str(sum(path.is_file() for path in folder.rglob("*"))),
                f"{took.decode.wall_s:.2f}",
                f"{took.decode.cores:.2f}",
                f"{took.run.wall_s:.2f}",
                f"{took.run.cores:.2f}",
                f"{took.wall_ratio:.2f}",
                f"{took.cpu_ratio:.2f}",
                f"{peak_mib:.0f}",
                each,
            )
            if keep is None:
                shutil.rmtree(folder)
    return table


def main() -> None:
    """Run the bench and print its table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("protocols", nargs="*", metavar="PROTOCOL", help="default: all that are shipped")
    parser.add_argument("--frames", type=Path, help="keep the simulated frames here (default: a temporary folder)")
    parser.add_argument("--lossless", action="store_true", help="lossless-compressed frames, not uncompressed ones")
    parser.add_argument("--most", type=int, default=4, help="frames per setting at most")
    parser.add_argument("--quick", action="store_true", help="small frames, one protocol of each kind, no repeats")
    parser.add_argument("--repeat", type=int, default=3, help="timings of each; the median counts")
    arguments = parser.parse_args()
    compression: Compression = "lossless" if arguments.lossless else "none"
    quick = arguments.quick
    every = [loaded.protocol.id for loaded in shipped_protocols()]
    table = floor_table(
        arguments.protocols or (QUICK if quick else every),
        small_kit(compression=compression) if quick else full_size_kit(compression),
        most=2 if quick else arguments.most,
        repeat=1 if quick else arguments.repeat,
        keep=arguments.frames,
    )
    Console(width=140).print(table)


if __name__ == "__main__":
    main()
