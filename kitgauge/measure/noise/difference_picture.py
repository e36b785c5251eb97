"""Small grey pictures that show what a flag is about: the difference of two frames, or one frame over its shading."""

from __future__ import annotations

import base64
import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kitgauge.errors import MeasurementError
from kitgauge.measure.noise.tiles import smooth_ratio, tile_grid

WIDEST_PX = 240
_SIGMAS = 5.0
_LEAST_SHARE = 0.005  # of the level: the narrowest grey range of a frame over its shading
# which picture explains which flag
_DIFFERENCE = {"flicker", "light-changed", "moving-shadow", "dust-moved", "correlated-noise", "iso-changed"}
_FRAME = {"textured"}
_DARK = {"light-leak"}


@dataclass(frozen=True)
class Picture:
    """A grey picture as base64 of a PNG file; `range_text` tells what black and white stand for."""

    kind: str  # "difference" or "frame"
    width_px: int
    height_px: int
    png: str
    range_text: str

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "kind": self.kind,
            "width_px": self.width_px,
            "height_px": self.height_px,
            "png": self.png,
            "range": self.range_text,
        }


def explained_by(kind: str, role: str) -> set[str]:
    """Return the flags that a picture of a kind ("difference", "frame") explains, of flats or darks."""
    if role == "dark":
        return set(_DARK)
    return set(_DIFFERENCE if kind == "difference" else _FRAME)


def has_picture(flags: Iterable[str], role: str) -> bool:
    """Tell whether a picture explains any of the flags."""
    return bool(set(flags) & (_DARK if role == "dark" else _DIFFERENCE | _FRAME))


def explaining_pictures(
    a: NDArray[np.uint16],
    b: NDArray[np.uint16] | NDArray[np.float32],
    black_dn: float,
    flags: Iterable[str],
    role: str,
) -> list[Picture]:
    """Return the pictures that explain the flags of a pair, none where no flag can be seen in a picture.

    a, b : (row, column) samples of one plane; role : "flat" or "dark". For flats the difference (bands, shadows, dust,
    noise reduction) or the frame over its smooth shading (texture, an edge); for darks both where light leaked in.
    """
    raised = set(flags)
    if role == "dark":
        return [frame_picture(a, black_dn, dark=True), difference_picture(a, b)] if raised & _DARK else []
    found = []
    if raised & _DIFFERENCE:
        found.append(difference_picture(a, b, black_dn))
    if raised & _FRAME:
        found.append(frame_picture(a, black_dn))
    return found


def difference_picture(
    a: NDArray[np.uint16], b: NDArray[np.uint16] | NDArray[np.float32], black_dn: float | None = None
) -> Picture:
    """Return A - r B (r the smooth ratio above `black_dn`; the plain difference without) as means of blocks.

    Black and white are 5 standard errors of a block's mean below and above nothing; a frame without anything to see is
    even grain. MeasurementError if the shapes differ or are too small.
    """
    _check(a, b)
    first, second = (frame.astype(np.float32) for frame in (a, b))
    if black_dn is not None:
        first, second = first - np.float32(black_dn), second - np.float32(black_dn)
        second *= _smooth_ratio_map(first, second)
    difference = first - second
    difference -= np.median(difference[:: max(1, difference.shape[0] // 200)])
    steps = np.abs(np.diff(difference[:: max(1, difference.shape[0] // 200)], axis=1))
    sigma = max(1.0483 * float(np.median(steps)), 0.3)  # median of |x| is 0.6745 sigma, a step holds two samples
    blocks, size = _blocks(np.clip(difference, -20 * sigma, 20 * sigma))
    reach = _SIGMAS * sigma / math.sqrt(size)
    level = float(np.median(first[::8])) if black_dn is not None else math.nan
    share = f" ({100 * reach / level:.2g} % of the level)" if level > 0 else ""
    text = f"difference of the two frames: black is -{reach:.3g} DN, mid-grey none, white +{reach:.3g} DN{share}"
    return _encoded("difference", blocks, reach, text)


def frame_picture(a: NDArray[np.uint16], black_dn: float, *, dark: bool = False) -> Picture:
    """Return one frame as means of blocks: over its smooth shading (flats), or above its middle level (darks)."""
    _check(a, a)
    signal = a.astype(np.float32) - np.float32(black_dn)
    blocks, _ = _blocks(signal)
    if dark:
        departure = blocks - np.median(blocks)
        reach = max(float(np.percentile(np.abs(departure), 99)), 1.0)
        text = f"dark frame: black is {reach:.3g} DN below its middle level, white {reach:.3g} DN above"
        return _encoded("frame", departure, reach, text)
    level = max(float(np.median(blocks)), 1e-6)
    shading = smooth_ratio(np.asarray(blocks, dtype=np.float64) / level, np.ones(blocks.shape))
    departure = (blocks / level / np.maximum(shading, 1e-3) - 1.0).astype(np.float32)
    reach = max(float(np.percentile(np.abs(departure), 98)), _LEAST_SHARE)
    text = f"frame over its shading: black is {100 * reach:.2g} % below, mid-grey even, white {100 * reach:.2g} % above"
    return _encoded("frame", departure, reach, text)


def _check(a: NDArray[Any], b: NDArray[Any]) -> None:
    if a.ndim != 2 or a.shape != b.shape:
        raise MeasurementError(
            "no picture of frames that differ in size",
            got=f"{' x '.join(map(str, a.shape))} and {' x '.join(map(str, b.shape))}",
            needed="two planes of the same rows and columns",
            fix="pair frames of one image size",
        )


def _smooth_ratio_map(first: NDArray[np.float32], second: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return (row, column) the smooth ratio, 1 where levels are not above black."""
    grid = tile_grid((first.shape[0], first.shape[1]))
    levels = [
        np.maximum(cv2.resize(frame, grid.shape[::-1], interpolation=cv2.INTER_AREA).astype(np.float64), 0.0)
        for frame in (first, second)
    ]
    if min(float(level.min()) for level in levels) <= 0:
        return np.ones(first.shape, np.float32)
    ratio = smooth_ratio(levels[0], levels[1]).astype(np.float32)
    resized = cv2.resize(ratio, first.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(resized, dtype=np.float32)


def _blocks(values: NDArray[np.float32]) -> tuple[NDArray[np.float32], int]:
    """Return means of square blocks, at most 240 across, and how many samples a block has."""
    side = max(1, math.ceil(values.shape[1] / WIDEST_PX))
    rows, columns = values.shape[0] // side * side, values.shape[1] // side * side
    inside = np.ascontiguousarray(values[:rows, :columns])
    means = cv2.resize(inside, (columns // side, rows // side), interpolation=cv2.INTER_AREA)
    return np.asarray(means, dtype=np.float32), side * side


def _encoded(kind: str, blocks: NDArray[np.float32], reach: float, text: str) -> Picture:
    grey = np.clip(np.rint(127.5 + 127.5 * blocks / reach), 0, 255).astype(np.uint8)
    done, png = cv2.imencode(".png", grey, [cv2.IMWRITE_PNG_COMPRESSION, 9])
    if not done:
        raise MeasurementError(
            "the picture of a flagged pair could not be written",
            got=f"{grey.shape[1]} x {grey.shape[0]} pixels",
            needed="a PNG file",
            fix="please report it, with the frames",
        )
    return Picture(kind, grey.shape[1], grey.shape[0], base64.b64encode(png.tobytes()).decode("ascii"), text)
