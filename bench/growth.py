"""How time and memory of a run grow with the number of frames.

    python bench/growth.py [PROTOCOL ...] [--factors 1 4 16] [--quick] [--repeat N]

The same shots with 1, 4, 16 ... times as many frames of each setting, 24 megapixels each. The exponent is the slope of
a straight line through log(what was taken) against log(frames): 1 is in proportion to the frames, 0 does not grow. The
part that every run takes, however few frames it has (start-up, libraries, report), makes it smaller than 1, so it is
also given between the two largest numbers alone.
"""

from __future__ import annotations

import argparse
import math
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from rich.console import Console
from rich.table import Table
from series import shots_of, simulated
from timing import compared, peak_together_mib, run_command

from kitgauge.simulate.model import SimulatedKit, full_size_kit
from kitgauge.simulate.small import small_kit

PROTOCOLS = ("noise-ladder", "aperture-sweep", "handheld-shutter")


def exponent(frames: Sequence[int], taken: Sequence[float]) -> float:
    """Return the slope of the least-squares line through log(taken) against log(frames); NaN of fewer than two."""
    x, y = [math.log(n) for n in frames], [math.log(value) for value in taken]
    if len(x) < 2:
        return math.nan
    middle_x, middle_y = sum(x) / len(x), sum(y) / len(y)
    spread = sum((a - middle_x) ** 2 for a in x)
    return sum((a - middle_x) * (b - middle_y) for a, b in zip(x, y, strict=True)) / spread


def growth_table(protocols: Sequence[str], kit: SimulatedKit, factors: Sequence[int], repeat: int) -> Table:
    """Return the table of these protocols with so many times two frames of each setting."""
    rows, columns = kit.shape
    table = Table(
        "protocol", "frames", "run, s", "run / decode", "peak MiB",
        "exponent: wall", "processor", "decode", "memory", "processor, last two",
        title=f"Growth with the number of frames: {rows * columns / 1e6:.1f} megapixels",
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as temporary:
        for protocol in protocols:
            frames, runs, peaks = [], [], []
            for factor in sorted(factors):
                shots = [replace(shot, frames=2 * factor) for shot in shots_of(protocol, kit)]
                folder = simulated(Path(temporary) / f"{protocol}-{factor}", kit, shots)
                frames.append(sum(path.is_file() for path in folder.rglob("*")))
                runs.append(compared(protocol, folder, Path(temporary) / f"{protocol}-{factor}-run", repeat))
                peaks.append(
                    peak_together_mib(run_command(protocol, folder, Path(temporary) / f"{folder.name}-memory"))
                )
                shutil.rmtree(folder)
            cpu_s = [took.run.cpu_s for took in runs]
            exponents = [
                exponent(frames, [took.run.wall_s for took in runs]),
                exponent(frames, cpu_s),
                exponent(frames, [took.decode.wall_s for took in runs]),
                exponent(frames, peaks),
                exponent(frames[-2:], cpu_s[-2:]),
            ]
            for number, took in enumerate(runs):
                last = number == len(runs) - 1
                table.add_row(
                    protocol if number == 0 else "",
                    str(frames[number]),
                    f"{took.run.wall_s:.2f}",
                    f"{took.wall_ratio:.2f}",
                    f"{peaks[number]:.0f}",
                    *(f"{value:.2f}" if last else "" for value in exponents),
                )
    return table


def main() -> None:
    """Run the bench and print its table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("protocols", nargs="*", metavar="PROTOCOL", help=f"default: {', '.join(PROTOCOLS)}")
    parser.add_argument("--factors", type=int, nargs="+", default=[1, 4, 16], help="times two frames of each setting")
    parser.add_argument("--quick", action="store_true", help="small frames")
    parser.add_argument("--repeat", type=int, default=1, help="timings of each; the median counts")
    arguments = parser.parse_args()
    kit = small_kit() if arguments.quick else full_size_kit()
    table = growth_table(arguments.protocols or PROTOCOLS, kit, arguments.factors, arguments.repeat)
    Console(width=140).print(table)


if __name__ == "__main__":
    main()
