"""The command `kitgauge batch`: many kits, a run for each, one fleet table."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from kitgauge import cli_options as options
from kitgauge.readable_text import tell

EXIT_ERROR, EXIT_PARTIAL = 1, 3
KitsFolder = Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder with a subfolder for each kit.")]
ForAll = Annotated[
    str | None,
    typer.Option(
        "--protocol", metavar="PROTOCOL", help="Protocol of kits whose folder has no subfolder named after one."
    ),
]


def batch(
    folder: KitsFolder,
    protocol: ForAll = None,
    out: options.Out = None,
    results: options.Results = Path("results"),
    criterion: options.Criterion = None,
    technique: options.HeldHow = None,
    workers: options.Workers = None,
    no_cache: options.NoCache = False,
    json_output: options.Json = False,
) -> None:
    """Measure many kits, a subfolder each, and say which body or lens differs from its siblings.

    A kit's folder holds subfolders named after protocols (noise-ladder, aperture-sweep ...), or frames of --protocol.

    Examples:

      kitgauge batch frames/rental-shelf

      kitgauge batch frames/class-of-may --protocol noise-quick --out may
    """
    from kitgauge.limits.criteria import parse_criteria
    from kitgauge.report.progress import progress_display
    from kitgauge.runs.batch import DATA, PAGE, run_batch

    criteria = parse_criteria(criterion or [])
    with progress_display() as progress:
        done = run_batch(
            folder,
            protocol=protocol,
            out=out,
            results=results,
            criteria=criteria,
            technique=technique,
            workers=workers,
            use_cache=not no_cache,
            progress=progress,
        )
    if json_output:
        sys.stdout.write((done.folder / DATA).read_text(encoding="utf-8").encode("ascii", "backslashreplace").decode())
    else:
        from rich.console import Console

        from kitgauge.report.fleet_text import print_fleet

        print_fleet(done.fleet, Console())
        tell(f"Fleet: {done.folder / PAGE}")
    if done.status != "complete":
        raise typer.Exit(EXIT_ERROR if done.status == "failed" else EXIT_PARTIAL)
