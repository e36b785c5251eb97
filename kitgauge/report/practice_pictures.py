"""The small pictures of a practice run, from its folder onto the page: a file is shown only if it is one of ours."""

from __future__ import annotations

import base64
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from kitgauge.report.data import number, text

_NAME = re.compile(r"pictures/[0-9a-z][0-9a-z-]*\.jpg")
_START = b"\xff\xd8\xff"
_LARGEST_BYTES = 200_000
_LARGEST_PX = 600


@dataclass(frozen=True)
class Picture:
    """One picture as an address of the kind data:, with its size in pixels."""

    source: str
    width_px: int
    height_px: int


def picture_of(folder: Path, record: Mapping[str, object]) -> Picture | None:
    """Return a picture that a run's results name, None where it is missing or not one that kitgauge wrote.

    Names lead nowhere but into the run's own folder of pictures.
    """
    name = text(record.get("picture"))
    width, height = number(record.get("width_px")), number(record.get("height_px"))
    if not _NAME.fullmatch(name) or not (0 < width <= _LARGEST_PX and 0 < height <= _LARGEST_PX):
        return None
    path = folder / name
    try:
        if path.is_symlink() or path.parent.is_symlink() or path.stat().st_size > _LARGEST_BYTES:
            return None
        content = path.read_bytes()
    except OSError:
        return None
    if not content.startswith(_START):
        return None
    return Picture(f"data:image/jpeg;base64,{base64.b64encode(content).decode('ascii')}", round(width), round(height))
