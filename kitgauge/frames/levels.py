"""Black and white levels of a raw frame: from masked pixels, from the file's own tags, or from LibRaw.

Masked (optically black) pixels lie outside the visible area and see no light, so their mean is the black
level of this very exposure. Not everything outside the visible area is masked, so it is used only where it
looks black. Source for DNG levels: DNG 1.7, BlackLevel (with its repeat pattern, whose origin is the corner
of ActiveArea), BlackLevelDeltaH/V, WhiteLevel, MaskedAreas.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitgauge.frames.tiff_layout import (
    ACTIVE_AREA,
    BITS_PER_SAMPLE,
    BLACK_DELTA_H,
    BLACK_DELTA_V,
    BLACK_LEVEL,
    BLACK_REPEAT,
    MASKED_AREAS,
    WHITE_LEVEL,
    Directory,
    TiffLayout,
)

_GUARD_PX = 2  # light spreads a little into the masked pixels next to the visible area
_MIN_SAMPLES = 256  # per pattern position
_MAX_STDERR_DN = 0.25
_MAX_STDERR_SIGMAS = 0.02
_CLIP_SIGMAS = 4.0
# Masked pixels may differ from the stated black by this share of the range (drift with temperature), or this
# many DN
_NEAR_STATED = 0.005
_NEAR_STATED_DN = 4.0
# Without a stated black: no black level is higher, and no black noisier, than these shares of white
_HIGHEST_BLACK = 0.15
_NOISIEST_BLACK = 0.01


@dataclass(frozen=True)
class VisibleArea:
    """Where the visible area lies in the whole frame [px]."""

    top: int
    left: int
    height: int
    width: int


def dng_black(
    layout: TiffLayout, directory: Directory, area: VisibleArea, shape: tuple[int, int]
) -> NDArray[np.float64] | None:
    """Return the black level [DN] that a DNG states, per position of a `shape` pattern at the visible area's
    corner.

    The position pattern of `BlackLevel` begins at the corner of ActiveArea, which need not be where the
    decoder begins. None where the file states no black. Per-row and per-column deltas enter with their mean
    per position.
    """
    stated = layout.numbers(directory, BLACK_LEVEL)
    if stated is None:
        return None
    # four levels without a repeat are no valid DNG, but are written, and mean a 2 x 2 repeat
    default = (2, 2) if len(stated) == 4 else (1, 1)
    rows, columns = (int(n) for n in (layout.numbers(directory, BLACK_REPEAT) or default)[:2])
    if rows * columns < 1 or len(stated) < rows * columns:
        return None
    table = np.array(stated[: rows * columns], dtype=np.float64).reshape(rows, columns)
    if not np.all(np.isfinite(table)):
        return None
    active = layout.numbers(directory, ACTIVE_AREA) or (0, 0, 0, 0)
    row0, column0 = area.top - int(active[0]), area.left - int(active[1])
    across = np.array(layout.numbers(directory, BLACK_DELTA_H) or (), dtype=np.float64)
    down = np.array(layout.numbers(directory, BLACK_DELTA_V) or (), dtype=np.float64)
    black = np.empty(shape)
    for row in range(shape[0]):
        for column in range(shape[1]):
            black[row, column] = table[(row0 + row) % rows, (column0 + column) % columns]
            for deltas, origin, step in ((down, row0 + row, shape[0]), (across, column0 + column, shape[1])):
                if deltas.size and np.all(np.isfinite(deltas)):
                    black[row, column] += float(np.mean(deltas[origin % step :: step]))
    return black


def dng_white(layout: TiffLayout, directory: Directory) -> float:
    """Return the white level [DN] of a DNG; without the tag it is the largest value of its bits (DNG 1.7)."""
    bits = int(layout.number(directory, BITS_PER_SAMPLE, 16))
    return float(layout.number(directory, WHITE_LEVEL, 2 ** min(bits, 16) - 1))


def masked_rectangles(
    whole_shape: tuple[int, int], area: VisibleArea, stated: Sequence[float] | None = None
) -> list[tuple[int, int, int, int]]:
    """Return (top, left, bottom, right) of areas that may be masked, a guard band away from the visible one.

    `stated` are a DNG's MaskedAreas, four numbers each; without them, everything outside the visible area.
    """
    rows, columns = whole_shape
    bottom, right = area.top + area.height, area.left + area.width
    if stated:
        numbers = [int(n) for n in stated]
        found = [tuple(numbers[i : i + 4]) for i in range(0, len(numbers) - 3, 4)]
        inside = [
            (max(first, 0), max(start, 0), min(last, rows), min(end, columns)) for first, start, last, end in found
        ]
    else:
        inside = [
            (0, 0, area.top - _GUARD_PX, columns),
            (bottom + _GUARD_PX, 0, rows, columns),
            (area.top, 0, bottom, area.left - _GUARD_PX),
            (area.top, right + _GUARD_PX, bottom, columns),
        ]
    return [box for box in inside if box[2] - box[0] >= 2 and box[3] - box[1] >= 2]


def dng_masked_areas(layout: TiffLayout, directory: Directory) -> tuple[float, ...] | None:
    """Return the MaskedAreas numbers of a DNG, None if it names none."""
    return layout.numbers(directory, MASKED_AREAS)


def masked_black(
    whole: NDArray[np.uint16],
    area: VisibleArea,
    shape: tuple[int, int],
    rectangles: Sequence[tuple[int, int, int, int]],
    stated: NDArray[np.float64] | None,
    white_dn: float,
) -> NDArray[np.float64] | None:
    """Return black [DN] per position of a `shape` pattern from masked pixels, None where they do not serve.

    `whole` is the whole frame (row, column). Used are rectangles that look black: noisy but not constant,
    near the stated black, not above the darkest of the picture. The mean is clipped at 4 sigma around the
    median (hot pixels).
    """
    darkest = float(
        np.percentile(whole[area.top : area.top + area.height : 37, area.left : area.left + area.width : 31], 0.5)
    )
    positions: list[list[NDArray[np.uint16]]] = [[] for _ in range(shape[0] * shape[1])]
    for top, left, bottom, right in rectangles:
        if not _looks_black(whole[top:bottom, left:right], stated, darkest, white_dn):
            continue
        for row in range(shape[0]):
            for column in range(shape[1]):
                first_row = top + (area.top + row - top) % shape[0]
                first_column = left + (area.left + column - left) % shape[1]
                samples = whole[first_row : bottom : shape[0], first_column : right : shape[1]]
                positions[row * shape[1] + column].append(samples.ravel())
    black = np.empty(shape)
    for index, parts in enumerate(positions):
        values = np.concatenate(parts) if parts else np.empty(0, np.uint16)
        if values.size < _MIN_SAMPLES:
            return None
        mean, sigma, count = _clipped_mean(values)
        if sigma / np.sqrt(count) > max(_MAX_STDERR_DN, _MAX_STDERR_SIGMAS * sigma):
            return None
        black[index // shape[1], index % shape[1]] = mean
    return black


def _clipped_mean(values: NDArray[np.uint16]) -> tuple[float, float, int]:
    """Return (mean, standard deviation, number) of the values within 4 robust sigmas of the median.

    From the histogram, as the samples are integers: exact, and faster than sorting.
    """
    histogram = np.bincount(values)
    codes = np.arange(histogram.size)
    median = _weighted_median(codes, histogram)
    distance = np.abs(codes - median)
    order = np.argsort(distance, kind="stable")
    # 1.4826 median deviations are a normal distribution's sigma; half a DN of rounding stays in
    spread = 1.4826 * _weighted_median(distance[order], histogram[order])
    counts = np.where(distance <= _CLIP_SIGMAS * max(spread, 0.5) + 0.5, histogram, 0)
    number = int(counts.sum())
    mean = float((counts * codes).sum() / number)
    return mean, float(np.sqrt((counts * (codes - mean) ** 2).sum() / number)), number


def _weighted_median(codes: NDArray[np.intp], counts: NDArray[np.intp]) -> float:
    """Return the median of rising `codes`, each there `counts` times."""
    return float(codes[np.searchsorted(np.cumsum(counts), (int(counts.sum()) + 1) // 2)])


def _looks_black(
    samples: NDArray[np.uint16], stated: NDArray[np.float64] | None, darkest: float, white_dn: float
) -> bool:
    mean, sigma, _ = _clipped_mean(samples.ravel())
    if sigma == 0:
        return False  # constant: filled in, not measured
    if mean > darkest + 3 * sigma + 1:
        return False
    if stated is None:
        return mean <= _HIGHEST_BLACK * white_dn and sigma <= _NOISIEST_BLACK * white_dn
    nominal = float(np.mean(stated))
    return abs(mean - nominal) <= max(_NEAR_STATED_DN, _NEAR_STATED * (white_dn - nominal))
