"""Noise of the frames of a series against one of them, in stops, at places without detail.

The same blocks are read in every frame: those that stay quiet in all of them, found for the lighter and the darker
half of the scene apart. What they show beyond noise is alike in all frames, and choosing them by all frames together
favours none. Noise is taken relative to the level, as the eye sees it once the pictures are equally bright; its
ratio between two frames is the median over blocks of the ratio block by block.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.practice.tile_table import TileTable

Array = NDArray[np.float64]

_MOST_BLOCKS = 60
_LEAST_BLOCKS = 6
_LEVELS = (0.002, 0.75)  # of saturation, between which noise tells something
_QUIET_SHARE = 0.15  # of the blocks of a class at most
_FLAT = 2.0  # variance in the first frame over that of its quietest blocks: more is texture


@dataclass(frozen=True)
class SeriesNoise:
    """Noise of each frame against the first, (frame,) [stops]: `all_stops` at all blocks, with its standard error;
    `light_stops` and `dark_stops` in the lighter and the darker parts. NaN where not known. `blocks` were read.

    `light_share`, `dark_share` (frame,): noise as a share of the level there, before what colour filters and gaps
    filled in change about it.
    """

    all_stops: Array
    all_stops_stderr: Array
    light_stops: Array
    dark_stops: Array
    light_share: Array
    dark_share: Array
    blocks: int


def noise_of_series(tables: Sequence[TileTable]) -> SeriesNoise:
    """Return the noise of each frame against the first one. All NaN where no place stays flat."""
    count = len(tables)
    levels = np.stack([table.block_level.ravel() for table in tables])
    with np.errstate(invalid="ignore", divide="ignore"):
        relative = np.stack([table.block_variance.ravel() for table in tables]) / levels**2
        inside = (levels > _LEVELS[0]) & (levels < _LEVELS[1]) & (relative > 0)
    good = inside.all(axis=0)
    nothing = np.full(count, np.nan)
    if np.count_nonzero(good) < _LEAST_BLOCKS:
        return SeriesNoise(nothing, nothing, nothing, nothing, nothing, nothing, 0)
    middle = float(np.median(levels[0][good]))
    light, dark = (_quiet(relative, good & part, levels[0]) for part in (levels[0] >= middle, levels[0] < middle))
    both = np.concatenate([light, dark])
    stops, errors = _stops(relative, both)
    return SeriesNoise(
        stops, errors, _stops(relative, light)[0], _stops(relative, dark)[0],
        _share(relative, light), _share(relative, dark), int(both.size),
    )  # fmt: skip


def _quiet(relative: Array, good: NDArray[np.bool_], level: Array) -> NDArray[np.intp]:
    """Return the quietest blocks of a class, none where they are no quieter than texture."""
    places = np.flatnonzero(good)
    if places.size < _LEAST_BLOCKS:
        return places[:0]
    own = relative[:, places]
    # noise of light goes with the root of the level: judged relative to that, dark blocks are not put off
    own = own * level[places]
    score = np.mean(own / np.median(own, axis=1, keepdims=True), axis=0)
    most = int(np.clip(_QUIET_SHARE * places.size, _LEAST_BLOCKS, _MOST_BLOCKS))
    return np.asarray(places[np.argsort(score)[:most]], dtype=np.intp)


def _stops(relative: Array, places: NDArray[np.intp]) -> tuple[Array, Array]:
    """Return half the log2 ratio of variances to those of the first frame, and its standard error by their scatter."""
    if places.size < _LEAST_BLOCKS:
        nothing = np.full(len(relative), np.nan)
        return nothing, nothing
    ratio = 0.5 * np.log2(relative[:, places] / relative[0, places])
    stops = np.median(ratio, axis=1)
    # standard error of a median of near-normal values: 1.2533 s / sqrt(n)
    errors = 1.2533 * np.std(ratio, axis=1, ddof=1) / math.sqrt(places.size)
    errors[0] = np.nan
    return stops, errors


def _share(relative: Array, places: NDArray[np.intp]) -> Array:
    if places.size < _LEAST_BLOCKS:
        return np.full(len(relative), np.nan)
    return np.asarray(np.sqrt(np.median(relative[:, places], axis=1)))
