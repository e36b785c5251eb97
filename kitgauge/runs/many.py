"""Many folders of frames, a run for each: what fails is named, and stops nothing but itself."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path

from kitgauge import runner
from kitgauge.errors import IngestError, KitgaugeError
from kitgauge.limits.criteria import Criteria
from kitgauge.report import wording
from kitgauge.runs.outcome import Run

_INTERRUPTED = "interrupted"


@dataclass(frozen=True)
class Job:
    """One run to do: what it is called, protocol, frames, and the folder of its results."""

    name: str
    protocol: str | Path
    frames: Path
    out: Path


@dataclass(frozen=True)
class Ended:
    """How a job ended: "complete"; "partial" where something is missing; "failed" where there is no run."""

    job: Job
    status: str
    reason: str
    fix: str
    run: Run | None


def run_each(
    jobs: Sequence[Job],
    *,
    results: str | Path,
    executor: Executor,
    workers: int,
    use_cache: bool,
    criteria: Criteria | None = None,
    technique: str | None = None,
    progress: Callable[[str, int, int], None] | None = None,
) -> Iterator[Ended]:
    """Yield how each job ended, one after the other; once interrupted (Ctrl-C), the rest is not begun."""
    tell = progress or (lambda _stage, _done, _total: None)
    stopped = False
    for job in jobs:
        if stopped:
            yield Ended(job, "failed", "not measured: interrupted", "", None)
            continue
        try:
            run = runner.run(
                job.protocol,
                job.frames,
                out=job.out,
                results=results,
                criteria=criteria,
                technique=technique,
                workers=workers,
                executor=executor,
                use_cache=use_cache,
                progress=lambda stage, done, total, name=job.name: tell(f"{name}: {stage}", done, total),  # type: ignore[misc]
            )
        except KitgaugeError as error:
            stopped = error.what.startswith(_INTERRUPTED)
            reason = f"{error.what} ({error.got})" if error.got else error.what
            yield Ended(job, "failed", reason, error.fix or "", None)
            continue
        stopped = run.reason.startswith(_INTERRUPTED)
        left_out = [f"{record.file}: {record.reason}" for record in run.records if record.status != "used"]
        reasons = [run.reason] if run.reason else []
        reasons += [wording.listing(left_out, 2)] if left_out else []
        yield Ended(job, "partial" if left_out else run.status, "; ".join(reasons), "", run)


def subfolders(folder: Path, *, what: str, needed: str, fix: str) -> list[str]:
    """Return the names of the subfolders of `folder`, sorted; IngestError where there are none (no `what`)."""
    try:
        names = sorted(path.name for path in folder.iterdir() if path.is_dir() and not path.name.startswith("."))
    except OSError as error:
        raise IngestError(
            "the folder cannot be read", where=folder, got=error.strerror, needed=needed, fix="check the path"
        ) from error
    if not names:
        raise IngestError("no subfolders in this folder", where=folder, got=f"no {what}", needed=needed, fix=fix)
    return names
