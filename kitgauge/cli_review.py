"""The command `kitgauge review`: frames just taken, what went wrong, what to set next."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from kitgauge import cli_options as options
from kitgauge.readable_text import tell

_EXIT_ERROR, _EXIT_PARTIAL = 1, 3

ReviewPath = Annotated[Path, typer.Argument(metavar="FRAME|FOLDER", help="A frame, or a folder of frames.")]
LimitsFile = Annotated[
    Path | None, typer.Option("--limits", metavar="FILE", help="A limits file, instead of --kit and --results.")
]
ReviewPage = Annotated[
    Path | None, typer.Option("--out", metavar="FILE.html", help="Write a contact sheet with the reviews as a page.")
]


def review(
    frames: ReviewPath,
    limits: LimitsFile = None,
    kit: options.Kit = None,
    results: options.Results = Path("results"),
    technique: options.Technique = None,
    output_mp: options.OutputMp = None,
    pitch_um: options.PitchUm = None,
    workers: options.Workers = None,
    out: ReviewPage = None,
    json_output: options.Json = False,
) -> None:
    """Look at frames taken: exposure, noise, what blurred them and by how much, and what to set next.

    RAW and JPEG of one exposure are one picture. A folder makes a table, worst first.

    Examples:

      kitgauge review DSC0042.DNG

      kitgauge review frames/afternoon --results results --out afternoon.html
    """
    from kitgauge.ingest.worker_pool import prepare_workers

    prepare_workers()
    from kitgauge.report.progress import progress_display
    from kitgauge.review.folder import review as review_path

    with progress_display() as shown:
        found = review_path(
            frames,
            results,
            kit,
            limits=limits,
            technique=technique,
            output_mp=output_mp,
            pitch_um=pitch_um,
            workers=workers,
            progress=lambda done, total: shown("reviewing frames", done, total),
        )
    if json_output:
        from kitgauge.runs.files import to_json

        sys.stdout.write(to_json(found.as_dict(), ascii_only=True))
    else:
        from rich.console import Console

        from kitgauge.review.printing import print_review

        print_review(found, Console())
    if out is not None:  # what can be read without the page is said before
        from kitgauge.review.page import write_page

        write_page(out, found)
        if not json_output:
            tell(f"Contact sheet: {out}")
    if found.not_opened:
        raise typer.Exit(_EXIT_PARTIAL if found.frames else _EXIT_ERROR)
