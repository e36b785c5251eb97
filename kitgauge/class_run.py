"""One practice protocol for a whole class: a folder with a subfolder for each learner, a run for each, one overview."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from kitgauge.atomic import write_together
from kitgauge.ingest.worker_pool import default_workers, start_workers
from kitgauge.limits.kit_folder import kit_folder_name
from kitgauge.protocol.loading import load_protocol
from kitgauge.report.class_page import class_page
from kitgauge.report.class_rows import learner_cells
from kitgauge.runs.files import SCHEMA, make_folder, new_run_folder, now, to_json
from kitgauge.runs.many import Job, run_each, subfolders

PAGE, DATA = "class.html", "class.json"


@dataclass(frozen=True)
class ClassRun:
    """The runs of a class: the folder of the overview, and `overview`, the content of class.json."""

    folder: Path
    overview: dict[str, Any]

    @property
    def status(self) -> str:
        """ "complete"; "partial" where something is missing; "failed" where no learner's frames could be measured."""
        states = {learner["status"] for learner in self.overview["learners"]}
        if states == {"failed"}:
            return "failed"
        return "complete" if states == {"complete"} else "partial"


def run_class(
    protocol: str | Path,
    folder: str | Path,
    *,
    out: str | Path | None = None,
    results: str | Path = "results",
    workers: int | None = None,
    use_cache: bool = True,
    progress: Callable[[str, int, int], None] | None = None,
) -> ClassRun:
    """Run `protocol` on every subfolder of `folder`, one per learner, and write an overview with links to their pages.

    A learner whose frames cannot be used is named with the reason and does not stop the others. Results go to `out`,
    else to a new folder below `results`. Raises IngestError for a folder without subfolders, and KitgaugeErrors where
    nothing can be written or the protocol cannot be read.
    """
    loaded = load_protocol(protocol)
    names = subfolders(
        Path(folder),
        what="learner",
        needed="a folder with a subfolder for each learner",
        fix="give each learner's frames a subfolder with the learner's name; for a single learner use kitgauge run",
    )
    workers = workers or default_workers()
    if out is None:
        target = new_run_folder(Path(results), "classes", loaded.protocol.id)
    else:
        target = Path(out)
        make_folder(target)
    jobs = [
        Job(name, loaded.source, Path(folder) / name, target / f"{number:02d}-{kit_folder_name(name)}")
        for number, name in enumerate(names, start=1)
    ]
    learners: list[dict[str, Any]] = []
    modules = ("rawpy", "kitgauge.ingest.practice_blur", "kitgauge.ingest.practice_frames")
    with start_workers(workers, modules) as executor:
        for ended in run_each(
            jobs, results=results, executor=executor, workers=workers, use_cache=use_cache, progress=progress
        ):
            own = None if ended.run is None else ended.job.out.name
            curves = {} if ended.run is None else ended.run.curves
            learners.append(_row(ended.job.name, ended.status, ended.reason, own, curves, ended.fix))
    overview = {
        "schema": SCHEMA,
        "protocol": loaded.protocol.id,
        "title": loaded.protocol.title,
        "folder": str(folder),
        "made_at": now(),
        "learners": learners,
        "cautions": list(loaded.protocol.cautions),
    }
    page = class_page(overview).encode("utf-8", errors="replace")
    write_together({target / DATA: to_json(overview), target / PAGE: page})
    return ClassRun(target, overview)


def _row(name: str, status: str, reason: str, own: str | None, curves: dict[str, Any], fix: str = "") -> dict[str, Any]:
    kit = curves.get("kit") or {}
    frames = (curves.get("practice") or {}).get("frames")
    return {
        "learner": name,
        "status": status,
        "reason": reason,
        "fix": fix,
        "run": own,
        "page": None if own is None else f"{quote(own)}/report.html",
        "camera": kit.get("body"),
        "frames": None if frames is None else len(frames),
        "results": learner_cells(curves) if curves else {},
    }
