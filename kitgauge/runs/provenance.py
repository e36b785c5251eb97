"""Where the numbers of a run come from: frames and protocol by their content, versions and code, parameters.

Frames stand in frames.csv with their SHA-256; the rest is the head of run.json. A copy of the protocol lies beside it,
so that a run can be worked out again when the protocol has changed or is gone.
"""

from __future__ import annotations

import hashlib
import platform
from functools import cache
from pathlib import Path
from typing import Any

import kitgauge
from kitgauge.atomic import write_atomically
from kitgauge.ingest.cache import code_fingerprint, package_versions
from kitgauge.ingest.scan import content_hash
from kitgauge.limits.reading import FILE_NAME as LIMITS_FILE
from kitgauge.protocol.loading import LoadedProtocol
from kitgauge.runs.context import Kit
from kitgauge.runs.files import PROTOCOL_FILE, now
from kitgauge.runs.reading import RUN_SCHEMA
from kitgauge.runs.request import Request


def header(request: Request, kit: Kit) -> dict[str, Any]:
    """Return what run.json says from the start."""
    loaded = request.loaded
    # only tries at subjects are compared with a plan, and that is made with accepted limits
    accepted = None if loaded.protocol.setting is not None else request.results / kit.name / LIMITS_FILE
    given = {
        **request.as_dict(),
        "limits_file": None if accepted is None else str(accepted),
        "limits_sha256": None if accepted is None else hash_if_there(accepted),
    }
    return {
        "schema": RUN_SCHEMA,
        "kitgauge_version": kitgauge.__version__,
        "code_sha256": code_sha256(),
        "protocol": {
            "id": loaded.protocol.id,
            "title": loaded.protocol.title,
            "sha256": loaded.sha256,
            "source": str(loaded.source),
        },
        "measures": loaded.protocol.measures,
        "cautions": list(loaded.protocol.cautions),
        "kit": kit.as_dict(None),
        "settings": given,
        "versions": versions(),
        "started_at": now(),
    }


def keep_protocol(folder: Path, loaded: LoadedProtocol) -> None:
    """Lay a copy of the protocol's file beside the results. Raises ResultsError."""
    if loaded.content:
        write_atomically(folder / PROTOCOL_FILE, loaded.content)


def hash_if_there(path: Path) -> str | None:
    """Return the SHA-256 of a file's content, None where there is no such file, or what is there is no ordinary one."""
    try:
        return content_hash(path) if path.is_file() else None  # a pipe would never end
    except (OSError, ValueError):  # ValueError: a name that no file can have
        return None


@cache
def code_sha256() -> str:
    """Return a digest of the code that turns frames into numbers, with the versions of what decodes them.

    Two states of one version can be told apart by it; what the report says around the numbers is left out.
    """
    root = Path(kitgauge.__file__).parent
    digest = hashlib.sha256(code_fingerprint().encode())
    parts = [sorted((root / part).rglob("*.py")) for part in ("fit", "limits", "runs")]
    for path in [root / "intervals.py", root / "runner.py", *(path for part in parts for path in part)]:
        digest.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


def versions() -> dict[str, str]:
    """Return the versions of Python, of the libraries that numbers depend on, and of LibRaw."""
    import rawpy

    libraw = ".".join(str(part) for part in rawpy.libraw_version)
    return {"python": platform.python_version(), **package_versions(), "libraw": libraw}
