"""Work a run out again from its frames, and compare every number with those that were kept.

First the inputs: each frame and the protocol must have the content (SHA-256) that the run recorded. Then the same
frames are measured anew with the run's own parameters, nothing taken from the cache, and all that the run wrote is
compared: curves.json, run.json, frames.csv, the log, arrays, pictures, and the report, made again from the new numbers.
With the same code and libraries all must be equal to the last bit.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from kitgauge import runner
from kitgauge.errors import ResultsError, UsageError
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.scan import scan_folder
from kitgauge.ingest.worker_pool import default_workers
from kitgauge.limits.criteria import Criteria
from kitgauge.protocol.loading import LoadedProtocol, load_file, shipped_folder
from kitgauge.runs.files import (
    CURVES_FILE,
    FRAME_COLUMNS,
    FRAMES_FILE,
    PROTOCOL_FILE,
    RUN_FILE,
    read_json,
    temporary_folder,
)
from kitgauge.runs.provenance import code_sha256, hash_if_there, versions
from kitgauge.runs.reading import in_current_form
from kitgauge.runs.request import checked_request
from kitgauge.runs.same_numbers import RELATIVE_TOLERANCE, Comparison, Difference, compare_values
from kitgauge.runs.verify_files import FilesCompared, compared_files, compared_numbers

SCHEMA = 1
_CUT_SHORT = ("interrupted", "the folder of frames is gone")
_GIVEN = ("technique", "pitch_um", "body", "lens", "focal_mm", "teleconverter", "subject_name", "distance_m")
_RESULTS = "results"


@dataclass(frozen=True)
class Verification:
    """What came of it. `inputs_same` False: something the run was made from is gone or changed, and nothing was
    compared (`numbers` is None)."""

    run: Path
    protocol: str
    frames_folder: Path
    frames: int  # that the run took in
    missing: tuple[str, ...]
    changed: tuple[str, ...]
    not_hashed: tuple[str, ...]  # the run could not read them
    since_added: int  # frames in the folder now that the run does not know
    inputs: Mapping[str, str]  # protocol, settings file, accepted limits: "same", "changed", "missing"
    versions: Mapping[str, tuple[str | None, str | None]]  # then and now, where they differ
    older_form: str
    tolerance: float
    numbers: Comparison | None
    rows: tuple[Difference, ...]  # of frames.csv
    files: FilesCompared | None

    @property
    def inputs_same(self) -> bool:
        """Whether everything that the run was made from is there with the content it had."""
        return not self.missing and not self.changed and set(self.inputs.values()) <= {"same"}

    @property
    def same(self) -> bool:
        """Whether the run was worked out again with the same results."""
        return not self.numbers_differ and self.files is not None and not self.files.differences

    @property
    def numbers_differ(self) -> bool:
        """Whether a number, mark or sentence in curves.json, run.json, frames.csv, log or arrays is not the same."""
        return self.numbers is None or bool(self.numbers.differences or self.rows)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        numbers, files = self.numbers, self.files
        return {
            "schema": SCHEMA,
            "run": str(self.run),
            "protocol": self.protocol,
            "same": self.same,
            "frames_folder": str(self.frames_folder),
            "frames": self.frames,
            "missing": list(self.missing),
            "changed": list(self.changed),
            "not_hashed": list(self.not_hashed),
            "since_added": self.since_added,
            "inputs": dict(self.inputs),
            "versions": {name: {"then": then, "now": now} for name, (then, now) in self.versions.items()},
            "older_form": self.older_form or None,
            "tolerance": self.tolerance,
            "compared": None
            if numbers is None
            else {
                "numbers": numbers.numbers,
                "equal": numbers.equal,
                "largest_relative": numbers.largest_relative,
                "differences": [_difference(item) for item in (*numbers.differences, *self.rows)],
            },
            "files": None
            if files is None
            else {
                "same": list(files.same),
                "missing": list(files.missing),
                "added": list(files.added),
                "differences": [_difference(item) for item in files.differences],
            },
        }


def verify_run(
    run: str | Path,
    *,
    frames: str | Path | None = None,
    workers: int | None = None,
    progress: runner.Progress | None = None,
) -> Verification:
    """Check the inputs of the finished run in folder `run`, work it out again, and compare.

    `frames` is where its frames are now, if they have moved. Raises ResultsError for a folder without a finished run,
    and where the folder of frames is not there; KitgaugeErrors of a run that cannot be repeated.
    """
    run = Path(run)
    tell = progress or (lambda _stage, _done, _total: None)
    head, older = _head(run)
    given = _mapping(head.get("settings"))
    rows = _rows(run / FRAMES_FILE)
    folder = Path(frames) if frames is not None else _at_the_time(given, "frames")
    if folder is None or not folder.is_dir():
        raise ResultsError(
            "the frames of this run are not where they were",
            where=run,
            got=f"no folder {folder}" if folder else "no folder recorded",
            needed="the folder of frames that the run was made from",
            fix="say where they are now: --frames FOLDER",
        )
    workers = workers or default_workers()
    hashed = _hashes(folder, [row["file"] for row in rows], workers, partial(tell, "checking frames"))
    missing = tuple(row["file"] for row in rows if row["sha256"] and hashed[row["file"]] is None)
    changed = tuple(row["file"] for row in rows if row["sha256"] and hashed[row["file"]] not in (None, row["sha256"]))
    protocol, state = _protocol(run, head)
    inputs = {"protocol": state, **_other_inputs(given)}
    differing = _differing_versions(head)
    found = Verification(
        run=run,
        protocol=str(read_json(run / CURVES_FILE).get("protocol")),
        frames_folder=folder,
        frames=len(rows),
        missing=missing,
        changed=changed,
        not_hashed=tuple(row["file"] for row in rows if not row["sha256"]),
        since_added=0,
        inputs=inputs,
        versions=differing,
        older_form=older,
        tolerance=RELATIVE_TOLERANCE if differing else 0.0,
        numbers=None,
        rows=(),
        files=None,
    )
    if not found.inputs_same or protocol is None:
        return found
    with temporary_folder() as temporary:
        added = _again(protocol, folder, rows, given, temporary, workers, tell)
        numbers = compared_numbers(run, temporary, found.tolerance)
        columns = tuple(name for name in FRAME_COLUMNS if name != "sha256" and not (differing and name == "reason"))
        now_rows = _by_file(_rows(temporary / FRAMES_FILE), columns)
        different = compare_values(_by_file(rows, columns), now_rows).differences
        found = replace(found, since_added=added, numbers=numbers, rows=different)
        files = compared_files(
            run,
            temporary,
            protocol_sha256=protocol.sha256,
            numbers_kept=bool(differing) and not found.numbers_differ,
        )
    return replace(found, files=files)


def _head(run: Path) -> tuple[dict[str, Any], str]:
    """Return run.json in the form of today, and what to tell of an older form; ResultsError for an unfinished run."""
    head = read_json(run / RUN_FILE)
    older = in_current_form(run / RUN_FILE, json.loads((run / RUN_FILE).read_bytes().decode("utf-8", "replace")))[1]
    status, reason = str(head.get("status")), str(head.get("reason") or "")
    if status not in ("complete", "partial") or reason.startswith(_CUT_SHORT):
        raise ResultsError(
            "this run was not finished: there is nothing to verify",
            where=run,
            got=reason.partition("\n")[0] or f"status {status}",
            needed="a run that ended by itself",
            fix="run the protocol again on its frames",
        )
    return head, older


def _again(
    protocol: LoadedProtocol,
    folder: Path,
    rows: list[dict[str, str]],
    given: Mapping[str, Any],
    out: Path,
    workers: int,
    tell: runner.Progress,
) -> int:
    """Run the protocol again into `out`; return how many frames are in the folder that the run did not take in."""
    try:
        criteria = Criteria(**_mapping(given.get("criteria")))
    except (TypeError, UsageError) as error:
        raise ResultsError(
            "the criteria of this run cannot be read", where=RUN_FILE, got=error, fix="run the protocol again"
        ) from error
    request = checked_request(
        protocol.source,
        folder,
        out=out,
        results=_at_the_time(given, _RESULTS) or Path(_RESULTS),
        criteria=criteria,
        settings=_at_the_time(given, "settings_file"),
        workers=workers,
        regions=given.get("regions") or (),
        use_cache=False,
        **{key: given.get(key) for key in _GIVEN},
    )
    known = {row["file"] for row in rows}
    with runner.workers_for(request) as executor:
        scan = scan_folder(
            folder,
            request.settings,
            executor=executor,
            at_once=2 * workers,
            only=known,
            progress=lambda done, total: tell("reading metadata", done, total),
        )
        runner.run_scanned(request, scan, MeasurementCache(None), executor, report=False, progress=tell)
    return len(_frames_in(folder).keys() - known)


def _rows(path: Path) -> list[dict[str, str]]:
    """Return the rows of frames.csv. Raises ResultsError if it cannot be read."""
    try:
        with path.open(encoding="utf-8", errors="surrogateescape", newline="") as file:
            rows = [{key: value or "" for key, value in row.items() if key} for row in csv.DictReader(file)]
    except (OSError, csv.Error) as error:
        raise ResultsError("the list of frames cannot be read", where=path, got=error) from error
    if not rows or not all(row.get("file") and "sha256" in row for row in rows):
        raise ResultsError(
            "the list of frames does not name frames",
            where=path,
            needed="a row for each frame, with file and sha256",
            fix="run the protocol again",
        )
    return rows


def _by_file(rows: list[dict[str, str]], columns: tuple[str, ...]) -> dict[str, Any]:
    of_file = {f"{FRAMES_FILE}, {row['file']}": {key: row.get(key, "") for key in columns[1:]} for row in rows}
    return {f"{FRAMES_FILE}, how many rows": str(len(rows)), **of_file}


def _hashes(folder: Path, files: list[str], workers: int, tell: Callable[[int, int], None]) -> dict[str, str | None]:
    """Return the SHA-256 of each file, None where it is not among the frames of the folder.

    What a row names is looked up among these and never opened as a path: it leads nowhere else.
    """
    there = _frames_in(folder)
    found: dict[str, str | None] = dict.fromkeys(files)
    known = [file for file in found if file in there]
    with ThreadPoolExecutor(workers) as pool:  # hashing lets go of the interpreter's lock
        digests = pool.map(hash_if_there, [there[file] for file in known])
        for number, (file, digest) in enumerate(zip(known, digests, strict=True), 1):
            found[file] = digest
            tell(number, len(known))
    return found


def _frames_in(folder: Path) -> dict[str, Path]:
    """Return the frames in a folder by their path below it, as frames.csv names them."""
    from kitgauge.frames.opening import frame_paths

    return {path.relative_to(folder).as_posix(): path for path in frame_paths(folder).frames}


def _protocol(run: Path, head: Mapping[str, Any]) -> tuple[LoadedProtocol | None, str]:
    """Return the protocol with the content that the run recorded, and "same", "changed" or "missing"."""
    recorded = _mapping(head.get("protocol"))
    source = recorded.get("source")
    shipped = (path for path in shipped_folder().glob("*.toml") if path.stem == recorded.get("id"))
    candidates = [run / PROTOCOL_FILE, *shipped]
    if source:
        place = Path(str(_mapping(head.get("settings")).get("working_folder") or "."))
        candidates.append(place / str(source))
    hashes = [hash_if_there(path) for path in candidates]
    for path, digest in zip(candidates, hashes, strict=True):
        if digest is not None and digest == recorded.get("sha256"):
            return load_file(path), "same"
    return None, "changed" if any(hashes) else "missing"


def _other_inputs(given: Mapping[str, Any]) -> dict[str, str]:
    """Return what became of the settings file and the accepted limits, where the run used them."""
    found: dict[str, str] = {}
    for name, key in (("settings file", "settings"), ("accepted limits", "limits")):
        path = _at_the_time(given, f"{key}_file")
        if path is not None:
            digest, recorded = hash_if_there(path), given.get(f"{key}_sha256")
            found[name] = "same" if digest == recorded else "missing" if digest is None else "changed"
    return found


def _differing_versions(head: Mapping[str, Any]) -> dict[str, tuple[str | None, str | None]]:
    """Return what computes numbers and is of another version now: kitgauge, its code, Python, libraries."""
    import kitgauge

    then = {str(name): str(value) for name, value in _mapping(head.get("versions")).items()}
    now = versions()
    differing: dict[str, tuple[str | None, str | None]] = {
        name: (then.get(name), value) for name, value in now.items() if then.get(name) != value
    }
    if head.get("kitgauge_version") != kitgauge.__version__:
        differing["kitgauge"] = (str(head.get("kitgauge_version")), kitgauge.__version__)
    elif head.get("code_sha256") != code_sha256():
        known = head.get("code_sha256")
        differing["kitgauge's code"] = (None if known is None else str(known)[:12], code_sha256()[:12])
    return differing


def _at_the_time(given: Mapping[str, Any], key: str) -> Path | None:
    """Return a path that was given, as seen from the folder the run was started in."""
    value = given.get(key)
    return Path(str(given.get("working_folder") or ".")) / str(value) if value else None


def _mapping(value: object) -> dict[str, Any]:
    return {str(key): item for key, item in value.items()} if isinstance(value, Mapping) else {}


def _difference(item: Difference) -> dict[str, Any]:
    found = {key: None if repr(value) == "nothing" else value for key, value in asdict(item).items()}
    return {**found, "relative": item.relative}
