"""Reading a results file: apart from writing, so that a plan loads no more than it needs. Pure standard library."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from kitgauge.errors import ResultsError

SCHEMA = 1
RUN_SCHEMA = 2  # of run.json; since 2 it tells the code that measured, and a copy of the protocol lies beside it
RUN_FILE = "run.json"


def _run_from_1(content: dict[str, Any]) -> dict[str, Any]:
    protocol = content.get("protocol")
    protocol = {"source": None, **protocol} if isinstance(protocol, dict) else protocol
    return {**content, "protocol": protocol, "code_sha256": None}


# of each kind of file: schema -> what makes the next schema of it
_STEPS: dict[str, dict[int, Callable[[dict[str, Any]], dict[str, Any]]]] = {RUN_FILE: {1: _run_from_1}}


def in_current_form(path: Path, content: object) -> tuple[dict[str, Any], str]:
    """Return the content of a results file in the form of today, and what to tell of an older form ("" if it is none).

    Raises ResultsError for a newer schema, and for what has none.
    """
    current = RUN_SCHEMA if path.name == RUN_FILE else SCHEMA
    schema = content.get("schema") if isinstance(content, Mapping) else None
    if not isinstance(content, Mapping) or isinstance(schema, bool) or not isinstance(schema, int) or schema < 1:
        raise ResultsError(
            "results file is not of a form this version reads",
            where=path,
            got=f"schema {schema}",
            needed=f"a JSON object of schema {current}",
            fix="use the kitgauge version that wrote it, or run the protocol again",
        )
    if schema > current:
        raise ResultsError(
            "the results were written by a newer kitgauge",
            where=path,
            got=f"schema {schema}",
            needed=f"schema {current} or lower",
            fix="upgrade kitgauge, or run the protocol again",
        )
    found = dict(content)
    for number in range(schema, current):
        found = {**_STEPS[path.name][number](found), "schema": number + 1}
    if schema == current:
        return found, ""
    return found, (
        f"{path.name} was written by an older kitgauge (schema {schema}; now {current}): what it did not record then "
        "is unknown. Run the protocol again to have it recorded."
    )


def read_json(path: Path) -> dict[str, Any]:
    """Return the object that a results file holds, in the form of today.

    Raises ResultsError if it cannot be read or is of a newer schema.
    """
    try:
        content = json.loads(path.read_bytes().decode("utf-8", errors="surrogateescape"))
    except FileNotFoundError as error:
        raise ResultsError(
            "results file missing", where=path, fix="give the folder of a finished run, or run the protocol again"
        ) from error
    except OSError as error:
        raise ResultsError(
            "results file cannot be read",
            where=path,
            got=error.strerror,
            fix="give the folder of a run, not a file in it",
        ) from error
    except (ValueError, RecursionError) as error:
        raise ResultsError(
            "results file is not valid JSON", where=path, got=str(error), fix="run the protocol again"
        ) from error
    return in_current_form(path, content)[0]
