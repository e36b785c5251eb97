"""The developed picture of a raw frame's own exposure: the JPEG beside it, else the preview inside the raw file."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.errors import FrameError
from kitgauge.frames.readable import check_readable
from kitgauge.frames.rendered import open_developed

BESIDE, INSIDE, ITSELF = "JPEG beside the raw file", "preview in the raw file", "this picture itself"
_LEAST_PREVIEW_PX = 500  # along the longer side; a smaller preview averages highlights away


def developed_twin(frame: Path, companion: Path | None, *, is_raw: bool) -> tuple[NDArray[Any] | None, str]:
    """Return the codes (row, column[, colour]) of the developed picture and its source; or None and why there is none.

    A companion that cannot be opened is passed over for the preview: it is told of where it is listed.
    """
    if not is_raw:
        return open_developed(frame).codes, ITSELF
    reasons = []
    if companion is not None:
        try:
            return open_developed(companion).codes, BESIDE
        except FrameError as error:
            reasons.append(f"{companion.name}: {error.what}")
    codes = _preview(frame)
    if codes is None:
        return None, "; ".join([*reasons, "no JPEG beside the raw file and no preview of some size in it"])
    return codes, INSIDE


def _preview(frame: Path) -> NDArray[Any] | None:
    """Return the largest preview that LibRaw finds in a raw file, None without one of some size."""
    import rawpy
    from PIL import Image

    from kitgauge.frames.raw import library_file

    check_readable(frame)  # tells a worker's pool that this is opened now, no longer the companion
    try:
        with library_file(rawpy, frame) as raw:
            thumbnail = raw.extract_thumb()
    except (rawpy.LibRawError, OSError, NotImplementedError):
        return None
    if isinstance(thumbnail.data, bytes):
        try:
            with Image.open(io.BytesIO(thumbnail.data)) as picture:
                codes = np.asarray(picture.convert("RGB"))
        except (OSError, ValueError, Image.DecompressionBombError):
            return None
    else:
        codes = np.array(thumbnail.data)
    return codes if codes.dtype == np.uint8 and max(codes.shape[:2]) >= _LEAST_PREVIEW_PX else None
