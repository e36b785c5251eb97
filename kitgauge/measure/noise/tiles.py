"""Tiles over one colour plane: local levels, and the smooth ratio of two frames' levels.

Everything that depends on the level is taken per tile, because the light over a flat is never even: the
variance of a frame is a sum of tiles whose expectations differ, and a shading that moves between two frames
is smooth over tiles.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitgauge.errors import MeasurementError

TILE = 32  # samples; ~1000 per tile: tile variances scatter by 4.4 %, and shading within a tile is small
SMALLEST_PLANE = 16  # rows and columns
_LEVEL_SAMPLES = 150_000  # enough for levels to 1e-5; more rows are skipped
_LEVEL_STEP = 8
_FEWEST_STEPS = 6


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
    """Return a grid of tiles of at least `size` samples a side; half of it where that makes fewer than four.

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
        count = length // size if length >= 4 * size else max(1, 2 * length // size)
        return np.linspace(0, length, count + 1).astype(np.intp)

    return TileGrid(edges(rows), edges(columns))


def level_step(shape: tuple[int, int]) -> int:
    """Return which rows suffice for levels and histograms: every 1st (small planes) to every 8th."""
    return int(np.clip(shape[0] * shape[1] // _LEVEL_SAMPLES, 1, _LEVEL_STEP))


def sampled_rows(grid: TileGrid, step: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return every `step`-th row of each row of tiles, centred in it, and where each row of tiles begins in
    them."""
    parts = [np.arange(top + min((step - 1) // 2, bottom - top - 1), bottom, step) for top, bottom in grid.bands()]
    starts = np.cumsum([0] + [len(part) for part in parts[:-1]])
    return np.concatenate(parts), starts


def tile_levels(plane: NDArray[np.uint16] | NDArray[np.float32], grid: TileGrid, step: int) -> NDArray[np.float64]:
    """Return the mean level (tile row, tile column) [DN] of every `step`-th row, without hot and dead samples.

    Left out are samples further than 8 robust standard deviations from the middle of their tile; a tile's standard
    deviation is half its 16th to 84th percentile range. That touches no sample of a Gaussian (2e-15), so the mean
    is not biased.
    """
    rows, starts = sampled_rows(grid, step)
    per_band = np.diff([*starts, len(rows)])
    values = np.empty((len(rows), plane.shape[1]), np.float32)
    for into, row in zip(values, rows, strict=True):  # a gather of rows of a view into a frame takes twice as long
        into[...] = plane[row]
    sums = _of_bands(np.add, values, starts, per_band)
    levels = np.add.reduceat(sums, grid.columns[:-1], axis=1, dtype=np.float64) / (per_band[:, None] * grid.widths())
    # Most tiles hold nothing unusual, which their extremes tell; half of the cut allows for shading within a tile, and
    # for tiles that are darker, and so less noisy, than others in their row.
    across = AcrossColumns.of(grid, slice(None, None, max(1, values.shape[1] // 128)))
    thin = values[:, across.columns] - np.repeat(across(levels), per_band, axis=0)
    low, high = middle_two_thirds(thin)
    reach = 2.0 * np.maximum(np.add.reduceat(high - low, starts) / per_band, 1.0)[:, None]
    greatest, least = (_of_bands(pick, values, starts, per_band) for pick in (np.maximum, np.minimum))
    suspects = np.maximum.reduceat(greatest, grid.columns[:-1], axis=1) - levels > reach
    suspects |= levels - np.minimum.reduceat(least, grid.columns[:-1], axis=1) > reach
    if suspects.any():
        levels[suspects] = _levels_without_outliers(values, starts, per_band, grid, np.argwhere(suspects))
    return levels


def _of_bands(
    pick: np.ufunc, values: NDArray[np.float32], starts: NDArray[np.intp], per_band: NDArray[np.intp]
) -> NDArray[np.float32]:
    """Return (band, column) of (row, column) values, a band's rows joined by `pick`; fast where bands are alike."""
    if int(per_band.min()) == int(per_band.max()):
        joined = pick.reduce(values.reshape(len(starts), -1, values.shape[1]), axis=1)
    else:
        joined = np.stack([pick.reduce(band, axis=0) for band in np.split(values, starts[1:])])
    return np.asarray(joined, dtype=np.float32)


def middle_two_thirds(values: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the 16th and 84th percentile of each row, two standard deviations of a Gaussian apart.

    The nearest value is taken: exact enough for cuts, and far quicker than interpolating.
    """
    ordered = np.sort(values, axis=1)
    last = ordered.shape[1] - 1
    return ordered[:, round(0.1587 * last)], ordered[:, round(0.8413 * last)]


def _levels_without_outliers(
    values: NDArray[np.float32],
    starts: NDArray[np.intp],
    per_band: NDArray[np.intp],
    grid: TileGrid,
    tiles: NDArray[np.intp],
) -> NDArray[np.float64]:
    """Return (tile,) means of the tiles at `tiles` (tile, [tile row, tile column]), outliers left out."""
    down, across = tiles[:, 0], tiles[:, 1]
    row, column = np.arange(per_band.max()), np.arange(grid.widths().max())
    inside = (row < per_band[down, None])[:, :, None] & (column < grid.widths()[across, None])[:, None, :]
    rows = np.minimum(starts[down, None] + row, len(values) - 1)
    columns = np.minimum(grid.columns[:-1][across, None] + column, values.shape[1] - 1)
    samples = np.where(inside, values[rows[:, :, None], columns[:, None, :]], np.nan).reshape(len(tiles), -1)
    count = inside.sum(axis=(1, 2))
    ordered = np.sort(samples, axis=1)  # what is outside a tile comes last
    each = np.arange(len(tiles))
    p16, middle, p84 = (ordered[each, np.rint(share * (count - 1)).astype(int)] for share in (0.1587, 0.5, 0.8413))
    cut = 8.0 * np.maximum(0.5 * (p84 - p16), 0.5)
    kept = np.abs(samples - middle[:, None]) <= cut[:, None]
    return np.asarray(np.where(kept, samples, 0.0).sum(axis=1, dtype=np.float64) / kept.sum(axis=1))


def broken_share(levels: NDArray[np.float64], least: NDArray[np.float64]) -> float:
    """Return the share of places where levels (tile row, tile column) step by more than `least` (same shape).

    A step of h makes a third difference of 2 h; those of shading that is quadratic over four tiles vanish. The
    larger share of the two directions is taken, 0 where fewer than 6 places step (dust).
    """
    shares = [0.0]
    for axis in (0, 1):
        if levels.shape[axis] > 3:
            third = np.abs(np.diff(levels, 3, axis=axis))
            limit = np.take(least, np.arange(third.shape[axis]), axis=axis)
            steps = int(np.count_nonzero(third > 2.0 * limit))
            shares.append(steps / third.size if steps >= _FEWEST_STEPS else 0.0)
    return max(shares)


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


@dataclass(frozen=True)
class AcrossColumns:
    """Linear interpolation across, from the centres of tiles to chosen columns.

    Beyond the outer centres the slope of the outer pair goes on.
    """

    columns: NDArray[np.intp]
    left: NDArray[np.intp]
    share: NDArray[np.float32]

    @classmethod
    def of(cls, grid: TileGrid, chosen: slice = slice(None)) -> AcrossColumns:
        """Return the interpolation to all columns of a grid, or to some."""
        columns = np.arange(int(grid.columns[-1]))[chosen]
        if grid.shape[1] == 1:
            return cls(columns, np.zeros_like(columns), np.zeros(columns.size, np.float32))
        centres = 0.5 * (grid.columns[:-1] + grid.columns[1:] - 1)
        left = np.clip(np.searchsorted(centres, columns, side="right") - 1, 0, grid.shape[1] - 2)
        share = ((columns - centres[left]) / (centres[left + 1] - centres[left])).astype(np.float32)
        return cls(columns, left, share)

    def __call__(self, tile_values: NDArray[np.float64]) -> NDArray[np.float32]:
        """Return (tile row, column) values of (tile row, tile column) ones."""
        start = tile_values.astype(np.float32)
        if tile_values.shape[1] == 1:
            return np.repeat(start, self.columns.size, axis=1)
        step = np.diff(tile_values, axis=1).astype(np.float32)
        # take, not start[:, left]: that would lay the columns one after another in memory, and rows are what is used
        between = np.take(step, self.left, axis=1)
        between *= self.share
        between += np.take(start, self.left, axis=1)
        return between
