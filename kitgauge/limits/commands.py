"""What `kitgauge limits` does: find the kit, read its limits file, show, accept or drop. Returns text to print."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from kitgauge.errors import LimitsError, ResultsError, UsageError
from kitgauge.limits.compare import compare
from kitgauge.limits.entries import SETTINGS, AcceptedLimit, entry_from_dict
from kitgauge.limits.kit_folder import UNKNOWN_KIT, chosen_kit, kit_folder
from kitgauge.limits.model import Limit
from kitgauge.limits.run_copy import run_in_kit
from kitgauge.limits.run_folders import run_folders
from kitgauge.limits.several import several, wrapped
from kitgauge.limits.store import FILE_NAME, Accepted, accept, alone_with, drop, read_limits
from kitgauge.runs.files import CURVES_FILE, read_json

DEFAULT_RESULTS = Path("results")
_RUN_AGAIN = "run the protocol again; curves.json is not meant to be changed by hand"


def limits_path(results: Path, kit: str | None) -> Path:
    """Return the limits file of `kit`, or of the only kit there is.

    Raises UsageError if that cannot be told, or if a `results` folder other than the default one is not there.
    """
    if results != DEFAULT_RESULTS and not results.is_dir():
        raise UsageError(
            "no such folder",
            where=f"--results {results}",
            needed="a folder with results of runs",
            fix="check its path, or leave --results out to use 'results' where you are",
        )
    folder = chosen_kit(results, kit)
    return (folder or results) / FILE_NAME  # no kit yet: there is no such file, and so no limits


def show_limits(results: Path, kit: str | None) -> str:
    """Return the accepted limits of a kit, numbered, or how to get some."""
    path = limits_path(results, kit)
    found = read_limits(path)
    if not found.limits:
        return (
            f"No accepted limits in {path.parent}.\n"
            "Measure some with 'kitgauge run PROTOCOL FOLDER', then 'kitgauge limits accept RUN'."
        )
    lines = [f"Accepted limits in {path}:"]
    for number, limit in enumerate(found.limits, 1):
        first, rest = f"  {number}. ", " " * 5
        lines += wrapped(limit.limit.text or limit.describe(), first, rest)
        lines += wrapped(_origin(limit), rest, rest)
    for sentence in several(found.limits):
        lines += wrapped(sentence, "", "  ")
    for note in run_folders(found).notes:
        lines += wrapped(f"Mind: {note}.", "", "  ")
    return "\n".join(lines)


def _origin(limit: AcceptedLimit) -> str:
    criterion = ", ".join(f"{key} {value:.4g}" for key, value in limit.limit.criterion.items())
    return f"{limit.body}; criterion {criterion}; run {limit.run}; accepted {limit.accepted_at.astimezone():%Y-%m-%d}"


def body_with_serial(kit: Mapping[str, Any]) -> str:
    """Return the body's name with its serial number, as limits files name it."""
    body = kit.get("body") or "unknown body"
    return f"{body} #{kit['body_serial']}" if kit.get("body_serial") else str(body)


def differences(limits: Sequence[Limit], kit: Mapping[str, Any], results: Path) -> list[str]:
    """Return a line for each of a run's limits that is accepted already: old, new, and the difference in stops."""
    accepted = read_limits(kit_folder(results, kit["name"]) / FILE_NAME).limits
    lines: list[str] = []
    for limit in limits:
        new = AcceptedLimit(limit, body_with_serial(kit), "", datetime.now(UTC))
        for old in accepted:
            if old.key == new.key:
                lines.append(
                    f"accepted so far: {old.describe()}; this run: {new.describe()}; "
                    f"difference {compare(old.limit, limit).text}"
                )
    return lines


def accept_run(run_folder: Path, results: Path | None, kit: str | None, *, replace: bool) -> str:
    """Accept all limits of the run in `run_folder` and return what changed.

    `results` None: the results folder in which the run lies, in a folder of its kit's name; else 'results'. Of a run
    that lies elsewhere a copy is kept in the kit's folder: plans read its curves there and nowhere else.
    Raises LimitsError, showing old, new and the difference, where an accepted limit would be replaced without
    `replace`; ResultsError if the run cannot be read or copied.
    """
    curves = read_json(run_folder / CURVES_FILE)
    found = limits_of(curves, run_folder / CURVES_FILE)
    if not found:
        raise LimitsError(
            "this run gives no limit",
            where=run_folder,
            needed="a run with limits",
            fix="see its report for the reason, and what to shoot again",
        )
    own = kit_of(curves, run_folder / CURVES_FILE)
    name = kit or own.get("name") or UNKNOWN_KIT
    around = run_folder.resolve().parent
    if results is None:
        results = around.parent if around.name == name else DEFAULT_RESULTS
    path = kit_folder(results, name) / FILE_NAME
    with alone_with(path), run_in_kit(run_folder, path.parent) as (run, is_copy):
        done = accept(path, run, found, body=body_with_serial(own), replace=replace)
    told = _told(done)
    if is_copy:
        said = f"Copied the results of the run to {path.parent / run}: its curves are read there for plans."
        told += "\n" + "\n".join(wrapped(said, "", "  "))
    if curves.get("status") == "partial":
        reasons = "; ".join(str(reason) for reason in curves.get("missing") or ())
        told += "\n" + "\n".join(wrapped(f"Mind: this run is not complete ({reasons or 'see its report'})", "", "  "))
    return told


def _told(done: Accepted) -> str:
    lines = [f"accepted: {limit.describe()}" for limit in done.added]
    for old, new, difference in done.replaced:
        lines.append(f"replaced: {old.describe()} by {new.describe()}; difference {difference.text}")
    lines += [f"unchanged: {limit.describe()}" for limit in done.unchanged]
    lines += several(read_limits(done.path).limits)
    lines.append(f"Limits file: {done.path}")
    return "\n".join(part for line in lines for part in wrapped(line, "", "  "))


def drop_limits(numbers: Sequence[int], results: Path, kit: str | None) -> str:
    """Drop the limits with these numbers and return what was dropped."""
    path = limits_path(results, kit)
    return "\n".join(f"dropped: {limit.describe()}" for limit in drop(path, numbers))


def limits_of(curves: Mapping[str, Any], where: Path) -> list[Limit]:
    """Return the limits in the content of the curves file `where`. Raises LimitsError for what is not a limit."""
    items = curves.get("limits") or []
    if not isinstance(items, list):
        raise LimitsError(
            "not a list of limits",
            where=f"{where}, key limits",
            got=type(items).__name__,
            needed="a list of limits, as kitgauge writes it",
            fix=_RUN_AGAIN,
        )
    return [limit_from_dict(item, f"{where}, limit {number}") for number, item in enumerate(items, 1)]


def kit_of(curves: Mapping[str, Any], where: Path) -> dict[str, Any]:
    """Return the kit in the content of the curves file `where`. Raises ResultsError if its names are not text."""
    kit = curves.get("kit") or {}
    if not isinstance(kit, dict):
        got, key = type(kit).__name__, "kit"
    else:
        wrong = [name for name in ("name", "body", "body_serial") if not isinstance(kit.get(name), str | None)]
        if not wrong:
            return kit
        got, key = type(kit[wrong[0]]).__name__, f"kit.{wrong[0]}"
    raise ResultsError(
        "the kit of this run cannot be read",
        where=f"{where}, key {key}",
        got=got,
        needed="the names of a kit, as kitgauge writes them",
        fix=_RUN_AGAIN,
    )


def limit_from_dict(values: Any, where: str = CURVES_FILE) -> Limit:
    """Return the Limit that `Limit.as_dict` wrote to the curves file `where`. Raises LimitsError if it is not one."""
    if not isinstance(values, Mapping):
        raise LimitsError(
            "not a limit",
            where=where,
            got=type(values).__name__,
            needed="a limit, as kitgauge writes it",
            fix=_RUN_AGAIN,
        )
    kind = values.get("kind")
    names = SETTINGS.get(kind, ()) if isinstance(kind, str) else ()
    known = {
        *names, *(f"{name}_dial" for name in names), "kind", "ci_low", "ci_high", "stderr_stops", "criterion", "lens",
        "focal_mm", "technique", "region", "flags", "text",
    }  # fmt: skip
    given = {key: value for key, value in values.items() if value is not None}
    entry = {
        "criterion": {},
        **{key: value for key, value in given.items() if key in known},
        "extra": {key: value for key, value in given.items() if key not in known},
        "body": "",
        "run": "",
        "accepted_at": datetime.now(UTC),
    }
    try:
        return entry_from_dict(entry, where).limit
    except LimitsError as error:
        raise LimitsError(error.what, where=error.where, got=error.got, needed=error.needed, fix=_RUN_AGAIN) from None
