"""Which structured tiles of a flat hold no more than dust: small spots on ground that is even all around.

Dust on the sensor lies in both frames of a pair at the same place, and their difference sees through it; an edge of
the card or texture goes on beyond the tile.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.noise.tiles import TileGrid

# Thresholds: common practice, no source.
_AROUND = 24  # samples around a tile that are looked at: three rings of cells
_CELL = 8
_EVEN = 0.012  # of the level: cells of the ring depart by less from a plane ...
_SIGMAS = 5.0
_RING_SHARE = 0.2  # ... but for so many, as another spot may be near; an edge in the tile parts the ring 30 to 70
_FEWEST_CELLS = 12
_MOST_TILES = 0.4  # more is texture


def dust_tiles(
    a: NDArray[np.uint16],
    grid: TileGrid,
    bands: NDArray[np.bool_],
    structured: NDArray[np.bool_],
    level_dn: float,
    black_dn: float,
) -> NDArray[np.bool_]:
    """Return which of the tiles in `structured` (row of the chosen `bands`, tile column) hold dust.

    a : (row, column) samples of one plane; level_dn : its mean level above black.
    """
    dust = np.zeros_like(structured)
    if np.count_nonzero(structured) > _MOST_TILES * structured.size or not level_dn > 0:
        return dust
    rows = np.flatnonzero(bands)
    for band, column in np.argwhere(structured):
        top, bottom = (int(grid.rows[rows[band] + end]) for end in (0, 1))
        left, right = (int(grid.columns[column + end]) for end in (0, 1))
        window = a[max(top - _AROUND, 0) : bottom + _AROUND, max(left - _AROUND, 0) : right + _AROUND]
        inside = (
            *(top >= _AROUND, bottom + _AROUND <= a.shape[0]),
            *(left >= _AROUND, right + _AROUND <= a.shape[1]),
        )
        dust[band, column] = _even_around(window, inside, level_dn, black_dn)
    return dust


def _even_around(
    window: NDArray[np.uint16], inside: tuple[bool, bool, bool, bool], level_dn: float, black_dn: float
) -> bool:
    """Tell whether the ring of a window is a plane; `inside`: its top, bottom, left, right are not the frame's border,
    which may cut a spot."""
    down, across = window.shape[0] // _CELL, window.shape[1] // _CELL
    cells = window[: down * _CELL, : across * _CELL].reshape(down, _CELL, across, _CELL).astype(np.float64)
    medians = np.median(cells.transpose(0, 2, 1, 3).reshape(down, across, -1), axis=2) - black_dn
    y, x = np.meshgrid(np.arange(down), np.arange(across), indexing="ij")
    sides = (y == 0, y == down - 1, x == 0, x == across - 1)
    ring = np.any([side for side, whole in zip(sides, inside, strict=True) if whole], axis=0)
    if np.count_nonzero(ring) < _FEWEST_CELLS:
        return False
    values = medians[ring]
    design = np.stack([np.ones(values.size), y[ring], x[ring]], axis=1)
    # a cell's median scatters by 1.25 of its mean; neighbours within rows tell the noise of single samples
    sigma = 1.4826 * float(np.median(np.abs(np.diff(window.astype(np.float64), axis=1)))) / math.sqrt(2.0)
    limit = max(_EVEN * level_dn, _SIGMAS * 1.25 * sigma / _CELL)
    use = np.ones(values.size, dtype=bool)
    departure = np.zeros(values.size)
    for _ in range(4):
        coefficients, *_ = np.linalg.lstsq(design[use], values[use], rcond=None)
        departure = np.abs(values - design @ coefficients)
        kept = departure <= max(limit, 2.0 * float(np.median(departure)))
        if np.array_equal(kept, use):
            break
        use = kept
    return bool(np.count_nonzero(departure > limit) <= _RING_SHARE * values.size)
