"""Straight brightness steps on the reduced picture, before any of them is followed and judged.

The picture's logarithm (two stops of uneven light become a small offset) goes through a line segment detector at three
scales (von Gioi and others, Image Processing On Line 2012, in OpenCV). Steps that are no more than noise are dropped
here, all at once: following one costs a thousand times as much.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]
Array = NDArray[np.float64]

_LONG_SIDE = 1000  # of the finest picture that the detector sees: its cost goes with the area
ALL_SCALES = (1, 2, 4)
COARSE_SCALES = (2,)  # enough to tell what else is in a frame
_SHORTEST = 6.0  # pixels of the reduced picture
_SMALLEST_SIDE = 24
_MOST = 3000  # longest first; ten rows of each must stay below 32768, OpenCV's limit for a picture's side
_FAINT_GAIN = 2.5
_SMALLEST_STEP = 0.05  # of the level
_SIGNIFICANT = 4.0  # standard errors
_ROWS = 10
_OFFSETS = np.array([1.5, 3.0, 5.0, 8.0])  # beside the segment; a blurred edge shows its step farther out only


def straight_segments(image: Image, scales: tuple[int, ...] = ALL_SCALES) -> Array:
    """Return (segment, 4) x0, y0, x1, y1 of straight brightness steps, longest first; the same step may come twice."""
    high = float(np.percentile(image[::3, ::3], 99.5))
    if not high > 0:
        return np.zeros((0, 4))
    floor = 0.02 * high
    tone = np.log(np.clip(image, 0.0, None) + np.float32(floor))
    low, top = math.log(floor), math.log(high + floor)
    tone = np.clip((tone - low) * (1.0 / (top - low)), 0.0, 1.0)
    rows, columns = tone.shape
    base = max(1.0, max(rows, columns) / _LONG_SIDE)
    detector = cv2.createLineSegmentDetector(cv2.LSD_REFINE_NONE)
    found: list[Array] = []
    for scale in scales:
        size = (round(columns / (base * scale)), round(rows / (base * scale)))
        if min(size) < _SMALLEST_SIDE and scale > 1:
            break
        level = tone if size == (columns, rows) else cv2.resize(tone, size, interpolation=cv2.INTER_AREA)
        if scale > 1:
            # noise is averaged out here, so a faint step may be drawn larger, against its surroundings
            level = np.clip(0.5 + _FAINT_GAIN * (level - cv2.blur(level, (31, 31))), 0.0, 1.0)
        lines = detector.detect(np.asarray(level * 255.0, dtype=np.uint8))[0]
        if lines is not None:
            steps = np.array([columns / size[0], rows / size[1]] * 2)
            found.append((lines.reshape(-1, 4).astype(np.float64) + 0.5) * steps - 0.5)
    if not found:
        return np.zeros((0, 4))
    segments = np.concatenate(found)
    length = np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1])
    order = np.argsort(-length, kind="stable")
    segments = segments[order[length[order] >= _SHORTEST][:_MOST]]
    return segments[_is_step(image, segments)] if len(segments) else segments


def _is_step(image: Image, segments: Array) -> NDArray[np.bool_]:
    """Tell of each segment whether the levels on its two sides differ, by more than noise."""
    x0, y0, x1, y1 = segments.T
    length = np.hypot(x1 - x0, y1 - y0)
    along_x, along_y = (x1 - x0) / length, (y1 - y0) / length
    part = (np.arange(_ROWS) + 0.5) / _ROWS
    offsets = np.concatenate([-_OFFSETS, _OFFSETS])
    x = (x0[:, None] + part * (x1 - x0)[:, None])[:, :, None] - (along_y[:, None] * offsets)[:, None, :]
    y = (y0[:, None] + part * (y1 - y0)[:, None])[:, :, None] + (along_x[:, None] * offsets)[:, None, :]
    flat = (len(segments) * _ROWS, offsets.size)
    sampled = cv2.remap(
        image,
        x.reshape(flat).astype(np.float32),
        y.reshape(flat).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).reshape(len(segments), _ROWS, 2, _OFFSETS.size)
    step = sampled[:, :, 1] - sampled[:, :, 0]
    mean = np.abs(step.mean(axis=1))
    error = step.std(axis=1) / math.sqrt(_ROWS)
    level = np.abs(sampled.mean(axis=(1, 2)))
    return np.asarray(((mean > _SMALLEST_STEP * level) & (mean > _SIGNIFICANT * error)).any(axis=1))
