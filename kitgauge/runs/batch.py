"""Many kits at once: a folder with a subfolder for each, a run for every protocol in it, and one page for the fleet."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import quote

from kitgauge.atomic import write_together
from kitgauge.ingest.worker_pool import default_workers, start_workers
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.fleet import LEAST_UNITS, Deviation, fleet_deviations
from kitgauge.limits.fleet_numbers import MainNumber, Measured, compared, main_numbers
from kitgauge.limits.kit_folder import kit_folder_name
from kitgauge.protocol.loading import LoadedProtocol, load_protocol, shipped_protocols
from kitgauge.runs.files import make_folder, new_run_folder, now, to_json
from kitgauge.runs.many import Ended, Job, run_each, subfolders

SCHEMA = 1
PAGE, DATA = "fleet.html", "fleet.json"
_NEEDED = "a folder with a subfolder for each kit"


@dataclass(frozen=True)
class Batch:
    """The runs of many kits: the folder of the overview, and `fleet`, the content of fleet.json."""

    folder: Path
    fleet: dict[str, Any]

    @property
    def status(self) -> str:
        """ "complete"; "partial" where something is missing; "failed" where nothing could be measured."""
        states = {run["status"] for kit in self.fleet["kits"] for run in kit["runs"]}
        if states <= {"failed"}:
            return "failed"
        return "complete" if states == {"complete"} else "partial"


@dataclass
class _Kept:
    """What is kept of the runs: little, so that memory does not grow with the frames of a fleet."""

    rows: dict[str, list[dict[str, Any]]] = field(default_factory=dict)  # kit -> its runs
    # protocol, siblings -> kit -> numbers
    groups: dict[tuple[str, str], dict[str, tuple[MainNumber, ...]]] = field(default_factory=dict)
    bodies: dict[str, list[str]] = field(default_factory=dict)  # body and serial number -> kits


def run_batch(
    folder: str | Path,
    *,
    protocol: str | Path | None = None,
    out: str | Path | None = None,
    results: str | Path = "results",
    criteria: Criteria | None = None,
    technique: str | None = None,
    workers: int | None = None,
    use_cache: bool = True,
    progress: Callable[[str, int, int], None] | None = None,
) -> Batch:
    """Run every kit in `folder` (a subfolder each), compare them with each other, and write the fleet's page.

    A kit's frames lie in subfolders named after protocols; where they do not, all of them are frames of `protocol`.
    What cannot be used is named with the reason and stops nothing else. Results go to `out`, else to a new folder
    below `results`. Raises IngestError for a folder without subfolders, and KitgaugeErrors where nothing can be written
    or the protocol cannot be read.
    """
    folder = Path(folder)
    given = None if protocol is None else load_protocol(protocol)
    kits = subfolders(
        folder, what="kit", needed=_NEEDED, fix="give each kit's frames a subfolder; for a single kit use kitgauge run"
    )
    target = new_run_folder(Path(results), "fleets", "batch") if out is None else Path(out)
    make_folder(target)
    workers = workers or default_workers()
    kept = _Kept()
    jobs = [job for number, kit in enumerate(kits, start=1) for job in _jobs(kit, number, folder, target, given, kept)]
    kit_of = {job.out: job.out.parent.name for job in jobs}
    names = {f"{number:02d}-{kit_folder_name(kit)}": kit for number, kit in enumerate(kits, start=1)}
    with start_workers(workers, ("rawpy",)) as executor:
        for ended in run_each(
            jobs,
            results=results,
            executor=executor,
            workers=workers,
            use_cache=use_cache,
            criteria=criteria,
            technique=technique,
            progress=progress,
        ):
            _keep(kept, names[kit_of[ended.job.out]], ended, target)
    fleet = {
        "schema": SCHEMA,
        "folder": str(folder),
        "made_at": now(),
        "kits": [{"kit": kit, "runs": kept.rows.get(kit, [])} for kit in kits],
        **_compared(kept.groups),
        "notes": [
            f"{', '.join(kits)} hold frames of one body, {body}: they are no siblings of each other"
            for body, kits in kept.bodies.items()
            if len(kits) > 1
        ],
    }
    from kitgauge.report.fleet_page import fleet_page

    page = fleet_page(fleet).encode("utf-8", errors="replace")
    write_together({target / DATA: to_json(fleet), target / PAGE: page})
    return Batch(target, fleet)


def _jobs(kit: str, number: int, folder: Path, target: Path, given: LoadedProtocol | None, kept: _Kept) -> list[Job]:
    """Return the runs of one kit; what cannot be run goes to `kept` with the reason."""
    own = target / f"{number:02d}-{kit_folder_name(kit)}"
    known = {loaded.protocol.id: loaded for loaded in shipped_protocols()}
    if given is not None:
        known[given.protocol.id] = given
    inside = sorted(path for path in (folder / kit).iterdir() if path.is_dir() and not path.name.startswith("."))
    named = {path: known[path.name.casefold()] for path in inside if path.name.casefold() in known}
    if named:
        kept.rows.setdefault(kit, []).extend(
            _row(path.name, "failed", "no protocol has this name", "rename the folder, or move it away")
            for path in inside
            if path not in named
        )
        return [
            Job(f"{kit}, {loaded.protocol.id}", loaded.source, path, own / loaded.protocol.id)
            for path, loaded in named.items()
        ]
    if given is None:
        kept.rows.setdefault(kit, []).append(
            _row(
                "",
                "failed",
                "no subfolder is named after a protocol",
                "name subfolders after protocols (see kitgauge protocols), or give --protocol",
            )
        )
        return []
    return [Job(kit, given.source, folder / kit, own / given.protocol.id)]


def _row(protocol: str, status: str, reason: str, fix: str) -> dict[str, Any]:
    return {
        "protocol": protocol, "status": status, "reason": reason, "fix": fix, "run": None, "page": None,
        "body": None, "body_serial": None, "lens": None, "siblings": None, "limits": [], "numbers": [],
    }  # fmt: skip


def _keep(kept: _Kept, kit: str, ended: Ended, target: Path) -> None:
    """Keep what the fleet needs of a run that has ended."""
    row = _row(ended.job.out.name, ended.status, ended.reason, ended.fix)
    kept.rows.setdefault(kit, []).append(row)
    if ended.run is None:
        return
    curves = ended.run.curves
    measured = main_numbers(curves)
    own = ended.job.out.relative_to(target).as_posix()
    described = curves["kit"]
    row |= {
        "run": own,
        "page": f"{quote(own)}/report.html",
        "body": described["body"],
        "body_serial": described["body_serial"],
        "lens": described["lens"],
        "siblings": measured.siblings,
        "limits": [limit.text for limit in ended.run.limits],
        "numbers": [
            {"name": item.name, "unit": item.unit, "value": item.value, "stderr": item.stderr}
            for item in measured.numbers
        ],
    }
    _group(kept, kit, ended.job.out.name, measured)
    if described["body_serial"]:
        kits = kept.bodies.setdefault(f"{described['body']} #{described['body_serial']}", [])
        if kit not in kits:
            kits.append(kit)


def _group(kept: _Kept, kit: str, protocol: str, measured: Measured) -> None:
    if measured.siblings is not None and measured.numbers:
        kept.groups.setdefault((protocol, measured.siblings), {})[kit] = measured.numbers


def _compared(groups: Mapping[tuple[str, str], Mapping[str, tuple[MainNumber, ...]]]) -> dict[str, Any]:
    """Return the groups of siblings, and every number of every unit against them, all judged together."""
    table: dict[str, dict[str, tuple[float, float]]] = {}
    place: dict[str, tuple[int, MainNumber]] = {}
    listed = []
    for index, ((protocol, siblings), units) in enumerate(groups.items()):
        names = compared(units)
        listed.append(
            {
                "protocol": protocol,
                "siblings": siblings,
                "kits": list(units),
                "numbers": names,
                "enough": len(units) >= LEAST_UNITS,
            }
        )
        for name in names:
            column = {kit: item for kit, numbers in units.items() for item in numbers if item.name == name}
            key = f"{index} {name}"
            place[key] = index, next(iter(column.values()))
            table[key] = {kit: item.log2 for kit, item in column.items()}
    found = fleet_deviations(table)
    judged = sum(1 for item in found if math.isfinite(item.p))
    return {
        "groups": listed,
        "comparisons": judged,
        "deviations": [_deviation(item, *place[item.number], listed) for item in found],
    }


def _deviation(item: Deviation, group: int, number: MainNumber, groups: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "kit": item.unit,
        "protocol": groups[group]["protocol"],
        "group": group,
        "number": number.name,
        "unit": number.unit,
        "in_stops": number.in_stops,
        "siblings": item.siblings,
        "value": 2.0**item.value,
        "expected": 2.0**item.expected,
        "difference_log2": item.difference,
        "stderr_log2": item.stderr,
        "spread_log2": item.spread,
        "seen_from_log2": item.seen_from,
        "z": item.z,
        "p": item.p,
        "p_together": item.p_together,
        "differs": item.real,
    }
