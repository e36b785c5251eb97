"""What the ground beside an edge, and the edge's own course, tell of texture: structure that noise does not explain.

The noise of the frame is taken from its quietest places: where the picture is plain, neighbours differ by noise only.
It is independent from sample to sample, so averages over blocks carry a known part of it; what is left is texture.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_TILE = 8
_QUIET = 10.0  # percentile of the tiles of one brightness
# a tenth of the tiles of pure noise has a mean squared difference below this share of the expected one: 56 differences,
# neighbours sharing a sample, scatter by sqrt(3/56); 1.28 of that below the mean
_QUIET_SHARE = 1.0 - 1.28 * math.sqrt(3.0 / 56.0)
_BRIGHTNESSES = 8
_FEWEST_TILES = 12
_BLOCK = 4  # pixels of the strip along and across the edge
_NARROWEST = 2  # columns of ground
_FEWEST = 3  # blocks along the edge
_PARTS = 8  # of the course, along the edge
# linear interpolation between samples leaves 2/3 of white noise's variance on average over the phases, each way
_INTERPOLATED = 2.0 / 3.0
_SIGNIFICANT = 3.0  # standard errors
_NOISE_KNOWN_TO = 0.2  # of its variance: quiet places are few in a small or busy frame


@dataclass(frozen=True)
class NoiseFloor:
    """Variance of one pixel of the reduced picture: the larger of `dark` [DN^2] and `per_dn` [DN] times the level."""

    dark: float
    per_dn: float

    def variance(self, level: float) -> float:
        """Return the variance [DN^2] at a level [DN]."""
        return max(self.dark, self.per_dn * max(level, 0.0))


@dataclass(frozen=True)
class Stray:
    """How far an edge's course strays from a parabola beyond noise [px]: row by row, and in long parts of it."""

    rows: float
    parts: float


def noise_floor(image: NDArray[np.float32]) -> NoiseFloor:
    """Return the noise of a picture from the squared differences of neighbours in its quietest tiles.

    Shot noise grows with the level and read noise does not (EMVA 1288 R4, linear camera model): the lower envelope of
    var = a + b S is taken from tiles of all brightnesses. Too small a picture gives 0.
    """
    bands = image.shape[0] // (2 * _TILE)
    columns = image.shape[1] // _TILE
    if bands * columns < _FEWEST_TILES:
        return NoiseFloor(0.0, 0.0)
    # every other band of rows is enough
    rows = image[: bands * 2 * _TILE, : columns * _TILE].reshape(bands, 2 * _TILE, columns * _TILE)[:, :_TILE]
    step = np.diff(rows, axis=2, append=rows[:, :, -1:])
    np.multiply(step, step, out=step)
    shape = (bands, _TILE, columns, _TILE)
    # the last difference of a tile reaches into the next one
    squares = np.einsum("btci->bc", step.reshape(shape)[..., : _TILE - 1]).ravel() / (2 * _TILE * (_TILE - 1))
    level = rows[:, ::4].reshape(bands, -1, columns, _TILE).mean(axis=(1, 3)).ravel()
    good = (squares > 0) & (level > 0)
    squares, level = squares[good], level[good]
    if squares.size < _FEWEST_TILES:
        return NoiseFloor(0.0, 0.0)
    order = np.argsort(level)
    parts = np.array_split(order, min(_BRIGHTNESSES, squares.size // _FEWEST_TILES + 1))
    quiet = np.array([np.percentile(squares[part], _QUIET) for part in parts]) / _QUIET_SHARE
    middle = np.array([level[part].mean() for part in parts])
    return NoiseFloor(float(quiet.min()), float((quiet / middle).min()))


def texture_beside(ground: Array, variance: float) -> float:
    """Return the standard deviation of texture [the strip's unit] of `ground`, 0 where noise explains all.

    `ground` (along, across) is sampled one pixel apart on one side of an edge, `variance` that of one pixel's noise.
    Only what changes along the edge counts. NaN where the strip is too small to tell.
    """
    wide = min(_BLOCK, ground.shape[1])
    if wide < _NARROWEST or not np.isfinite(ground).all():
        return math.nan
    along, across = ground.shape[0] // _BLOCK, ground.shape[1] // wide
    if along < _FEWEST:
        return math.nan
    level = _without_slope(ground)
    blocks = level[: along * _BLOCK, : across * wide].reshape(along, _BLOCK, across, wide)
    coarse = _beyond(blocks.mean(axis=(1, 3)), variance / (_BLOCK * wide))
    # single pixels: half of what is left over, as their noise is less well known after interpolation
    fine = 0.5 * _beyond(level, variance * _INTERPOLATED**2)
    return max(coarse, fine)


def stray_of(place: Array, variance: float) -> Stray:
    """Return how an edge's course `place` (along) [px] strays; `variance` [px^2] is that of one row's noise."""
    size = max(4, place.size // _PARTS)
    count = place.size // size
    if count < _FEWEST:
        return Stray(0.0, 0.0)
    along = np.linspace(-1.0, 1.0, place.size)
    stray = place - place.mean()
    for shape in (along, along**2 - (along**2).mean()):  # at right angles to each other on an even grid
        stray -= shape * (float((shape * stray).sum()) / float((shape**2).sum()))
    means = stray[: count * size].reshape(count, size).mean(axis=1)
    return Stray(rows=_beyond(stray, variance * _INTERPOLATED), parts=_beyond(means, variance / size))


def _beyond(values: Array, explained: float) -> float:
    """Return the root of the variance beyond `explained`, 0 where it is not significant."""
    beyond = float(np.mean(values**2)) - explained
    # the variance of n independent values has a relative standard error of sqrt(2/n)
    unsure = _SIGNIFICANT * explained * math.hypot(math.sqrt(2.0 / values.size), _NOISE_KNOWN_TO)
    return math.sqrt(beyond) if beyond > unsure else 0.0


def _without_slope(ground: Array) -> Array:
    """Return the ground without what it has everywhere along the edge (light, the line that sharpening leaves), and
    without an even slope of light along it.
    """
    along = np.linspace(-1.0, 1.0, ground.shape[0])[:, None]
    level = ground - ground.mean(axis=0)
    level -= along * (float((level * along).sum()) / (float((along**2).sum()) * ground.shape[1]))
    return np.asarray(level, dtype=np.float64)
