"""Variance of the difference of two frames of one colour plane, tile by tile.

The difference D = (A - black) - r (B - black), r the smooth ratio of the levels, holds no fixed pattern. What
is left of light that r does not follow is taken away as means of rows and tiles, and the freedom that this
costs is counted, so that each tile's variance is unbiased. Bands of rows are worked on while they are in the
processor's cache: about eight passes over 32-bit numbers, no whole-frame copies.

Source: EMVA 1288 Release 4 Linear, section on temporal noise (pair of images); analysis of variance for rows
and tiles (standard, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.noise.neighbours import NeighbourSums
from kitgauge.measure.noise.noise_spectrum import SpectrumSums
from kitgauge.measure.noise.scatter import scatter_limit
from kitgauge.measure.noise.tiles import AcrossColumns, TileGrid, middle_two_thirds, sampled_rows

# A Gaussian cut off at +-5 standard deviations has lost 1.5e-5 of its variance: neglected. Hot, blinking and
# dead samples lie outside.
CUT_SIGMAS = 5.0
_LEVEL_SIGMAS = 8.0  # wider, as shading within a tile adds to it
_TILE_SIGMAS = 6.0
_NO_NOISE_DN2 = 1e-3  # rounding to whole codes alone makes more wherever anything varies
_SCALE_ROW_STEP = 16  # two rows in each row of tiles tell the standard deviation well enough for a cut
_PAIRED_SAMPLES = 100_000  # differences between neighbours are looked at in enough bands for this many samples


@dataclass(frozen=True)
class DifferenceNoise:
    """Noise of one difference; tile arrays are (tile row, tile column).

    `variance` [DN^2] is the white part, with rows' and columns' own noise taken out; `degrees_of_freedom`
    belong to it. `row_means` (row,) and `column_means` (column,) [DN] are the profiles of the difference;
    `row_variance` and `column_variance` [DN^2] their variance beyond what the white noise explains (may be
    below 0 by chance). `correlation_along_row` and `_along_column` are those of neighbouring samples of the
    plane. `fixed_variance` [DN^2] is the variance of the fixed pattern of A (from the sum, neighbour by
    neighbour), `texture` (tile row of the bands looked at, tile column) [DN] the standard deviation of A's
    structure eight samples apart. `spectrum` and `spectrum_blocks` are those of `SpectrumSums`.
    """

    variance: NDArray[np.float64]
    degrees_of_freedom: NDArray[np.float64]
    outliers: int
    samples: int
    row_means: NDArray[np.float64]
    column_means: NDArray[np.float64]
    row_variance: float
    column_variance: float
    tile_means: NDArray[np.float64]
    correlation_along_row: float
    correlation_along_column: float
    correlation_stderr: float
    fixed_variance: float
    texture: NDArray[np.float64]
    spectrum: tuple[float, ...]
    spectrum_blocks: float


def difference_noise(
    a: NDArray[np.uint16],
    b: NDArray[np.uint16] | NDArray[np.float32],
    grid: TileGrid,
    ratio: NDArray[np.float64],
    black_dn: float,
    level_dn: NDArray[np.float64],
    row_ratio: NDArray[np.float64] | None = None,
    least_sigma_dn: float = 0.0,
) -> DifferenceNoise:
    """Return the noise of (a - black) - ratio (b - black).

    a, b : (row, column) samples, b may be the mean of several frames; ratio : (tile row, tile column), smooth;
    level_dn : (tile row, tile column) mean of a; row_ratio : (row,) what `ratio` is multiplied by in each row, None
    for 1; least_sigma_dn : standard deviation that the difference is known to have at least (parts of frames that do
    not vary would make it look less). Left out are samples whose difference is off by more than 5 standard deviations,
    and those of `a` that are off by more than 8 from their surroundings (a hot sample may blink by little from one
    frame to the next).
    """
    rows, columns = a.shape
    shape = grid.shape
    counts, sums, squares = np.empty(shape), np.empty(shape), np.empty(shape)
    row_means = np.empty(rows)
    column_sums = np.zeros(columns)
    outliers_total = 0
    neighbours, spectrum = NeighbourSums(grid, columns), SpectrumSums(columns)
    looked_at = bands_looked_at(grid)
    widths = grid.widths()
    across = AcrossColumns.of(grid)
    weights, levels = across(ratio), across(level_dn)
    offsets = np.float32(black_dn) * (1 - weights)
    plain = not offsets.any() and bool((weights == 1).all())
    brightest = _brightest(level_dn - black_dn)
    difference_cut, level_cut = _cuts(a, b, grid, weights, levels, black_dn, brightest)
    difference_cut = np.maximum(difference_cut, CUT_SIGMAS * least_sigma_dn)
    level_cut = np.maximum(level_cut, _LEVEL_SIGMAS * least_sigma_dn)
    column_tile = np.repeat(np.arange(shape[1]), widths)
    # one set of buffers for all bands: fresh memory for each would cost as much as the arithmetic
    buffers = [np.empty((int(grid.heights().max()), columns), np.float32) for _ in range(2)]
    for index, (top, bottom) in enumerate(grid.bands()):
        height = bottom - top
        first, difference = (buffer[:height] for buffer in buffers)
        first[...] = a[top:bottom]
        if plain:
            difference[...] = b[top:bottom]
        else:
            np.multiply(b[top:bottom], weights[index], out=difference)
            difference += offsets[index]
        if row_ratio is not None:
            difference -= np.float32(black_dn)
            difference *= row_ratio[top:bottom, None].astype(np.float32)
            difference += np.float32(black_dn)
        np.subtract(first, difference, out=difference)
        cut = difference_cut[index]
        means = cv2.reduce(difference, 1, cv2.REDUCE_SUM) / np.float32(columns)
        row_means[top:bottom] = 0.0
        strong = np.flatnonzero(np.abs(means[:, 0]) > 0.1 * cut)
        if strong.size:  # bands of light: medians of these rows, lest they be taken for outliers
            medians = np.median(difference[strong], axis=1).astype(np.float32)[:, None]
            row_means[top + strong] = medians[:, 0]
            difference[strong] -= medians
            means[strong] -= medians
        counts[index] = height * widths
        found = _find_outliers(first, difference, levels[index], level_cut[index], cut)
        if found is not None:
            row, column = found
            outliers_total += row.size
            counts[index] -= np.bincount(column_tile[column], minlength=shape[1])
            taken = np.bincount(row, weights=difference[row, column], minlength=height)
            means[:, 0] -= (taken / columns).astype(np.float32)
            difference[row, column] = 0.0
        difference -= means
        row_means[top:bottom] += means[:, 0]
        band_columns = cv2.reduce(difference, 0, cv2.REDUCE_SUM)[0].astype(np.float64)
        band_squares = cv2.reduce(difference, 0, cv2.REDUCE_SUM2)[0].astype(np.float64)
        sums[index] = np.add.reduceat(band_columns, grid.columns[:-1])
        squares[index] = np.add.reduceat(band_squares, grid.columns[:-1])
        column_sums += band_columns - height * (sums[index] / (height * widths))[column_tile]
        if looked_at[index]:
            neighbours.add(first, difference)
            spectrum.add(difference)

    heights = grid.heights()[:, None]
    # Expected sum of squares after taking away row means (over the whole row) and then the tile's mean, for
    # samples of equal variance: (n - 1) - w (h - 1) / W; outliers take one each.
    freedom = np.maximum(counts - 1 - widths * (heights - 1) / columns, 1.0)
    within = squares - sums**2 / np.maximum(counts, 1.0)
    # columns' own noise: the column means after rows and tiles, against what white noise leaves in them
    column_means = column_sums / rows
    white = float(within.sum() / freedom.sum())
    column_freedom = max(columns - shape[1], 1)
    column_variance = float((column_means**2).sum() / column_freedom - white / rows)
    if column_variance > 4.0 * white / rows * math.sqrt(2.0 / column_freedom):
        own = np.add.reduceat(column_means**2, grid.columns[:-1])
        within = within - heights * own[None, :]
        freedom = np.maximum(freedom - heights / rows * (widths - 1), 1.0)
        white = float(within.sum() / freedom.sum())
    along_row, along_column = neighbours.correlations()
    return DifferenceNoise(
        variance=within / freedom,
        degrees_of_freedom=freedom,
        outliers=outliers_total,
        samples=rows * columns,
        row_means=row_means,
        column_means=column_means,
        row_variance=float(row_means.var(ddof=1)) - white / columns,
        column_variance=column_variance,
        tile_means=sums / np.maximum(counts, 1.0),
        correlation_along_row=along_row,
        correlation_along_column=along_column,
        correlation_stderr=neighbours.stderr(),
        fixed_variance=neighbours.fixed_variance(),
        texture=neighbours.texture(),
        spectrum=spectrum.power_below(),
        spectrum_blocks=spectrum.blocks,
    )


def _find_outliers(
    first: NDArray[np.float32],
    difference: NDArray[np.float32],
    levels: NDArray[np.float32],
    level_cut: float,
    difference_cut: float,
) -> tuple[NDArray[np.intp], NDArray[np.intp]] | None:
    """Return (rows, columns) of a band's samples that are off by more than the cuts, None if there are none.

    Columns without any, as their extremes tell, are not looked at any further.
    """
    suspect = first.max(axis=0) - levels > level_cut
    suspect |= levels - first.min(axis=0) > level_cut
    suspect |= difference.max(axis=0) > difference_cut
    suspect |= difference.min(axis=0) < -difference_cut
    columns = np.flatnonzero(suspect)
    if not columns.size:
        return None
    out = np.abs(difference[:, columns]) > difference_cut
    out |= np.abs(first[:, columns] - levels[columns]) > level_cut
    row, which = np.nonzero(out)
    return row, columns[which]


def bands_looked_at(grid: TileGrid) -> NDArray[np.bool_]:
    """Return which rows of tiles serve for correlation and fixed pattern: evenly spread, enough samples."""
    bands = grid.shape[0]
    needed = max(4, math.ceil(_PAIRED_SAMPLES / max(1, int(grid.columns[-1]) * int(grid.heights()[0]))))
    chosen = np.zeros(bands, dtype=bool)
    chosen[np.linspace(0, bands - 1, min(bands, needed)).round().astype(int)] = True
    return chosen


def pooled_variance(
    noise: DifferenceNoise, exposure: NDArray[np.float64]
) -> tuple[float, float, float, NDArray[np.bool_]]:
    """Return variance [DN^2], its standard error, degrees of freedom and the tiles used (tile row, tile
    column).

    exposure : (tile row, tile column) what the variance rises with, S_A + r^2 S_B [DN]; zeros for darks.
    Variance 0 and an unknown error where nothing varies in most tiles (cut off, or the same frame twice). Tiles
    whose variance departs from a straight line in `exposure` by more than 6 standard errors (things
    that moved, dust) are left out; for a Gaussian that is 2e-9 of them. Standard error: sqrt(2 / degrees of
    freedom) of a Gaussian's variance per tile, widened where tiles scatter significantly more than that.
    """
    variance, freedom = noise.variance, noise.degrees_of_freedom
    use = freedom > 8
    if float(np.median(variance)) < _NO_NOISE_DN2:
        return 0.0, math.nan, float(freedom.sum()), use
    expected = np.full_like(variance, float(np.median(variance[use])) if use.any() else math.nan)
    if float(exposure.min()) > 0:
        expected = exposure * float(np.median(variance[use] / exposure[use]))
    for _ in range(5):
        kept = (freedom > 8) & (np.abs(variance - expected) <= _TILE_SIGMAS * expected * np.sqrt(2.0 / freedom))
        if np.count_nonzero(kept) < 0.3 * kept.size:
            kept = freedom > 8
        expected = _line(exposure, variance, freedom / expected**2, kept)
        if np.array_equal(kept, use):
            break
        use = kept
    total = float(freedom[use].sum())
    pooled = float((freedom[use] * variance[use]).sum() / total)
    stderr = math.sqrt(2.0 * float((freedom[use] * expected[use] ** 2).sum())) / total
    tiles = int(np.count_nonzero(use))
    if tiles > 12:
        pull = (variance[use] - expected[use]) / (expected[use] * np.sqrt(2.0 / freedom[use]))
        excess = float((pull**2).sum()) / (tiles - 2)
        if excess > scatter_limit(tiles - 2):
            stderr *= math.sqrt(excess)
    return pooled, stderr, total, use


def _line(
    x: NDArray[np.float64], y: NDArray[np.float64], weight: NDArray[np.float64], use: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Return the weighted straight line through y(x) at every x; its mean where x hardly varies or it leaves
    y > 0."""
    w = weight * use
    mean_x, mean_y = float((w * x).sum() / w.sum()), float((w * y).sum() / w.sum())
    scatter = float((w * (x - mean_x) ** 2).sum())
    if mean_x <= 0 or scatter / w.sum() < (0.01 * mean_x) ** 2:
        return np.full_like(y, mean_y)
    line = mean_y + float((w * (x - mean_x) * (y - mean_y)).sum()) / scatter * (x - mean_x)
    return line if float(line.min()) > 0.1 * mean_y else np.full_like(y, mean_y)


def _brightest(signal: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return (tile row,) the noise of the brightest tile over that of the mean one, as if all were shot
    noise."""
    mean = signal.mean(axis=1)
    safe = np.where(mean > 0, mean, 1.0)
    return np.where(mean > 0, np.sqrt(np.maximum(signal.max(axis=1) / safe, 1.0)), 1.0)


def _cuts(
    a: NDArray[np.uint16],
    b: NDArray[np.uint16] | NDArray[np.float32],
    grid: TileGrid,
    weights: NDArray[np.float32],
    levels: NDArray[np.float32],
    black_dn: float,
    brightest: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return (tile row,) where to cut the difference, and the departures of `a` from its surroundings [DN].

    weights, levels : (tile row, column). Standard deviations are half the 16th to 84th percentile range of
    two rows in each row of tiles, a thousand samples, raised to those of the brightest tile; a quarter of a
    code is added because whole codes leave the percentiles of narrow noise that uncertain.
    """
    rows, starts = sampled_rows(grid, _SCALE_ROW_STEP)
    thin = slice(None, None, max(1, a.shape[1] // 512))
    tile_row = np.repeat(np.arange(grid.shape[0]), np.diff([*starts, len(rows)]))
    weight = weights[tile_row, thin]
    first = a[rows, thin].astype(np.float32)
    difference = first - weight * b[rows, thin].astype(np.float32) - np.float32(black_dn) * (1 - weight)

    def scale(values: NDArray[np.float32]) -> NDArray[np.float64]:
        low, high = middle_two_thirds(values)
        own = np.add.reduceat(0.5 * (high - low).astype(np.float64), starts) / np.diff([*starts, len(rows)])
        return np.asarray(brightest * np.maximum(own + 0.25, 0.7))

    return CUT_SIGMAS * scale(difference), _LEVEL_SIGMAS * scale(first - levels[tile_row, thin])
