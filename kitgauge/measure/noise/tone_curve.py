"""Does noise rise with the level as in a linear raw? The slope of log variance against log level over tiles.

In a linear raw var = K S + d, with d of dark noise: the slope of log var against log S is the share of shot noise,
between 0 and 1 (photon transfer, EMVA 1288 Release 4 Linear). A curve y = x^c that was not undone gives 2 - 1/c for
shot noise: -0.2 for c = 0.45, 0.57 for 0.7, 1.2 for 1.3. An uneven flat shows the slope within one frame, as its tiles
have different levels; an even one tells nothing. What looks the same: shading that was evened out in the file (a gain
map raises level and noise together).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# All three: common practice, no source.
_FEWEST_TILES = 12
_LEAST_DEPARTURE = 0.12  # of the slope from what a linear raw can have: real sensors are linear to a few percent
_SIGNIFICANT = 5.0


@dataclass(frozen=True)
class LevelSlope:
    """Slope of log variance against log level over the tiles of a flat, and its standard error; NaN unknown."""

    slope: float
    stderr: float

    def departs(self, expected: float = math.nan) -> bool:
        """Tell whether a linear raw cannot have this slope: `expected` if known, else anything from 0 to 1."""
        if not math.isfinite(self.slope) or not math.isfinite(self.stderr):
            return False
        low, high = (expected, expected) if math.isfinite(expected) else (0.0, 1.0)
        allowed = max(_LEAST_DEPARTURE, _SIGNIFICANT * self.stderr)
        return self.slope < low - allowed or self.slope > high + allowed


def level_slope(
    level: NDArray[np.float64], variance: NDArray[np.float64], freedom: NDArray[np.float64], use: NDArray[np.bool_]
) -> LevelSlope:
    """Return the weighted slope of log `variance` against log `level` over the tiles in `use`.

    level, variance, freedom, use : (tile row, tile column); level above black, such as S_A + r^2 S_B. A Gaussian's
    log variance is known to sqrt(2 / freedom) (and low by 1 / freedom, which is put right); widened where tiles
    scatter more than that.
    """
    chosen = use & (level > 0) & (variance > 0) & (freedom > 8)
    if np.count_nonzero(chosen) < _FEWEST_TILES:
        return LevelSlope(math.nan, math.nan)
    x, n = np.log(level[chosen]), freedom[chosen]
    y = np.log(variance[chosen]) + 1.0 / n
    weight = 0.5 * n
    x = x - (weight * x).sum() / weight.sum()
    y = y - (weight * y).sum() / weight.sum()
    spread = float((weight * x * x).sum())
    if spread <= 0:
        return LevelSlope(math.nan, math.nan)
    slope = float((weight * x * y).sum()) / spread
    chi2 = float((weight * (y - slope * x) ** 2).sum()) / (x.size - 2)
    return LevelSlope(slope, math.sqrt(max(chi2, 1.0) / spread))


def evened_out(
    level: NDArray[np.float64], variance: NDArray[np.float64], freedom: NDArray[np.float64], use: NDArray[np.bool_]
) -> float:
    """Return by how much log variance rises from the centre to the corners beyond what the level explains; 0 where
    that is not certain.

    A gain map that evens shading out multiplies noise towards the corners and leaves the level flat. In a linear raw
    the slope of log variance against log level is between 0 and 1; a rise is certain if it is there for both. Arguments
    as in `level_slope`.
    """
    chosen = use & (level > 0) & (variance > 0) & (freedom > 8)
    if np.count_nonzero(chosen) < _FEWEST_TILES:
        return 0.0
    y, x = np.meshgrid(*(np.linspace(-1.0, 1.0, count) for count in level.shape), indexing="ij")
    radial = (0.5 * (x * x + y * y))[chosen]
    weight = 0.5 * freedom[chosen]
    radial = radial - (weight * radial).sum() / weight.sum()
    spread = float((weight * radial**2).sum())
    if spread <= 0:
        return 0.0
    rises = []
    for slope in (0.0, 1.0):
        rest = np.log(variance[chosen]) - slope * np.log(level[chosen])
        rest = rest - (weight * rest).sum() / weight.sum()
        rise = float((weight * radial * rest).sum()) / spread
        chi2 = float((weight * (rest - rise * radial) ** 2).sum()) / (rest.size - 2)
        certain = rise > max(_LEAST_DEPARTURE, _SIGNIFICANT * math.sqrt(max(chi2, 1.0) / spread))
        rises.append(rise if certain else 0.0)
    return min(rises)
