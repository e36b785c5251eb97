"""One frame of a practice series place by place: how bright, how much fine detail, how grainy.

The frame is divided into tiles, in the pixels of one frame of the series; a registration says where each lies in
another. Detail is the power spectrum of a tile relative to its level, averaged over rings of frequency: it does not
depend on a part of a pixel of shift, nor on small turns, so that nothing has to be resampled. Grain is the variance of
small blocks after a quadratic surface is taken off, which removes shading and slow texture (least squares, exact for
such surfaces).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.blur.scene_tiles import SceneFrame, frequencies, margin_of, noise_shape, spectrum

Array = NDArray[np.float64]

BAND_EDGES = (0.03, 0.045, 0.065, 0.09, 0.12, 0.155, 0.2, 0.25)  # cycles/pixel
_TOP = (0.38, 0.5)  # where a lens leaves hardly anything of a scene
_LEAST_PASSED = 0.02  # of the power at low frequencies
BLOCK = 16  # side of the blocks in which grain is measured [px]
_SIZES = (256, 128, 64)  # sides of tiles [px]
_MOST_COLUMNS = 16
_LEAST_COLUMNS = 6
_TERMS = 6  # of a quadratic surface
_MOST_ACROSS = 8  # blocks across a tile that are read


@dataclass(frozen=True)
class TileGrid:
    """Tiles of side `size` [px] in a frame of `shape` (rows, columns): `grid` (rows, columns) of them.

    `centres` is (tile, x and y) [px], row by row.
    """

    shape: tuple[int, int]
    size: int
    grid: tuple[int, int]
    centres: Array


@dataclass(frozen=True)
class TileTable:
    """What one frame shows in each tile; NaN where a tile lies outside of it.

    `level` (tile,): mean, as a share of saturation; `clipped` (tile,): share of samples at saturation; `power` (tile,
    band): detail and noise relative to the level, squared, by rings of `BAND_EDGES`; `floor` (tile, band): what noise
    would have in these rings if it were white and all that is seen at the highest frequencies; `block_level` and
    `block_variance` (tile, block): mean and variance of small blocks, as shares of saturation and of its square.
    """

    level: Array
    clipped: Array
    power: Array
    floor: Array
    block_level: Array
    block_variance: Array

    def as_dict(self) -> dict[str, Any]:
        """Return plain values; what is not known is None."""
        return {
            name: [[_plain(x) for x in row] if np.ndim(row) else _plain(row) for row in getattr(self, name)]
            for name in ("level", "clipped", "power", "floor", "block_level", "block_variance")
        }

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> TileTable:
        """Return the table that `as_dict` wrote."""
        return cls(**{name: np.array(rows, dtype=np.float64) for name, rows in values.items()})


def _plain(value: float) -> float | None:
    return float(f"{value:.5g}") if np.isfinite(value) else None


def tile_grid(shape: tuple[int, int]) -> TileGrid:
    """Return a grid of about square cells, 6 to 16 across the longer side, with a tile in the middle of each."""
    longer, shorter = max(shape), min(shape)
    across = int(np.clip(longer // 96, _LEAST_COLUMNS, _MOST_COLUMNS))
    other = max(2, round(across * shorter / longer))
    rows, columns = (other, across) if shape[1] >= shape[0] else (across, other)
    pitch = longer / across
    size = next((size for size in _SIZES if size <= 1.1 * pitch), _SIZES[-1])
    y = (np.arange(rows) + 0.5) * shape[0] / rows - 0.5
    x = (np.arange(columns) + 0.5) * shape[1] / columns - 0.5
    centres = np.stack([np.tile(x, rows), np.repeat(y, columns)], axis=1)
    return TileGrid(shape, size, (rows, columns), centres)


def measure_tiles(frame: SceneFrame, grid: TileGrid, matrix: Array) -> TileTable:
    """Return what `frame` shows in the tiles of `grid`, `matrix` (2, 3) taking (x, y, 1) of the grid into the frame.

    Tiles that do not lie in the frame as a whole are NaN.
    """
    count, bands = len(grid.centres), len(BAND_EDGES) - 1
    blocks = min(grid.size // BLOCK, _MOST_ACROSS) ** 2
    level, clipped = np.full(count, np.nan), np.full(count, np.nan)
    power, floor = np.full((count, bands), np.nan), np.full((count, bands), np.nan)
    rings, kept, highest = _rings(grid.size)
    counts = np.bincount(rings[kept])
    passed = _flattening(grid.size)
    shape = noise_shape(frame.wanted, grid.size)
    of_bands = np.bincount(rings[kept], shape[kept], minlength=bands) / counts / float(np.mean(shape[highest]))
    means, variances = np.full((count, blocks), np.nan), np.full((count, blocks), np.nan)
    span = frame.white_dn - float(np.mean(frame.black_dn[frame.wanted]))
    margin = margin_of(grid.size)
    rows, columns = frame.shape
    for number, (x, y) in enumerate(grid.centres):
        at_x, at_y = matrix @ np.array([x, y, 1.0])
        left, top = round(at_x - (grid.size - 1) / 2), round(at_y - (grid.size - 1) / 2)
        if left < 0 or top < 0 or left + grid.size > columns or top + grid.size > rows:
            continue
        side = grid.size + 2 * margin
        picture, full = frame.crop(top - margin, left - margin, side, side)
        tile = picture[margin : margin + grid.size, margin : margin + grid.size]
        mean = float(np.mean(tile))
        level[number], clipped[number] = mean / span, full
        if mean <= 0:
            continue
        square = np.abs(spectrum(picture, grid.size)).astype(np.float64) ** 2 / passed / mean**2
        power[number] = np.bincount(rings[kept], square[kept], minlength=bands) / counts
        floor[number] = float(np.mean(square[highest])) * of_bands
        means[number], variances[number] = _blocks(tile / np.float32(span))
    return TileTable(level, clipped, power, floor, means, variances)


@lru_cache(maxsize=4)
def _rings(size: int) -> tuple[NDArray[np.intp], NDArray[np.bool_], NDArray[np.bool_]]:
    """Return the ring of each frequency of a tile's half plane, which of them lie in one, and the highest ones."""
    fy, fx = frequencies(size)
    radius = np.hypot(fy, fx)
    rings = np.digitize(radius, BAND_EDGES) - 1
    return rings, (rings >= 0) & (rings < len(BAND_EDGES) - 1), (radius > _TOP[0]) & (radius < _TOP[1])


@lru_cache(maxsize=4)
def _flattening(size: int) -> Array:
    """Return what `spectrum` makes of the power at each frequency by taking slow parts off, 1 at the highest ones."""
    side = size + 2 * margin_of(size)
    point = np.zeros((side, side), dtype=np.float32)
    point[side // 2, side // 2] = 1.0
    seen = np.abs(spectrum(point, size)).astype(np.float64) ** 2
    return np.asarray(np.maximum(seen / float(np.max(seen)), _LEAST_PASSED))


@lru_cache(maxsize=1)
def _surface() -> Array:
    """Return an orthonormal basis (sample, term) of quadratic surfaces over a block."""
    y, x = np.mgrid[0:BLOCK, 0:BLOCK] / BLOCK - 0.5
    basis = np.stack([part.ravel() for part in (np.ones_like(x), x, y, x * x, y * y, x * y)], axis=1)
    return np.linalg.qr(basis)[0]


def _blocks(tile: NDArray[np.float32]) -> tuple[Array, Array]:
    """Return mean and variance about a quadratic surface of the blocks of a tile, or of every other one."""
    count = tile.shape[0] // BLOCK
    parts = tile.reshape(count, BLOCK, count, BLOCK).swapaxes(1, 2)
    every = -(-count // _MOST_ACROSS)
    samples = parts[::every, ::every].reshape(-1, BLOCK * BLOCK).astype(np.float64)
    basis = _surface()
    rest = samples - (samples @ basis) @ basis.T
    return samples.mean(axis=1), np.sum(rest**2, axis=1) / (BLOCK**2 - _TERMS)
