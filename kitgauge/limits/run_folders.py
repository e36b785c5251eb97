"""The folders of the runs that a limits file names: none is opened that does not lie in the kit's own folder.

Anybody may have written a limits file. A run is named in it by its path below the folder that the file lies in; a name
that leads out of that folder (absolute, by `..`, by a drive or a server, by a link on the way) is not followed. The
limit stands all the same, its number is in the file; the curves behind it are not read, and that is said.

Pure standard library.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import NamedTuple

from kitgauge.limits.entries import shown
from kitgauge.limits.reading import LimitsFile

_CURVES_FILE = "curves.json"
# absolute; a way up; what leads to drives, servers and streams on some systems; what no name should hold
_LEADS_OUT = re.compile(r"^/|(^|/)\.\.(/|$)|[\\:\x00-\x1f\x7f]")
_LONGEST_SHOWN = 300


class RunFolders(NamedTuple):
    """Run, as the limits file names it, to its folder, in the order of acceptance; and a sentence for each that is not
    opened."""

    folders: dict[str, Path]
    notes: tuple[str, ...]


def run_folders(file: LimitsFile) -> RunFolders:
    """Return the folders of the runs behind the limits of a file, later accepted ones last."""
    kit = file.path.parent
    folders: dict[str, Path] = {}
    notes: dict[str, None] = {}
    for limit in sorted(file.limits, key=lambda item: item.accepted_at):
        folder = folder_inside(kit, limit.run)
        if folder is None:
            notes[_not_read(limit.run)] = None
        else:
            folders[limit.run] = folder
    return RunFolders(folders, tuple(notes))


def folder_inside(kit: Path, run: str) -> Path | None:
    """Return the folder of the run called `run` in the folder `kit`, None where that, or its curves, lie outside."""
    if not run or _LEADS_OUT.search(run):
        return None
    folder = kit / run
    try:
        inside = (folder / _CURVES_FILE).resolve().is_relative_to(kit.resolve())
    except (OSError, RuntimeError, ValueError):  # links in a circle; a name that no file can have
        return None
    return folder if inside else None


def _not_read(run: str) -> str:
    name = run if run.isprintable() and len(run) <= _LONGEST_SHOWN else shown(run)
    return (
        f"the limits accepted from {name} hold, but the curves behind them are not read: that path leads out of the "
        "kit's folder. Accept that run again (kitgauge limits accept RUN), which keeps a copy of it there"
    )
