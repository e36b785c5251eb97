"""Reading a results file: apart from writing, so that a plan loads no more than it needs. Pure standard library."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from kitgauge.errors import ResultsError

SCHEMA = 1


def read_json(path: Path) -> dict[str, Any]:
    """Return the object that a results file holds. Raises ResultsError if it cannot be read or is of a newer schema."""
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
    schema = content.get("schema") if isinstance(content, dict) else None
    if not isinstance(schema, int) or schema > SCHEMA:
        raise ResultsError(
            "results file is not of a form this version reads",
            where=path,
            got=f"schema {schema}",
            needed=f"schema {SCHEMA}",
            fix="use the kitgauge version that wrote it, or run the protocol again",
        )
    return dict(content)
