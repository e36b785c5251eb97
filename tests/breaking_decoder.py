"""Loaded by worker processes in tests: decoders that break as the name of the frame says ("raw-fault", "jpeg-hang")."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import numpy as np
import rawpy
from PIL import Image

_opened: dict[str, int] = {}


def _break(path: Path, decoder: str) -> None:
    _opened[path.name] = _opened.get(path.name, 0) + 1
    how = path.stem.removeprefix(f"{decoder}-")
    if how == "fault":
        os.kill(os.getpid(), signal.SIGSEGV)
    elif how == "hang":
        path.with_suffix(".begun").touch()
        time.sleep(600)
    elif how == "error":
        raise ArithmeticError("made up")
    elif how == "memory" and _opened[path.name] > 1:  # the preview, after the samples
        np.empty(3 << 30, np.uint8)


def _imread(name, open_raw=rawpy.imread):
    _break(Path(name), "raw")
    return open_raw(name)


def _open(name, *arguments, open_picture=Image.open, **options):
    if isinstance(name, Path):
        _break(name, "jpeg")
    return open_picture(name, *arguments, **options)


rawpy.imread, Image.open = _imread, _open
