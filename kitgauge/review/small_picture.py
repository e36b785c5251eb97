"""A frame as a small picture for a page: the developed picture of its exposure, else plainly developed samples."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kitgauge.frames.mosaic import Mosaic
from kitgauge.frames.shown import upright
from kitgauge.srgb import linear_to_srgb

_LONG_SIDE_PX = 320
_QUALITY = 82


@dataclass(frozen=True)
class SmallPicture:
    """A frame as shown, upright: a JPEG file, its width and height [px]."""

    jpeg: bytes
    width_px: int
    height_px: int

    @property
    def source(self) -> str:
        """The picture as an address of the kind data:."""
        return f"data:image/jpeg;base64,{base64.b64encode(self.jpeg).decode('ascii')}"


def small_picture(mosaic: Mosaic, codes: NDArray[Any] | None, orientation: int | None) -> SmallPicture:
    """Return a frame as shown, from the `codes` of its developed picture (row, column, red green blue) where given."""
    picture = _from_mosaic(mosaic) if codes is None else _reduced(codes)
    upright_already = (picture.shape[0] > picture.shape[1]) != (mosaic.shape[0] > mosaic.shape[1])  # as previews may be
    if not upright_already:
        picture = upright(picture, orientation)
    done, encoded = cv2.imencode(
        ".jpg", np.ascontiguousarray(picture[:, :, ::-1]), [cv2.IMWRITE_JPEG_QUALITY, _QUALITY]
    )
    assert done  # a small array of bytes always encodes
    return SmallPicture(encoded.tobytes(), picture.shape[1], picture.shape[0])


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
    return np.asarray(np.rint(linear_to_srgb(light) * 255), np.uint8)
