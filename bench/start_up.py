"""How long commands take to start, against the bare interpreter and against the library that parses them.

    python bench/start_up.py [--repeat N]

Everything is started in turn, so that all see the same machine. Processor time is compared: on a busy machine the wall
clock tells of others. "Interpreter + typer" imports typer and does nothing with it.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from rich.console import Console
from rich.table import Table
from timing import Timing, timed


def commands(results: Path) -> dict[str, list[str]]:
    """Return what is timed: name -> command. No results lie in `results`."""
    kitgauge = [sys.executable, "-m", "kitgauge"]
    plan = ["plan", "--light", "ev9.5", "--focal", "50", "--distance", "2", "--results", str(results)]
    return {
        "interpreter": [sys.executable, "-c", "pass"],
        "interpreter + typer": [sys.executable, "-c", "import typer"],
        "kitgauge --version": [*kitgauge, "--version"],
        "kitgauge --help": [*kitgauge, "--help"],
        "kitgauge plan": [*kitgauge, *plan],
        "kitgauge plan --json": [*kitgauge, *plan, "--json"],
        "kitgauge brief": [*kitgauge, "brief", "noise-ladder"],
        "import kitgauge": [sys.executable, "-c", "import kitgauge"],
    }


def start_up_table(repeat: int) -> Table:
    """Return the table: median processor time of each, and its ratios."""
    with tempfile.TemporaryDirectory() as temporary:
        timed_commands = commands(Path(temporary))
        taken: dict[str, list[Timing]] = {name: [] for name in timed_commands}
        for _ in range(repeat):
            for name, command in timed_commands.items():
                taken[name].append(timed(command))
    failed = {name for name, timings in taken.items() for timing in timings if timing.code != 0}
    if failed:
        raise SystemExit(f"these ended with an error: {', '.join(sorted(failed))}")
    cpu_s = {name: sorted(timing.cpu_s for timing in timings)[repeat // 2] for name, timings in taken.items()}
    table = Table("", "processor time, ms", "/ interpreter", "/ interpreter + typer", "memory, MiB", title="Start-up")
    for name, seconds in cpu_s.items():
        table.add_row(
            name,
            f"{1000 * seconds:.0f}",
            f"{seconds / cpu_s['interpreter']:.1f}",
            f"{seconds / cpu_s['interpreter + typer']:.2f}",
            f"{taken[name][0].peak_mib:.0f}",
        )
    return table


def main() -> None:
    """Run the bench and print its table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeat", type=int, default=15, help="starts of each; the median counts")
    Console(width=140).print(start_up_table(parser.parse_args().repeat))


if __name__ == "__main__":
    main()
