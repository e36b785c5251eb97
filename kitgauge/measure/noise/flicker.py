"""Bands of flickering light between two flats, told from rows' own noise."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.noise.difference_noise import DifferenceNoise
from kitgauge.measure.noise.tiles import TileGrid

CORRELATED = 0.03  # neighbours that have more to do with one another are not white (common practice, no source)
_UNRELATED_ROWS = 4  # noise reduction reaches less far


@dataclass(frozen=True)
class Bands:
    """Bands of flickering light: what the ratio is multiplied by in each row, and means of its square by row of
    tiles, plain and weighted with the light of the second frame."""

    row_ratio: NDArray[np.float64]
    squared: NDArray[np.float64]
    squared_of_light: NDArray[np.float64]

    @classmethod
    def of(
        cls,
        noise: DifferenceNoise,
        b: NDArray[np.uint16] | NDArray[np.float32],
        grid: TileGrid,
        ratio: NDArray[np.float64],
        black_dn: float,
    ) -> Bands:
        """Return the bands that the row means of A - r B show: (row mean of A) / (row mean of r B)."""
        heights = grid.heights()
        light = b.mean(axis=1) - black_dn
        expected = np.repeat(ratio.mean(axis=1), heights) * light
        row_ratio = np.where(expected > 0, 1.0 + noise.row_means / np.where(expected > 0, expected, 1.0), 1.0)

        def by_tile(values: NDArray[np.float64]) -> NDArray[np.float64]:
            return np.asarray(np.add.reduceat(values, grid.rows[:-1]))

        squared = row_ratio**2
        return cls(row_ratio, by_tile(squared) / heights, by_tile(squared * light) / by_tile(light))


def white_row_variance(noise: DifferenceNoise) -> float:
    """Return the variance of row offsets that do not go on from row to row [DN^2], white pixel noise taken
    off."""
    steps = np.diff(noise.row_means)
    smooth = float(noise.row_means.var(ddof=1)) - 0.5 * float((steps**2).mean())
    return noise.row_variance - max(smooth, 0.0)


def flicker_dn(noise: DifferenceNoise, grid: TileGrid) -> float:
    """Return the standard deviation of smooth bands along the rows [DN], 0 where not significant.

    Steps between neighbouring rows hold twice the variance of independent row offsets and next to none of a
    smooth band (von Neumann's mean square successive difference; from memory). Significant: above 5 standard
    errors. Where noise is correlated down the columns, neighbouring rows are not independent: rows further apart
    serve.
    """
    rows = int(grid.rows[-1])
    lag = _UNRELATED_ROWS if abs(noise.correlation_along_column) > CORRELATED else 1
    steps = noise.row_means[lag:] - noise.row_means[:-lag]
    independent = 0.5 * float((steps**2).mean())
    smooth = float(noise.row_means.var(ddof=1)) - independent
    return math.sqrt(smooth) if smooth > 5.0 * independent * math.sqrt(2.0 * lag / rows) else 0.0
