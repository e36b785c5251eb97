"""Work a run out again from its frames, and compare every number with those that were kept.

First the inputs: each frame and the protocol must have the content (SHA-256) that the run recorded. Then the same
frames are measured anew with the run's own parameters, nothing taken from the cache, and curves.json, frames.csv and
the arrays are compared. With the same code and libraries all must be equal to the last bit.
"""

from __future__ import annotations

import csv
import json
import tempfile
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any

from kitgauge import runner
from kitgauge.errors import ResultsError, UsageError
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.scan import scan_folder
from kitgauge.limits.criteria import Criteria
from kitgauge.protocol.loading import LoadedProtocol, load_file, shipped_folder
from kitgauge.runs.files import CURVES_FILE, FRAMES_FILE, PROTOCOL_FILE, RUN_FILE, read_json
from kitgauge.runs.provenance import code_sha256, hash_if_there, versions
from kitgauge.runs.reading import in_current_form
from kitgauge.runs.request import checked_request
from kitgauge.runs.same_numbers import RELATIVE_TOLERANCE, Comparison, Difference, compare_values

SCHEMA = 1
_INTERRUPTED = "interrupted"
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

    @property
    def inputs_same(self) -> bool:
        """Whether everything that the run was made from is there with the content it had."""
        return not self.missing and not self.changed and set(self.inputs.values()) <= {"same"}

    @property
    def same(self) -> bool:
        """Whether the run was worked out again with the same results."""
        return self.numbers is not None and not self.numbers.differences and not self.rows

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        numbers = self.numbers
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
    then = read_json(run / CURVES_FILE)
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
    workers = workers or runner.default_workers()
    hashed = _hashes(folder, [row["file"] for row in rows], workers, partial(tell, "checking frames"))
    missing = tuple(row["file"] for row in rows if row["sha256"] and hashed[row["file"]] is None)
    changed = tuple(row["file"] for row in rows if row["sha256"] and hashed[row["file"]] not in (None, row["sha256"]))
    protocol, state = _protocol(run, head)
    inputs = {"protocol": state, **_other_inputs(given)}
    differing = _differing_versions(head)
    found = Verification(
        run=run,
        protocol=str(then.get("protocol")),
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
    )
    if not found.inputs_same or protocol is None:
        return found
    with tempfile.TemporaryDirectory(prefix="kitgauge-") as temporary:
        added = _again(protocol, folder, rows, given, Path(temporary), workers, tell)
        numbers = _compared(run, Path(temporary), then, found.tolerance)
        now_rows = _rows(Path(temporary) / FRAMES_FILE)
    columns = ("file", "step", "role", "status", "flags", *(() if differing else ("reason",)))
    different = compare_values(_by_file(rows, columns), _by_file(now_rows, columns)).differences
    return Verification(**{**vars(found), "since_added": added, "numbers": numbers, "rows": different})


def _head(run: Path) -> tuple[dict[str, Any], str]:
    """Return run.json in the form of today, and what to tell of an older form; ResultsError for an unfinished run."""
    head = read_json(run / RUN_FILE)
    older = in_current_form(run / RUN_FILE, json.loads((run / RUN_FILE).read_bytes().decode("utf-8", "replace")))[1]
    status, reason = str(head.get("status")), str(head.get("reason") or "")
    if status not in ("complete", "partial") or reason.startswith(_INTERRUPTED):
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
    from kitgauge.frames.opening import frame_paths

    there = {path.relative_to(folder).as_posix() for path in frame_paths(folder).frames}
    return len(there - known)


def _compared(run: Path, again: Path, then: Mapping[str, Any], tolerance: float) -> Comparison:
    """Compare curves.json, and the arrays that the run kept beside it."""
    kept, anew = {CURVES_FILE: dict(then)}, {CURVES_FILE: dict(read_json(again / CURVES_FILE))}
    for contents, folder in ((kept, run), (anew, again)):
        for path in sorted(folder.glob("*.npz")):
            contents[path.name] = _arrays(path)
    found = compare_values(kept, anew, tolerance)
    prefix = f"{CURVES_FILE}."
    shown = tuple(Difference(item.path.removeprefix(prefix), item.then, item.now) for item in found.differences)
    return Comparison(found.numbers, found.equal, shown, found.largest_relative)


def _arrays(path: Path) -> dict[str, Any]:
    import numpy as np

    from kitgauge.runs.files import plain

    try:
        with np.load(path, allow_pickle=False) as arrays:
            return {name: plain(arrays[name]) for name in arrays.files}
    except (OSError, ValueError, EOFError) as error:
        raise ResultsError(
            "an array of this run cannot be read", where=path, got=error, fix="run the protocol again"
        ) from error


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


def _by_file(rows: list[dict[str, str]], columns: tuple[str, ...]) -> dict[str, dict[str, str]]:
    return {f"{FRAMES_FILE}, {row['file']}": {key: row.get(key, "") for key in columns[1:]} for row in rows}


def _hashes(folder: Path, files: list[str], workers: int, tell: Callable[[int, int], None]) -> dict[str, str | None]:
    """Return the SHA-256 of each file, None where it is not there (or leads out of the folder)."""
    inside = folder.resolve()
    found: dict[str, str | None] = {}
    with ThreadPoolExecutor(workers) as pool:  # hashing lets go of the interpreter's lock
        paths = [folder / file for file in files]
        for file, path, digest in zip(files, paths, pool.map(hash_if_there, paths), strict=True):
            found[file] = digest if path.resolve().is_relative_to(inside) else None
            tell(len(found), len(files))
    return found


def _protocol(run: Path, head: Mapping[str, Any]) -> tuple[LoadedProtocol | None, str]:
    """Return the protocol with the content that the run recorded, and "same", "changed" or "missing"."""
    recorded = _mapping(head.get("protocol"))
    source = recorded.get("source")
    candidates = [run / PROTOCOL_FILE, shipped_folder() / f"{recorded.get('id')}.toml"]
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
