"""Disks of a few megabytes that can be filled to the last byte, and processes that must ask for permission.

A small disk is mounted where nobody else sees it: in a name space of its own, which ends with the process. So what is
tried on it is a script that runs there; it prints what it saw as JSON.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

_NAMESPACE = ["unshare", "-m"] if hasattr(os, "geteuid") and os.geteuid() == 0 else ["unshare", "-Urm"]
_WITHOUT_RIGHTS = ["setpriv", "--bounding-set=-dac_override,-dac_read_search", "--inh-caps=-all"]
_BEGINNING = """
import contextlib, io, json, os, sys
from pathlib import Path
from kitgauge import cli

def kitgauge(*arguments, **environment):
    os.environ.update(environment)
    sys.argv[:] = ["kitgauge", *map(str, arguments)]
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = cli._exit_code()
    return {"code": code, "out": out.getvalue(), "err": err.getvalue()}

def fill(disk, left_kb=0):
    with (disk / "filler").open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(4096))
        except OSError:
            size = os.fstat(file.fileno()).st_size
            os.ftruncate(file.fileno(), max(size - 1024 * left_kb, 0))

def content(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes().hex() for p in folder.rglob("*") if p.is_file()}

disk, given, seen = Path(sys.argv[1]), sys.argv[2:], {}
"""


def on_small_disk(folder: Path, size: str, script: str, *arguments: object) -> dict[str, Any]:
    """Mount a disk of `size` at `folder`, run `script` there and return what it has put into `seen`.

    The script finds `disk`, what was `given`, `kitgauge` (to call the command line), `fill` and `content`.
    """
    folder.mkdir()
    mount = f'mount -t tmpfs -o size={size} none "$0" && exec "$@"'
    done = subprocess.run(
        [*_NAMESPACE, "sh", "-c", mount, str(folder), sys.executable, "-c",
         _BEGINNING + script + "\nprint(json.dumps(seen))", str(folder), *map(str, arguments)],
        capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    seen: dict[str, Any] = json.loads(done.stdout)
    return seen


def disks_can_be_mounted() -> bool:
    """Tell whether this machine lets us mount small disks."""
    if sys.platform != "linux" or shutil.which("unshare") is None:
        return False
    trial = [*_NAMESPACE, "sh", "-c", "mount -t tmpfs -o size=64k none /proc"]  # any folder does: nobody sees it
    return subprocess.run(trial, capture_output=True, check=False).returncode == 0


def as_who_needs_permission() -> list[str]:
    """Return what to put before a command so that write-protected folders are protected from it; skips without."""
    if not hasattr(os, "geteuid"):
        pytest.skip("permissions are not as on Unix")
    if os.geteuid() != 0:
        return []
    if shutil.which("setpriv") is None:
        pytest.skip("the superuser may write anywhere, and there is no setpriv to give that up")
    return _WITHOUT_RIGHTS
