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

# All of these: common practice, no source.
_TILE_SIGMAS = 6.0
_LEAST_SHARE = 0.001  # of the level: less is no shadow that anybody could see, and harms nothing
_SHADOW_TILES = 9  # tiles in one piece
_DUST_TILES = 2
_ALIKE = 0.35  # correlation of diagonal neighbours
_CORRELATION_SIGMAS = 6.0


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
    wide = _wide_shadow(tile_means, freedom > 8, float(level.mean()))
    if wide > 0:
        return MovedLight(tile_means.size, tile_means.size, wide)
    if tiles == 0:
        return MovedLight(0, 0, 0.0)
    _, _, stats, _ = cv2.connectedComponentsWithStats(changed.astype(np.uint8), connectivity=8)
    share = float(np.sqrt(np.mean((tile_means[changed] / level[changed]) ** 2)))
    return MovedLight(int(stats[1:, cv2.CC_STAT_AREA].max()), tiles, share)


def _wide_shadow(tile_means: NDArray[np.float64], usable: NDArray[np.bool_], level_dn: float) -> float:
    """Return the standard deviation of change that neighbouring tiles share, as a share of the level; 0 where it is not
    certain or too little to see.

    Diagonal neighbours share neither rows nor columns, whose own noise is taken out first.
    """
    if min(tile_means.shape) < 4 or not usable.all():
        return 0.0
    rest = tile_means - tile_means.mean(axis=0, keepdims=True) - tile_means.mean(axis=1, keepdims=True)
    rest = rest + tile_means.mean()
    reach = 4.0 * 1.4826 * float(np.median(np.abs(rest)))  # single tiles that stand out are dust
    rest = np.clip(rest, -reach, reach)
    variance = float((rest**2).mean())
    shared = 0.5 * float((rest[1:, 1:] * rest[:-1, :-1]).mean() + (rest[1:, :-1] * rest[:-1, 1:]).mean())
    chance = _CORRELATION_SIGMAS / np.sqrt(2.0 * rest[1:, 1:].size)
    if variance <= 0 or shared < max(_ALIKE, chance) * variance:
        return 0.0
    share = float(np.sqrt(shared)) / level_dn
    return share if share > _LEAST_SHARE else 0.0
