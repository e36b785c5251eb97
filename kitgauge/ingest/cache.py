"""What was measured on a file is kept, keyed by the file's content, the parameters and the code that measured it.

A second run over the same frames decodes nothing. Any change of version, of measuring code or of a parameter makes
another key, so nothing stale is ever read. A cache that cannot be read or written is only slower, never an error.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import kitgauge
from kitgauge.atomic import write_atomically
from kitgauge.errors import ResultsError

FOLDER_VARIABLE = "KITGAUGE_CACHE"


def cache_folder() -> Path:
    """Return the folder of the cache: $KITGAUGE_CACHE, else the system's place for caches."""
    if chosen := os.environ.get(FOLDER_VARIABLE):
        return Path(chosen)
    from platformdirs import user_cache_path

    return user_cache_path("kitgauge", appauthor=False)


@cache
def code_fingerprint() -> str:
    """Return a digest of the code that turns files into measurements, with the versions of what decodes them."""
    from importlib.metadata import version

    import rawpy

    digest = hashlib.sha256()
    root = Path(kitgauge.__file__).parent
    for part in ("frames", "measure", "ingest"):
        for path in sorted((root / part).glob("*.py")):
            digest.update(path.name.encode())
            digest.update(path.read_bytes())
    for text in (kitgauge.__version__, version("numpy"), version("rawpy"), str(rawpy.libraw_version)):
        digest.update(text.encode())
    return digest.hexdigest()


class MeasurementCache:
    """Measurements on disk. `hits` and `misses` count the look-ups."""

    def __init__(self, folder: Path | None) -> None:
        """Use `folder`; None keeps nothing."""
        self.folder = folder
        self.hits = 0
        self.misses = 0

    def key(self, kind: str, hashes: Sequence[str | None], parameters: Mapping[str, Any]) -> str:
        """Return the key of a measurement of `kind` on files with these content `hashes`, in order."""
        text = json.dumps(
            {"kind": kind, "code": code_fingerprint(), "files": list(hashes), "parameters": dict(parameters)},
            sort_keys=True,
        )
        return hashlib.sha256(text.encode()).hexdigest()

    def get(self, key: str) -> dict[str, Any] | None:
        """Return the kept measurement, None if there is none (or it cannot be read)."""
        found: dict[str, Any] | None = None
        if self.folder is not None:
            try:
                content = json.loads(gzip.decompress(self._path(key).read_bytes()))
                found = content["measurement"] if content["key"] == key else None
            except (OSError, ValueError, KeyError, TypeError, EOFError):
                found = None
        if found is None:
            self.misses += 1
        else:
            self.hits += 1
        return found

    def put(self, key: str, measurement: Mapping[str, Any]) -> None:
        """Keep a measurement; a cache that cannot be written is switched off."""
        if self.folder is None:
            return
        path = self._path(key)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            text = json.dumps({"key": key, "measurement": measurement})
            write_atomically(path, gzip.compress(text.encode(), compresslevel=1), durable=False)
        except (OSError, ResultsError):
            self.folder = None

    def _path(self, key: str) -> Path:
        assert self.folder is not None
        return self.folder / "measurements" / key[:2] / f"{key}.json.gz"
