"""What moved between the frames of a series: where each frame differs from what most of them show.

The reduced frames, laid on each other by the registration, are compared with their median, brightness evened out; what
stays put is in the median, what moves is not, unless it rests in half of the frames.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Image = NDArray[np.float32]

MAP_LONG_SIDE = 240
_SMOOTHED = 6.0  # pixels of the map
_CLEAR = 0.10  # change of brightness, as a share, that counts at all
_STANDS_OUT = 6.0  # over what the map shows elsewhere
_OWN_SHARE = 0.35  # of the largest change: a frame with less shows the thing where most frames do
_AREA_SHARE = 0.2  # of the largest change, from which on a place counts as moving
_PATCH_SHARE = 0.4  # of the largest change, that belongs to the same patch
_LEAST_FRAMES = 2


@dataclass(frozen=True)
class Movement:
    """Where the moving thing is: `places` (frame, x and y) in pixels of the map, `strength` (frame,) the change of
    brightness there as a share. `rests` (x, y): the place that changes most over the series; `area` (row, column of
    the map) is True wherever the thing was in some frame."""

    places: Array
    strength: Array
    rests: tuple[float, float]
    area: NDArray[np.bool_]


def laid_on(picture: Image, matrix: Array, shape: tuple[int, int]) -> Image:
    """Return a reduced frame as the map of the series: resampled to `map_shape(shape)`, NaN beyond its border.

    `matrix` (2, 3) takes places (x, y, 1) [px] of the frame that the series is laid on into this one; `shape` is the
    size (rows, columns) of both, `picture` this frame, reduced.
    """
    rows, columns = map_shape(shape)
    scale = shape[1] / columns
    block = shape[1] / picture.shape[1]
    # pixel centres at integers: map x -> frame (x + 0.5) scale - 0.5 -> registered -> reduced (X + 0.5) / block - 0.5
    to_frame = np.array([[scale, 0.0, 0.5 * scale - 0.5], [0.0, scale, 0.5 * scale - 0.5], [0.0, 0.0, 1.0]])
    to_reduced = np.array([[1 / block, 0.0, 0.5 / block - 0.5], [0.0, 1 / block, 0.5 / block - 0.5], [0.0, 0.0, 1.0]])
    whole = to_reduced @ np.vstack([matrix, [0.0, 0.0, 1.0]]) @ to_frame
    smooth = cv2.GaussianBlur(picture, (0, 0), max(0.5 * scale / block, 0.3))
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    moved = cv2.warpAffine(
        smooth, whole[:2], (columns, rows), flags=flags, borderMode=cv2.BORDER_CONSTANT, borderValue=float("nan")
    )
    return np.asarray(moved, dtype=np.float32)


def map_shape(shape: tuple[int, int]) -> tuple[int, int]:
    """Return rows and columns of the map of frames of a size."""
    factor = min(1.0, MAP_LONG_SIDE / max(shape))
    return max(1, round(shape[0] * factor)), max(1, round(shape[1] * factor))


def movement(maps: Sequence[Image]) -> Movement | None:
    """Return where something moves in a series of maps, None where nothing stands out.

    Of two, only the area: which of them shows the thing at a place cannot be told, so that both places are given.
    """
    if len(maps) < _LEAST_FRAMES:
        return None
    stack = np.stack(maps).astype(np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        stack = np.where(stack > 0, stack, np.nan)
        stack = stack / np.nanmedian(stack.reshape(len(stack), -1), axis=1)[:, None, None]
    whole = np.asarray(np.isfinite(stack).all(axis=0), dtype=bool)
    if np.count_nonzero(whole) < 0.2 * whole.size:
        return None
    stack = np.where(whole, stack, 1.0)
    usual = np.median(stack, axis=0)
    floor = max(0.1 * float(np.median(usual)), 1e-6)
    change = np.stack([cv2.GaussianBlur(np.abs(one - usual) / (usual + floor), (0, 0), _SMOOTHED) for one in stack])
    change = np.where(_inner(whole), change, 0.0)
    total = change.max(axis=0)
    rests = _middle(total)
    background = float(np.median(total[whole]))
    top = float(total.max())
    if top < max(_CLEAR, _STANDS_OUT * background):
        return None
    places, strength = [], []
    for one in change:
        own = float(one.max()) >= _OWN_SHARE * top
        places.append(_middle(one) if own else rests)
        strength.append(float(one.max()))
    return Movement(np.array(places), np.array(strength), rests, total > max(_AREA_SHARE * top, 2.0 * background))


def in_frame(x: float, y: float, shape: tuple[int, int]) -> tuple[float, float]:
    """Return a place of the map in pixels of the frame of `shape` that the series is laid on."""
    scale = shape[1] / map_shape(shape)[1]
    return (x + 0.5) * scale - 0.5, (y + 0.5) * scale - 0.5


def _inner(whole: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the places away from the border, where smoothing sees what lies beyond it."""
    kernel = np.ones((7, 7), np.uint8)
    padded = np.pad(whole.astype(np.uint8), 3)
    return np.asarray(cv2.erode(padded, kernel)[3:-3, 3:-3] > 0)


def _middle(image: Array) -> tuple[float, float]:
    """Return the middle (x, y) of the patch that the largest change lies in."""
    peak = np.unravel_index(int(np.argmax(image)), image.shape)
    _, labels = cv2.connectedComponents((image >= _PATCH_SHARE * float(image.max())).astype(np.uint8))
    y, x = np.nonzero(labels == labels[peak])
    weight = image[y, x]
    return float(np.average(x, weights=weight)), float(np.average(y, weights=weight))
