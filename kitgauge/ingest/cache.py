"""What was measured on a file is kept, keyed by the file's content, the parameters and the code that measured it.

A second run over the same frames decodes nothing. Any change of version, of measuring code or of a parameter makes
another key, so nothing stale is ever read. A cache that cannot be read or written is only slower, never an error.
"""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
import os
import sys
import zlib
from array import array
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


# what decodes frames, measures and fits: another version of one may move a number
PACKAGES = (
    "numpy", "scipy", "opencv-python-headless", "rawpy", "imagecodecs", "ExifRead", "pillow", "tifffile",
)  # fmt: skip


@cache
def package_versions() -> dict[str, str]:
    """Return the versions of `PACKAGES`."""
    from importlib.metadata import PackageNotFoundError, version

    found = {}
    for package in PACKAGES:
        try:
            found[package] = version(package)
        except PackageNotFoundError:  # installed under another distribution's name
            found[package] = "unknown"
    return found


@cache
def code_fingerprint() -> str:
    """Return a digest of the code that turns files into measurements, with the versions of what decodes them."""
    import rawpy

    digest = hashlib.sha256()
    root = Path(kitgauge.__file__).parent
    parts = [sorted((root / part).rglob("*.py")) for part in ("frames", "measure", "ingest", "target")]
    for path in [root / "exposure.py", root / "flags.py", *(path for part in parts for path in part)]:
        digest.update(path.name.encode())
        digest.update(path.read_bytes())
    digest.update(f"kitgauge {kitgauge.__version__}, LibRaw {rawpy.libraw_version}".encode())
    for package, version in package_versions().items():
        digest.update(f"{package} {version}".encode())
    return digest.hexdigest()


# by the code of `array`
_PACKED = {
    "d": "float64, little endian, base64",
    "f": "float32, little endian, base64",
    "i": "int32, little endian, base64",
}
_LEAST_PACKED = 16


def compact(value: Any) -> Any:
    """Return `value` with long lists of floats as arrays: a quarter of the memory, and far quicker to hand on."""
    if isinstance(value, dict):
        return {key: compact(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        if len(value) >= _LEAST_PACKED and all(type(item) is float for item in value):
            return array("d", value)
        return [compact(item) for item in value]
    return value


def _packed(value: Any) -> Any:
    """Return a compact value with arrays as text of their bytes: far quicker to write and read than digits."""
    if isinstance(value, Mapping):
        return {key: _packed(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_packed(item) for item in value]
    if isinstance(value, array):
        return {_PACKED[value.typecode]: base64.b64encode(_little_endian(value).tobytes()).decode("ascii")}
    return value


def _unpacked(value: Any) -> Any:
    """Return what `_packed` was given."""
    if isinstance(value, list):
        return [_unpacked(item) for item in value]
    if not isinstance(value, dict):
        return value
    if len(value) == 1:
        for code, name in _PACKED.items():
            if name in value:
                return _little_endian(array(code, base64.b64decode(value[name])))
    return {key: _unpacked(item) for key, item in value.items()}


def _little_endian(values: array[Any]) -> array[Any]:
    """Return an array in the other order of bytes where this machine's is not little endian."""
    if sys.byteorder == "big":
        values = values[:]
        values.byteswap()
    return values


class MeasurementCache:
    """Measurements on disk."""

    def __init__(self, folder: Path | None) -> None:
        """Use `folder`; None keeps nothing."""
        self.folder = folder
        self._fault = ""
        self._unwritten: dict[str, Any] = {}

    @property
    def keeps(self) -> bool:
        """Whether the next run finds what has been measured."""
        return self.folder is not None and not self._unwritten

    @property
    def remark(self) -> str:
        """What to tell of measurements that could not be written, "" if there are none."""
        if not self._unwritten:
            return ""
        count = len(self._unwritten)
        which = "1 measurement" if count == 1 else f"{count} measurements"
        return f"{which} could not be kept for the next run ({self._fault}: {self.folder})"

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
        if key in self._unwritten:
            return compact(self._unwritten[key])  # type: ignore[no-any-return]
        if self.folder is not None:
            try:
                content = json.loads(gzip.decompress(self._path(key).read_bytes()))
                found = _unpacked(content["measurement"]) if content["key"] == key else None
            except (OSError, ValueError, KeyError, TypeError, EOFError, zlib.error):
                found = None
        return found

    def put(self, key: str, measurement: Mapping[str, Any]) -> None:
        """Keep a measurement; where it cannot be written, for as long as this process lasts."""
        if self.folder is None:
            return
        path = self._path(key)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            text = json.dumps({"key": key, "measurement": _packed(compact(measurement))})
            write_atomically(path, gzip.compress(text.encode(), compresslevel=1), durable=False)
            self._unwritten.pop(key, None)
        except (OSError, ResultsError) as error:
            self._fault = str(getattr(error, "strerror", None) or getattr(error, "got", None) or error)
            self._unwritten[key] = measurement

    def _path(self, key: str) -> Path:
        assert self.folder is not None
        return self.folder / "measurements" / key[:2] / f"{key}.json.gz"
