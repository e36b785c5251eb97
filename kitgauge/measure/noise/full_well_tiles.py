"""A flat that is partly at the photosites' full well: its brightest tiles have one level and hardly vary.

A converter's last code leaves a pile of samples on one code (`measure.code_histogram`); a full well does not, as read
noise comes after it. What tells it is the variance, which falls to that of the dark (photon transfer; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# Thresholds: common practice, no source.
_DARKER = 0.95  # of the brightest level: tiles that tell what noise to expect
_FEWEST_TILES = 12
_FEWEST_SATURATED = 3
_COLLAPSED = 0.5  # of the expected variance
_ONE_LEVEL = 0.975  # collapsed tiles lie above this share of the brightest level; a bent curve spreads them ...
_PARTLY = 15.0  # ... but for so many percent, which shading has leave the well within the tile
_CLEAR_SIGMAS = 4.0  # by which samples of a tile stay below the well
_LARGEST_PRNU = 0.01


@dataclass(frozen=True)
class FullWell:
    """Level above black [DN] at which tiles stop varying, NaN where none does, the tiles clear of it, and the standard
    deviation [DN] of the difference right below it."""

    level_dn: float
    clear: NDArray[np.bool_]
    sigma_dn: float = math.nan


def full_well_in_tiles(
    level: NDArray[np.float64],
    variance: NDArray[np.float64],
    exposure: NDArray[np.float64],
    freedom: NDArray[np.float64],
) -> FullWell:
    """Return the full well that (tile row, tile column) values of a flat show.

    level : above black [DN]; variance [DN^2] and freedom : of A - r M; exposure : S_A + r^2 S_M / m [DN].
    """
    every = FullWell(math.nan, np.ones(level.shape, dtype=bool))
    usable = (freedom > 8) & (exposure > 0)
    if np.count_nonzero(usable) < _FEWEST_TILES + _FEWEST_SATURATED:
        return every
    top = float(np.percentile(level[usable], 99))
    darker = usable & (level < _DARKER * top)
    if np.count_nonzero(darker) < _FEWEST_TILES:
        return every
    per_level = variance / np.maximum(exposure, 1e-9)
    expected = float(np.median(per_level[darker]))
    collapsed = usable & (per_level < _COLLAPSED * expected)
    if np.count_nonzero(collapsed) < _FEWEST_SATURATED:
        return every
    if float(np.percentile(level[collapsed], _PARTLY)) < _ONE_LEVEL * top:
        return every
    spread = np.sqrt(np.maximum(expected * level, 0.0) + (_LARGEST_PRNU * level) ** 2)
    clear = level < top - _CLEAR_SIGMAS * spread
    if np.count_nonzero(clear) < _FEWEST_TILES:
        return every
    sigma = math.sqrt(expected * float(exposure[usable].max()))
    return FullWell(float(np.median(level[collapsed])), clear, sigma)
