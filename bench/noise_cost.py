"""What the noise ladder costs: against decoding its frames, in memory, and as it grows.

    python bench/noise_cost.py [--frames FOLDER] [--sizes 9 36 144] [--repeat 3]

Simulates 24-megapixel ladders, uncompressed and lossless-compressed, then times, each in a process of its own,
(a) opening and unpacking every frame with rawpy in as many threads as the run has workers, and (b) a whole
`kitgauge run noise-ladder`: start-up, hashes, metadata, measuring, fits, report, from an empty cache. The two are timed
in turn, so that both see the same machine. The last table says where the time goes. Quote the ratios, not the times.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

from rich.console import Console
from rich.table import Table
from series import frame_mib, shots_of, simulated
from timing import WORKERS, compared, peak_together_mib, run_command

from kitgauge.protocol.shot_list import Shot
from kitgauge.simulate.dng import Compression
from kitgauge.simulate.model import SimulatedKit, full_size_kit

# what a run may take of the decode of its frames in as many threads, on two cores
TARGETS: dict[Compression, float] = {"none": 2.5, "lossless": 1.25}

# The parts of a run one after the other in one thread: what each costs, not how they overlap.
_PARTS = """
import sys, tempfile, time
from pathlib import Path
marks = [("", time.process_time())]
def mark(name):
    marks.append((name, time.process_time()))
import kitgauge.cli, kitgauge.runner, kitgauge.runs.noise
mark("start, libraries for measuring and fitting")
import matplotlib.figure, matplotlib.backends.backend_svg, jinja2, kitgauge.report.page
mark("libraries for the report")
import threadpoolctl
from kitgauge.frames.opening import open_frame
from kitgauge.ingest.iso_group import measure_iso_group
from kitgauge.ingest.scan import scan_folder
records = scan_folder(Path(sys.argv[1])).frames
mark("metadata and hashes")
for record in records:
    open_frame(record.path)
mark("opening the frames")
opening = marks[-1][1] - marks[-2][1]
with threadpoolctl.threadpool_limits(1):
    for iso in sorted({record.iso for record in records}):
        measure_iso_group([record for record in records if record.iso == iso])
mark("measuring them")
from kitgauge.report.page import write_report
write_report(Path(sys.argv[2]))
mark("report")
for (_, begin), (name, end) in zip(marks, marks[1:]):
    print(f"{end - begin - (opening if name == 'measuring them' else 0.0):.3f} {name}")
"""


def kit_of(compression: Compression) -> SimulatedKit:
    """Return a 24-megapixel kit with nine whole-stop ISO values: four frames at each make 36."""
    return replace(full_size_kit(compression), iso_range=(100.0, 25600.0))


def ladder(kit: SimulatedKit, frames: int) -> list[Shot]:
    """Return the flats and darks of a ladder of so many frames.

    36 are the protocol's own; fewer are the frames of some ISO values, more are more frames of each setting.
    """
    shots = shots_of("noise-ladder", kit)
    full = sum(shot.frames for shot in shots)
    if frames >= full:
        return [replace(shot, frames=shot.frames * frames // full) for shot in shots]
    isos = sorted({shot.iso for shot in shots if shot.iso is not None})
    per_iso = full // len(isos)
    kept = isos[:: len(isos) // (frames // per_iso)][: frames // per_iso]
    fewer = [shot for shot in shots if shot.iso in kept]
    # what is left over are more frames of the first setting
    return [replace(fewer[0], frames=fewer[0].frames + frames % per_iso), *fewer[1:]]


def parts_table(folder: Path, run: Path) -> Table:
    """Return where the processor time of a run goes."""
    done = subprocess.run(
        [sys.executable, "-c", _PARTS, str(folder), str(run)], capture_output=True, text=True, check=True
    )
    parts = [line.split(" ", 1) for line in done.stdout.splitlines()]
    whole = sum(float(seconds) for seconds, _ in parts)
    table = Table("part of the run", "processor time, s", "share", title=folder.name)
    for seconds, name in parts:
        table.add_row(name, f"{float(seconds):.2f}", f"{float(seconds) / whole:.0%}")
    return table


def main() -> None:
    """Run the bench and print its tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--frames", type=Path, help="keep the simulated frames here (default: a temporary folder)")
    parser.add_argument("--sizes", type=int, nargs="+", default=[9, 36, 144], help="frames in the ladder")
    parser.add_argument("--repeat", type=int, default=3, help="timings of each; the median counts")
    arguments = parser.parse_args()
    table = Table(
        "compression",
        "frames",
        "decode, s",
        "cores",
        "run, s",
        "cores",
        "run / decode",
        "may be",
        "run, peak MiB",
        "frames per worker",
        "decode, peak MiB",
    )
    shares: list[Table] = []
    with tempfile.TemporaryDirectory() as temporary:
        root = arguments.frames or Path(temporary)
        kit = replace(kit_of("none"), shape=(256, 384))
        small = simulated(Path(temporary) / "small", kit, ladder(kit, 36))
        libraries_mib = peak_together_mib(run_command("noise-ladder", small, Path(temporary) / "small-run"))
        for compression, target in TARGETS.items():
            for frames in arguments.sizes:
                kit = kit_of(compression)
                folder = simulated(root / f"noise-ladder-{compression}-{frames}", kit, ladder(kit, frames))
                took = compared("noise-ladder", folder, Path(temporary) / f"{folder.name}-run", arguments.repeat)
                decode, run = took.decode, took.run
                peak_mib = peak_together_mib(run_command("noise-ladder", folder, Path(temporary) / "memory"))
                table.add_row(
                    compression,
                    str(frames),
                    f"{decode.wall_s:.2f}",
                    f"{decode.cores:.2f}",
                    f"{run.wall_s:.2f}",
                    f"{run.cores:.2f}",
                    f"{took.wall_ratio:.2f}",
                    f"{target:g}",
                    f"{peak_mib:.0f}",
                    f"{(peak_mib - libraries_mib) / WORKERS / frame_mib(kit):.1f}",
                    f"{decode.peak_mib:.0f}",
                )
                if decode.cores < 0.9 * WORKERS:
                    print(f"{folder.name}: other work kept the cores busy; repeat when it is quiet", file=sys.stderr)
                if frames == 36:
                    shares.append(parts_table(folder, Path(temporary) / f"{folder.name}-run-0"))
    console = Console(width=140)
    table.caption = (
        f"frames per worker: peak memory of all processes less that of a run of tiny frames ({libraries_mib:.0f} MiB)"
    )
    for one in (table, *shares):
        console.print(one)


if __name__ == "__main__":
    main()
