"""The command `kitgauge verify`: work a run out again from its frames and compare."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from kitgauge import cli_options as options

EXIT_ERROR = 1
FramesNow = Annotated[
    Path | None, typer.Option("--frames", metavar="FOLDER", help="Where the frames of the run are now, if moved.")
]


def verify(
    run_folder: options.RunFolder,
    frames: FramesNow = None,
    workers: options.Workers = None,
    json_output: options.Json = False,
) -> None:
    """Work a run out again from its frames, and compare every number with those it kept.

    Frames and protocol must have the content (SHA-256) that the run recorded. The report is made again from the new
    numbers and compared, and so are pictures and the log; files added or missing are told. Exit code 0: all the same,
    1: not.

    Examples:

      kitgauge verify results/my-body/noise-ladder-2026-01-31-101500

      kitgauge verify results/my-body/noise-ladder-2026-01-31-101500 --frames /media/archive/noise --json
    """
    from kitgauge.report.progress import progress_display
    from kitgauge.runs.verify import verify_run

    with progress_display() as progress:
        found = verify_run(run_folder, frames=frames, workers=workers, progress=progress)
    if json_output:
        from kitgauge.runs.files import to_json

        sys.stdout.write(to_json(found.as_dict(), ascii_only=True))
    else:
        from rich.console import Console

        from kitgauge.report.verify_text import print_verification

        print_verification(found, Console())
    if not found.same:
        raise typer.Exit(EXIT_ERROR)
