"""Reading the file of accepted limits, `results/<kit>/limits.toml`.

Standard library only, and apart from writing, so that the planner starts at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from kitgauge.errors import LimitsError, ResultsError
from kitgauge.limits.entries import SCHEMA, AcceptedLimit, entry_from_dict, shown

FILE_NAME = "limits.toml"


@dataclass(frozen=True)
class LimitsFile:
    """A limits file as read. `limits` is in file order; a path that does not exist gives no limits."""

    path: Path
    limits: list[AcceptedLimit]
    schema: int = SCHEMA


def read_limits(path: Path | str) -> LimitsFile:
    """Return the accepted limits in the file at `path`; none if there is no such file.

    Raises LimitsError, naming file, key, value got and value needed, for a file of a newer schema, one that
    is not TOML, an unknown or missing key, a wrong type or an impossible value; ResultsError if it cannot be
    read.
    """
    path = Path(path)
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        return LimitsFile(path, [])
    except OSError as error:
        raise ResultsError("the limits file cannot be read", where=path, got=error.strerror or error) from error
    return LimitsFile(path, _entries(path, _parsed(path, content)))


def _parsed(path: Path, content: bytes) -> dict[str, Any]:
    import tomllib

    try:
        return tomllib.loads(content.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:  # not TOML, not text, a number too long, brackets too deep
        raise LimitsError(
            "the limits file is not valid TOML",
            where=path,
            got=error,
            needed="a file as kitgauge writes it",
            fix="mend that line, or move the file away and accept the limits again from their runs",
        ) from error


def _entries(path: Path, document: dict[str, Any]) -> list[AcceptedLimit]:
    schema = document.get("schema")
    if isinstance(schema, bool) or not isinstance(schema, int) or schema < 1:
        raise LimitsError(
            "the limits file does not say its schema",
            where=f"{path}, key schema",
            got="nothing" if schema is None else shown(schema),
            needed=f"schema = {SCHEMA}",
            fix=f"write `schema = {SCHEMA}` as its first line",
        )
    if schema > SCHEMA:
        raise LimitsError(
            "the limits file was written by a newer kitgauge",
            where=f"{path}, key schema",
            got=shown(schema),
            needed=f"{SCHEMA} or lower",
            fix="upgrade kitgauge, or use another --results folder",
        )
    for key in document:
        if key not in ("schema", "limit"):
            raise LimitsError(
                "unknown key in the limits file",
                where=f"{path}, key {key}",
                got=key,
                needed="schema, and one [[limit]] per limit",
                fix="remove the key",
            )
    entries = document.get("limit", [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise LimitsError(
            "limits must be a list of tables",
            where=f"{path}, key limit",
            got=type(entries).__name__,
            needed="[[limit]], in double brackets",
            fix="write each limit under its own [[limit]] line",
        )
    limits: list[AcceptedLimit] = []
    for number, entry in enumerate(entries, 1):
        read = entry_from_dict(entry, where=f"{path}, limit {number}")
        double = next((i for i, other in enumerate(limits, 1) if other.key == read.key), None)
        if double is not None:
            raise LimitsError(
                "two limits for the same thing",
                where=f"{path}, limits {double} and {number}",
                got=read.describe(),
                needed="one limit per kind, lens, focal length, technique, region and criterion",
                fix="remove one of the two [[limit]] tables",
            )
        limits.append(read)
    return limits
