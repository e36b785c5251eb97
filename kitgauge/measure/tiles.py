"""Tiles over one colour plane: local levels, and the smooth ratio of two frames' levels.

Everything that depends on the level is taken per tile, because the light over a flat is never even: the
variance of a frame is a sum of tiles whose expectations differ, and a shading that moves between two frames
is smooth over tiles.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from kitgauge.errors import MeasurementError

TILE = 32  # samples; ~1000 per tile: tile variances scatter by 4.4 %, and shading within a tile is small
SMALLEST_PLANE = 16  # rows and columns
_LEVEL_SAMPLES = 150_000  # enough for levels to 1e-5; more rows are skipped
_LEVEL_STEP = 8


@dataclass(frozen=True)
class TileGrid:
    """Edges of the tiles, in samples: tile (i, j) spans rows[i]:rows[i+1], columns[j]:columns[j+1]."""

    rows: NDArray[np.intp]
    columns: NDArray[np.intp]

    @property
    def shape(self) -> tuple[int, int]:
        """Number of tiles down and across."""
        return len(self.rows) - 1, len(self.columns) - 1

    def heights(self) -> NDArray[np.intp]:
        """Rows per tile row."""
        return np.diff(self.rows)

    def widths(self) -> NDArray[np.intp]:
        """Columns per tile column."""
        return np.diff(self.columns)

    def bands(self) -> list[tuple[int, int]]:
        """First and past-the-last row of each row of tiles."""
        return [(int(top), int(bottom)) for top, bottom in zip(self.rows[:-1], self.rows[1:], strict=True)]


def tile_grid(shape: tuple[int, int], size: int = TILE) -> TileGrid:
    """Return a grid of tiles of at least `size` samples a side (fewer only where the plane is smaller).

    MeasurementError where the plane has fewer than 16 rows or columns.
    """
    rows, columns = shape
    if min(rows, columns) < SMALLEST_PLANE:
        raise MeasurementError(
            "the colour plane is too small to measure noise",
            got=f"{rows} x {columns} samples",
            needed=f"at least {SMALLEST_PLANE} x {SMALLEST_PLANE}",
            fix="use whole frames",
        )

    def edges(length: int) -> NDArray[np.intp]:
        return np.linspace(0, length, max(1, length // size) + 1).astype(np.intp)

    return TileGrid(edges(rows), edges(columns))


def level_step(shape: tuple[int, int]) -> int:
    """Return which rows suffice for levels and histograms: every 1st (small planes) to every 8th."""
    return int(np.clip(shape[0] * shape[1] // _LEVEL_SAMPLES, 1, _LEVEL_STEP))


def sampled_rows(grid: TileGrid, step: int) -> list[slice]:
    """Return, per row of tiles, every `step`-th row, centred in the tile."""
    return [slice(top + min((step - 1) // 2, bottom - top - 1), bottom, step) for top, bottom in grid.bands()]


def tile_sums(values: NDArray[np.float32], grid: TileGrid) -> NDArray[np.float64]:
    """Return the sums (tile column,) of one band (row, column) of samples."""
    columns = cv2.reduce(values, 0, cv2.REDUCE_SUM)[0]
    return np.add.reduceat(columns.astype(np.float64), grid.columns[:-1])


def tile_levels(plane: NDArray[np.uint16], grid: TileGrid, step: int) -> NDArray[np.float64]:
    """Return the mean level (tile row, tile column) [DN] of `plane`, hot and dead samples left out.

    Samples further than 8 robust standard deviations from the middle of their tile are replaced by it; a
    tile's standard deviation is taken from half its 16th to 84th percentile range. That touches no sample of
    a Gaussian (2e-15), so the mean is not biased.
    """
    levels = np.empty(grid.shape)
    widths = grid.widths()
    for index, rows in enumerate(sampled_rows(grid, step)):
        values = plane[rows].astype(np.float32)
        low, high, _, _ = cv2.minMaxLoc(values)
        few = np.sort(values[:: max(1, len(values) // 2), :: max(1, values.shape[1] // 128)], axis=None)
        p16, _, p84 = order_statistics(few)
        # `reach` holds all of an even tile row; only bands with samples outside it need the slower look
        reach = 4.0 * max(p84 - p16, 1.0)
        if low < p16 - reach or high > p84 + reach:
            _replace_outliers(values, grid)
        levels[index] = tile_sums(values, grid) / (len(values) * widths)
    return levels


def order_statistics(ordered: NDArray[np.floating]) -> tuple[float, float, float]:
    """Return the 16th, 50th and 84th percentile (one standard deviation of a Gaussian apart) of sorted
    values.

    The nearest value is taken: exact enough for cuts, and far quicker than interpolating.
    """
    last = len(ordered) - 1
    return (
        float(ordered[round(0.1587 * last)]),
        float(ordered[last // 2]),
        float(ordered[round(0.8413 * last)]),
    )


def _replace_outliers(values: NDArray[np.float32], grid: TileGrid) -> None:
    for left, right in zip(grid.columns[:-1], grid.columns[1:], strict=True):
        tile = values[:, left:right]
        p16, middle, p84 = order_statistics(np.sort(tile, axis=None))
        outlying = np.abs(tile - middle) > 8.0 * max(0.5 * (p84 - p16), 0.5)
        if outlying.any():
            tile[outlying] = tile[~outlying].mean()


def smooth_ratio(levels_a: NDArray[np.float64], levels_b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the smooth ratio of two maps of levels above black, all (tile row, tile column).

    A quadratic surface (a plane, a constant where there are few tiles), fitted with tiles further than 5
    robust standard deviations left out: light drifts and shading moves smoothly, dust does not.
    """
    rows, columns = levels_a.shape
    y, x = np.meshgrid(_centred(rows), _centred(columns), indexing="ij")
    terms = [np.ones_like(x)]
    if rows >= 4 and columns >= 4:
        terms += [x, y, x * x, x * y, y * y]
    elif levels_a.size >= 9:
        terms += [axis for axis in (x, y) if np.ptp(axis) > 0]
    design = np.stack([term.ravel() for term in terms], axis=1)
    ratio = (levels_a / levels_b).ravel()
    use = np.isfinite(ratio)
    fitted = np.full(ratio.shape, float(np.median(ratio[use])) if use.any() else 1.0)
    for _ in range(4):
        if np.count_nonzero(use) <= design.shape[1]:
            break
        coefficients, *_ = np.linalg.lstsq(design[use], ratio[use], rcond=None)
        fitted = design @ coefficients
        departure = ratio - fitted
        spread = 1.4826 * float(np.median(np.abs(departure[use])))
        kept = np.isfinite(ratio) & (np.abs(departure) <= 5.0 * spread + 1e-12)
        if np.array_equal(kept, use):
            break
        use = kept
    return fitted.reshape(levels_a.shape)


def _centred(count: int) -> NDArray[np.float64]:
    return np.linspace(-1.0, 1.0, count) if count > 1 else np.zeros(1)


def per_column(tile_values: NDArray[np.float64], grid: TileGrid) -> NDArray[np.float32]:
    """Return (column,) values interpolated linearly between the centres of one row of tiles."""
    centres = 0.5 * (grid.columns[:-1] + grid.columns[1:] - 1)
    columns = np.arange(int(grid.columns[-1]), dtype=np.float64)
    if len(centres) == 1:
        return np.full(columns.shape, tile_values[0], dtype=np.float32)
    inside: NDArray[np.float64] = np.interp(columns, centres, tile_values)
    # beyond the outer centres the slope of the outer pair goes on
    for edge, step, region in ((0, 1, columns < centres[0]), (-1, -1, columns > centres[-1])):
        slope = (tile_values[edge + step] - tile_values[edge]) / (centres[edge + step] - centres[edge])
        inside[region] = tile_values[edge] + slope * (columns[region] - centres[edge])
    return inside.astype(np.float32)
