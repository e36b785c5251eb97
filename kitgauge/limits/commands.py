"""What `kitgauge limits` does: find the kit, read its limits file, show, accept or drop. Returns text to print."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from kitgauge.errors import LimitsError, UsageError
from kitgauge.limits.compare import compare
from kitgauge.limits.entries import SETTINGS, AcceptedLimit
from kitgauge.limits.kit_folder import kit_folder, known_kits
from kitgauge.limits.model import Limit
from kitgauge.limits.store import FILE_NAME, Accepted, accept, drop, read_limits
from kitgauge.run_files import CURVES_FILE, read_json


def limits_path(results: Path, kit: str | None) -> Path:
    """Return the limits file of `kit`, or of the only kit there is. UsageError if that cannot be told."""
    if kit is not None:
        return kit_folder(results, kit) / FILE_NAME
    kits = known_kits(results)
    if len(kits) == 1:
        return results / kits[0] / FILE_NAME
    if not kits:
        return results / FILE_NAME  # no kit yet: there is no such file, and so no limits
    raise UsageError(
        "several kits have limits here",
        where=results,
        got="no --kit",
        needed=f"one of: {', '.join(kits)}",
        fix=f"give --kit {kits[0]}",
    )


def show_limits(results: Path, kit: str | None) -> str:
    """Return the accepted limits of a kit, numbered, or how to get some."""
    path = limits_path(results, kit)
    found = read_limits(path).limits
    if not found:
        return (
            f"No accepted limits in {path.parent}.\n"
            "Measure some with 'kitgauge run PROTOCOL FOLDER', then 'kitgauge limits accept RUN'."
        )
    lines = [f"Accepted limits in {path}:"]
    for number, limit in enumerate(found, 1):
        lines += [f"  {number}. {limit.limit.text or limit.describe()}", f"     {_origin(limit)}"]
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
                    f"accepted so far: {old.describe()}; this run: {new.describe()}: {compare(old.limit, limit).text}"
                )
    return lines


def accept_run(run_folder: Path, results: Path, kit: str | None, *, replace: bool) -> str:
    """Accept all limits of the run in `run_folder` and return what changed.

    Raises LimitsError, showing old, new and the difference, where an accepted limit would be replaced without
    `replace`; ResultsError if the run cannot be read.
    """
    curves = read_json(run_folder / CURVES_FILE)
    found = [limit_from_dict(item) for item in curves.get("limits") or []]
    if not found:
        raise LimitsError(
            "this run gives no limit",
            where=run_folder,
            needed="a run with limits",
            fix="see its report for the reason, and what to shoot again",
        )
    own = curves.get("kit") or {}
    path = kit_folder(results, kit or own.get("name") or "unknown-body") / FILE_NAME
    name = _run_name(run_folder, path.parent)
    return _told(accept(path, name, found, body=body_with_serial(own), replace=replace))


def _run_name(run_folder: Path, kit: Path) -> str:
    """Return the run's path below the kit's folder if it lies there, so that results can be moved as a whole."""
    try:
        return run_folder.resolve().relative_to(kit.resolve()).as_posix()
    except ValueError:
        return str(run_folder.resolve())


def _told(done: Accepted) -> str:
    lines = [f"accepted: {limit.describe()}" for limit in done.added]
    for old, new, difference in done.replaced:
        lines.append(f"replaced: {old.describe()} by {new.describe()}: {difference.text}")
    lines += [f"already accepted: {limit.describe()}" for limit in done.unchanged]
    return "\n".join([*lines, f"Limits file: {done.path}"])


def drop_limits(numbers: Sequence[int], results: Path, kit: str | None) -> str:
    """Drop the limits with these numbers and return what was dropped."""
    path = limits_path(results, kit)
    return "\n".join(f"dropped: {limit.describe()}" for limit in drop(path, numbers))


def limit_from_dict(values: Mapping[str, Any]) -> Limit:
    """Return the Limit that `Limit.as_dict` wrote to curves.json. Raises LimitsError if it is not one."""
    kind = values.get("kind")
    if kind not in SETTINGS:
        raise LimitsError("not a limit", where=CURVES_FILE, got=repr(kind), needed=", ".join(SETTINGS))
    names = SETTINGS[kind]
    known = {
        *names, *(f"{name}_dial" for name in names), "kind", "ci_low", "ci_high", "stderr_stops", "criterion", "lens",
        "focal_mm", "technique", "region", "flags", "text",
    }  # fmt: skip

    def number(key: str) -> float:
        value = values.get(key)
        return float("nan") if value is None else float(value)

    return Limit(
        kind=kind,
        value={name: number(name) for name in names},
        dial={name: number(f"{name}_dial") for name in names if values.get(f"{name}_dial") is not None},
        ci_low=number("ci_low"),
        ci_high=number("ci_high"),
        criterion={str(key): float(value) for key, value in (values.get("criterion") or {}).items()},
        text=str(values.get("text") or ""),
        stderr_stops=number("stderr_stops"),
        lens=values.get("lens"),
        focal_mm=values.get("focal_mm"),
        technique=values.get("technique"),
        region=values.get("region"),
        flags=tuple(values.get("flags") or ()),
        extra={key: value for key, value in values.items() if key not in known and value is not None},
    )
