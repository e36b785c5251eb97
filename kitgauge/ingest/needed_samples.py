"""Signal and saturation of a frame near its edges only: the rest of a large frame need not become numbers.

The arrays have the frame's shape, so that places keep their coordinates; what is far from every edge stays 0, and costs
neither time nor memory (pages that are never written are never there).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kitgauge.frames.mosaic import Mosaic
from kitgauge.measure.edges.edge_candidate import EdgeCandidate

_TILE = 60  # pixels: whole patterns of 1, 2 and 6
REACH_PX = 96.0  # beside an edge: the widest window of measurements, and pictures of the edge


def signal_near(
    mosaic: Mosaic, edges: Sequence[EdgeCandidate], reach_px: float = REACH_PX
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Return (row, column) signal [DN, black subtracted] and saturation, filled in within `reach_px` of the edges."""
    rows, columns = mosaic.shape
    needed = np.zeros((-(-rows // _TILE), -(-columns // _TILE)), dtype=bool)
    for edge in edges:
        left, right = sorted((edge.x0, edge.x1))
        top, bottom = sorted((edge.y0, edge.y1))
        needed[_tiles(top, bottom, reach_px), _tiles(left, right, reach_px)] = True
    signal = np.zeros((rows, columns), dtype=np.float32)
    saturated = np.zeros((rows, columns), dtype=bool)
    black = np.tile(mosaic.black_dn, [_TILE // size for size in mosaic.black_dn.shape]).astype(np.float32)
    for row in np.flatnonzero(needed.any(axis=1)):
        borders = np.flatnonzero(np.diff(np.concatenate([[0], needed[row].astype(np.int8), [0]])))
        for first, last in zip(borders[::2], borders[1::2], strict=True):
            part = (slice(row * _TILE, (row + 1) * _TILE), slice(first * _TILE, last * _TILE))
            samples = mosaic.samples[part]
            level = np.tile(black, (1, last - first))[: samples.shape[0], : samples.shape[1]]
            np.subtract(samples, level, out=signal[part], dtype=np.float32)
            np.greater_equal(samples, mosaic.white_dn, out=saturated[part])
    return signal, saturated


def _tiles(first: float, last: float, reach_px: float) -> slice:
    """Return the tiles from `reach_px` before `first` to as far after `last`."""
    return slice(max(0, math.floor((first - reach_px) / _TILE)), max(0, math.floor((last + reach_px) / _TILE) + 1))
