"""What moved between two flats: shadows and dust, from the tiles of their weighted difference.

The smooth ratio follows light that drifts and shading that tilts. What it leaves over in single tiles are dust grains
that moved; in many tiles next to one another, a shadow. A shadow so soft that it is a parabola over the whole frame is
followed by the ratio and does no harm.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

_TILE_SIGMAS = 6.0
_LEAST_SHARE = 0.001  # of the level: less is no shadow that anybody could see, and harms nothing
_SHADOW_TILES = 9  # tiles in one piece
_DUST_TILES = 2


@dataclass(frozen=True)
class MovedLight:
    """Number of tiles in the largest connected piece that changed, and of all tiles that did."""

    largest: int
    tiles: int
    changed_share: float  # root mean square of the change in those tiles, as a share of the level

    @property
    def shadow(self) -> bool:
        """Whether the largest piece is too large for dust."""
        return self.largest >= _SHADOW_TILES

    @property
    def dust(self) -> bool:
        """Whether small pieces changed."""
        return not self.shadow and self.tiles >= _DUST_TILES


def moved_light(
    tile_means: NDArray[np.float64],
    variance: NDArray[np.float64],
    freedom: NDArray[np.float64],
    expected: NDArray[np.float64],
    level: NDArray[np.float64],
) -> MovedLight:
    """Return what changed between two flats, from (tile row, tile column) values of A - r B.

    tile_means, variance [DN, DN^2], freedom : those of the difference; expected : the variance that a linear relation
    to the level gives; level : A above black [DN]. A tile has changed where its mean departs from 0, or its variance
    exceeds what is expected, by 6 standard errors and by 0.1 % of the level.
    """
    sigma = np.sqrt(np.maximum(expected, 1e-9))
    level = np.maximum(level, 1e-9)
    # how rows and columns of one frame are offset goes into the means of tiles: their own scatter allows for it
    middle = float(np.median(tile_means))
    scatter = 1.4826 * float(np.median(np.abs(tile_means - middle)))
    error = np.maximum(sigma / np.sqrt(np.maximum(freedom, 1.0)), scatter)
    departure = np.abs(tile_means - middle)
    shifted = (departure > _TILE_SIGMAS * error) & (departure > _LEAST_SHARE * level)
    excess = variance - expected
    rougher = (excess > _TILE_SIGMAS * expected * np.sqrt(2.0 / np.maximum(freedom, 1.0))) & (
        excess > (_LEAST_SHARE * level) ** 2
    )
    changed = (shifted | rougher) & (freedom > 8)
    tiles = int(np.count_nonzero(changed))
    if tiles == 0:
        return MovedLight(0, 0, 0.0)
    _, _, stats, _ = cv2.connectedComponentsWithStats(changed.astype(np.uint8), connectivity=8)
    share = float(np.sqrt(np.mean((tile_means[changed] / level[changed]) ** 2)))
    return MovedLight(int(stats[1:, cv2.CC_STAT_AREA].max()), tiles, share)
