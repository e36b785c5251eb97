"""The command `kitgauge class`: one practice protocol for a folder of learners."""

from __future__ import annotations

import sys
from pathlib import Path

import typer

from kitgauge import cli_options as options
from kitgauge.readable_text import tell

EXIT_ERROR, EXIT_PARTIAL = 1, 3


def class_(
    protocol: options.Protocol,
    folder: options.ClassFolder,
    out: options.Out = None,
    results: options.Results = Path("results"),
    workers: options.Workers = None,
    no_cache: options.NoCache = False,
    json_output: options.Json = False,
) -> None:
    """Run a protocol for a class: each subfolder holds one learner's frames; one page lists them all.

    Examples:

      kitgauge class practice-shutter frames/class-of-may

      kitgauge class practice-choice frames/class-of-may --out may --json
    """
    from kitgauge.class_run import DATA, PAGE, run_class
    from kitgauge.report.progress import progress_display

    with progress_display() as progress:
        done = run_class(
            protocol, folder, out=out, results=results, workers=workers, use_cache=not no_cache, progress=progress
        )
    if json_output:
        sys.stdout.write((done.folder / DATA).read_text(encoding="utf-8").encode("ascii", "backslashreplace").decode())
    else:
        from rich.console import Console

        from kitgauge.report.class_text import print_class

        print_class(done.overview, Console())
        tell(f"Overview: {done.folder / PAGE}")
    if done.status != "complete":
        raise typer.Exit(EXIT_ERROR if done.status == "failed" else EXIT_PARTIAL)
