"""Progress of long work on a terminal; silence in a pipe."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator


@contextlib.contextmanager
def progress_display() -> Iterator[Callable[[str, int, int], None]]:
    """Yield a function (stage, done, total) that draws one line per stage on standard error, if that is a terminal."""
    if not sys.stderr.isatty():
        yield lambda _stage, _done, _total: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeElapsedColumn

    display = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        console=Console(stderr=True),
        transient=True,
    )
    stages: dict[str, TaskID] = {}

    def show(stage: str, done: int, total: int) -> None:
        if stage not in stages:
            stages[stage] = display.add_task(stage, total=total)
        display.update(stages[stage], completed=done, total=total)

    with display:
        yield show
