"""Reviews as one self-contained page: a contact sheet, worst first, and a short letter under each picture."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kitgauge.atomic import write_atomically
from kitgauge.errors import FrameError
from kitgauge.frames.mosaic import Mosaic
from kitgauge.frames.opening import open_frame
from kitgauge.html_page import html_page
from kitgauge.review.developed_twin import developed_twin
from kitgauge.review.folder import Reviewed
from kitgauge.review.one_frame import Review
from kitgauge.review.words import heading, letter, settings_line

_TEMPLATE = "review.html.jinja"
_LONG_SIDE_PX = 320
_QUALITY = 82


@dataclass(frozen=True)
class Card:
    """One frame on the page."""

    file: str
    companion: str | None
    heading: str
    settings: str
    source: str | None
    width_px: int
    height_px: int
    parts: tuple[tuple[str, tuple[str, ...]], ...]


def write_page(path: Path, reviewed: Reviewed) -> None:
    """Write the contact sheet to `path`. Raises ResultsError."""
    write_atomically(path, review_page(reviewed).encode("utf-8", errors="replace"))


def review_page(reviewed: Reviewed) -> str:
    """Return the page as HTML. Everything that comes from files is escaped."""
    return html_page(
        _TEMPLATE,
        "kitgauge.review",
        "kitgauge.report",
        cards=[_card(review) for review in reviewed.frames],
        not_opened=reviewed.not_opened,
        where=reviewed.where.name or str(reviewed.where),
    )


def _card(review: Review) -> Card:
    picture = thumbnail(review)
    source, height, width = None, 0, 0
    if picture is not None:
        height, width = picture.shape[:2]
        source = jpeg_source(picture)
    parts = tuple((about, tuple(sentences)) for about, sentences in letter(review) if about != "Settings")
    return Card(review.file, review.companion, heading(review), settings_line(review), source, width, height, parts)


def thumbnail(review: Review) -> NDArray[np.uint8] | None:
    """Return a small picture of a frame as shown (row, column, red green blue); None if it cannot be opened again."""
    companion = None if review.companion is None else review.path.with_name(review.companion)
    try:
        codes, _ = developed_twin(review.path, companion, is_raw=not review.rendered)
        small = _from_mosaic(open_frame(review.path)) if codes is None else _reduced(codes)
    except FrameError:
        return None
    return _as_shown(small, review.settings.orientation, review.shape)


def _reduced(codes: NDArray[Any]) -> NDArray[np.uint8]:
    if codes.dtype == np.uint16:
        codes = (codes >> 8).astype(np.uint8)
    if codes.ndim == 2:
        codes = np.repeat(codes[:, :, None], 3, axis=2)
    return np.asarray(cv2.resize(codes, _size(codes.shape[:2]), interpolation=cv2.INTER_AREA), np.uint8)


def _size(shape: tuple[int, ...]) -> tuple[int, int]:
    """Return (width, height) of the small picture; nothing is enlarged."""
    scale = min(1.0, _LONG_SIDE_PX / max(shape[:2]))
    return max(1, round(shape[1] * scale)), max(1, round(shape[0] * scale))


def _from_mosaic(mosaic: Mosaic) -> NDArray[np.uint8]:
    """Return a plain development: colours balanced to grey, the brightest hundredth white, sRGB curve."""
    rows, columns = mosaic.shape
    size = _size((rows, columns))
    channels = []
    for names in (("R",), ("G", "G1", "G2"), ("B",)):
        planes = [plane for plane in mosaic.planes() if plane.colour in names]
        if not planes:  # a monochrome sensor
            planes = list(mosaic.planes())
        small = [
            cv2.resize(
                plane.samples.astype(np.float32) - np.float32(plane.black_dn), size, interpolation=cv2.INTER_AREA
            )
            for plane in planes
        ]
        channels.append(np.mean(small, axis=0))
    light = np.stack(channels, axis=2)
    light /= np.maximum(light.mean(axis=(0, 1)), 1e-6)
    light = np.clip(light / max(float(np.quantile(light, 0.99)), 1e-6), 0.0, 1.0)
    value = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)  # IEC 61966-2-1
    return np.asarray(np.rint(value * 255), np.uint8)


def _as_shown(picture: NDArray[np.uint8], orientation: int | None, shape: tuple[int, int]) -> NDArray[np.uint8]:
    """Return the picture turned as its Exif orientation says; one that is turned already (a preview) is left."""
    upright_already = (picture.shape[0] > picture.shape[1]) != (shape[0] > shape[1])
    if orientation in (None, 1) or upright_already:
        return picture
    turned = {
        2: picture[:, ::-1], 3: picture[::-1, ::-1], 4: picture[::-1],
        5: picture.transpose(1, 0, 2), 6: np.rot90(picture, -1),
        7: picture[::-1, ::-1].transpose(1, 0, 2), 8: np.rot90(picture),
    }.get(orientation or 1, picture)  # fmt: skip
    return np.ascontiguousarray(turned)


def jpeg_source(picture: NDArray[np.uint8]) -> str:
    """Return a picture (row, column, red green blue) as an address of the kind data:."""
    done, encoded = cv2.imencode(
        ".jpg", np.ascontiguousarray(picture[:, :, ::-1]), [cv2.IMWRITE_JPEG_QUALITY, _QUALITY]
    )
    assert done  # a small array of bytes always encodes
    return f"data:image/jpeg;base64,{base64.b64encode(encoded.tobytes()).decode('ascii')}"
