"""Small pictures of a practice frame for its page: parts of it pixel by pixel, and the whole, reduced."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.errors import FrameError
from kitgauge.frames.metadata import read_settings
from kitgauge.frames.shown import shown_picture, upright, upright_place
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.tasks import Measurement, Task

CROP_PX = 240
OVERVIEW_PX = 320
_LARGEST_BYTES = 60_000
_QUALITIES = (92, 85, 75, 60)


def pictures_label(file: str) -> str:
    """Return the label of the task that makes the pictures of a frame."""
    return f"pictures of {file}"


def pictures_task(
    record: FrameRecord, shape: tuple[int, int], places: Sequence[tuple[float, float]], cache: MeasurementCache
) -> Task:
    """Return the task that cuts out the parts of a frame around `places` (x, y) [px] and reduces the whole.

    `shape` (rows, columns) is that of its samples.
    """
    rounded = [[round(float(x)), round(float(y))] for x, y in places]
    return Task(
        label=pictures_label(record.file),
        key=cache.key("practice pictures", [record.sha256], {"places": rounded, "side": CROP_PX}),
        files=(record.file,),
        work=partial(make_pictures, record, shape, rounded),
    )


def make_pictures(record: FrameRecord, shape: tuple[int, int], places: Sequence[Sequence[int]]) -> Measurement:
    """Return `overview` and `crops` (in the order of `places`), each a JPEG as base64 with its size, upright.

    `box` of a crop is where it lies in the overview: left, top, right, bottom as shares of its width and height.
    """
    try:
        picture = shown_picture(record.path, shape)
        orientation = read_settings(record.path).orientation
    except FrameError as error:
        return {"not_shown": error.what, "overview": None, "crops": []}
    return {
        "overview": _jpeg(_reduced(upright(picture, orientation))),
        "crops": [_crop(picture, x, y, orientation) for x, y in places],
    }


def _crop(picture: NDArray[np.uint8], x: int, y: int, orientation: int | None) -> dict[str, Any]:
    rows, columns = picture.shape[:2]
    width, height = min(CROP_PX, columns), min(CROP_PX, rows)
    left = int(np.clip(x - width // 2, 0, columns - width))
    top = int(np.clip(y - height // 2, 0, rows - height))
    part = upright(picture[top : top + height, left : left + width], orientation)
    ends = [
        upright_place(px / columns, py / rows, orientation) for px, py in ((left, top), (left + width, top + height))
    ]
    (x0, x1), (y0, y1) = (sorted(values) for values in zip(*ends, strict=True))
    return {**_jpeg(part), "box": [x0, y0, x1, y1], "x_px": x, "y_px": y}


def _reduced(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    import cv2

    factor = min(1.0, OVERVIEW_PX / max(picture.shape[:2]))
    size = (max(1, round(picture.shape[1] * factor)), max(1, round(picture.shape[0] * factor)))
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _jpeg(picture: NDArray[np.uint8]) -> dict[str, Any]:
    from PIL import Image

    content = b""
    for quality in _QUALITIES:
        stream = io.BytesIO()
        Image.fromarray(picture).save(stream, "JPEG", quality=quality, subsampling=0, optimize=True)
        content = stream.getvalue()
        if len(content) <= _LARGEST_BYTES:
            break
    encoded = base64.b64encode(content).decode("ascii")
    return {"jpeg": encoded, "width_px": int(picture.shape[1]), "height_px": int(picture.shape[0])}
