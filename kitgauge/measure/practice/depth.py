"""Which places of a scene are sharp at which f-number, from a series with one focus setting.

A blur of variance s (per axis, px^2) multiplies the power spectrum by exp(-4 pi^2 f^2 s) at low frequencies, whatever
its shape (the second-order term of the logarithm of any transfer function). So the ratio of a tile's spectra at two
f-numbers gives the difference of their blur, noise taken off both; nothing has to be known of the scene. Defocus
makes a disc whose diameter goes with 1/N (thin lens; Goodman, Introduction to Fourier Optics, ch. 6, from memory), of
variance D^2/16 per axis: the differences over a series tell the blur that is left in the sharpest frame as well, so
that a place that is never sharp is not taken for sharp where it is least blurred.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.practice.tile_table import BAND_EDGES, TileTable

Array = NDArray[np.float64]

SHARP, UNSHARP, PLAIN = "sharp", "unsharp", "plain"
_DETAIL = 4.0  # power over noise for a ring of frequencies to be used
_LEAST_BANDS = 3
_LEAST_TILES = 5
_FINE = -3  # rings of the highest frequencies
ROUGH_RANGE_PX = (3.0, 9.0)
_MOST_FALL = 3.5  # of ln power: below, noise and other orders of the logarithm count
_QUIET = 0.1  # share of blocks and tiles that stand for noise
_CLASSES = 8  # of brightness
_STEEP = 12.0  # power of the lowest ring over that of the highest: of scenes 20 and more, of noise 1 to 8
_LEAST_LEVEL = 0.004  # of saturation: darker tiles tell nothing
_MOST_CLIPPED = 0.02
SMALLEST_CIRCLE_PX = 1.5  # a difference in blur finer than this is not told from noise


@dataclass(frozen=True)
class Depth:
    """Where each frame is sharp.

    `state` (frame, tile) of "sharp", "unsharp", "plain" (no detail to judge by), "" (outside of the frame);
    `variance_px2` (frame, tile) the blur per axis, NaN where unknown, infinite where too strong to measure;
    `circle_px` the diameter of the blur disc up to which a place counts as sharp; `sharp_share` (frame,) of the tiles
    with detail, NaN without any; `tiles` how many those are.
    """

    state: tuple[tuple[str, ...], ...]
    variance_px2: Array
    circle_px: float
    sharp_share: Array
    tiles: int


def rough_blur(tables: Sequence[TileTable]) -> Array | None:
    """Return how much more blurred each frame of a series is than its sharpest one: the streak [px], by the median over
    the tiles; infinite where too strong to measure. None where there is too little detail to tell.

    The rings of frequency take the mean over directions, so that a streak counts by its trace, 12 (s_x + s_y) with
    s_x = s_y = s, and long ones are told too short: values are rough from `ROUGH_RANGE_PX[0]` to `[1]`, and no more
    than a bound beyond.
    """
    clean = np.stack([_clean(table) for table in tables])
    noise = np.stack([_noise(table) for table in tables])
    with np.errstate(invalid="ignore", divide="ignore"):
        rich = np.log(np.maximum(clean - noise, 1e-12)).mean(axis=2)
    places = np.flatnonzero(np.isfinite(rich).all(axis=0))
    if places.size == 0:
        return None
    sharpest = int(np.argmax(np.median(rich[:, places], axis=1)))
    found = []
    for tile in places:
        own, best = _tile(clean[:, tile] - noise[:, tile], noise[:, tile], sharpest)
        if best >= 0:
            found.append(own)
    if len(found) < _LEAST_TILES:
        return None
    return np.asarray(np.sqrt(24.0 * np.maximum(np.median(np.array(found), axis=0), 0.0)))


def depth_of_series(tables: Sequence[TileTable], f_numbers: Sequence[float], circle_px: float) -> Depth:
    """Return where each frame of a series is sharp, its exact f-numbers in the order of `tables`.

    `circle_px` is the largest blur disc [px] that counts as sharp; at least `SMALLEST_CIRCLE_PX` is used.
    """
    circle_px = max(circle_px, SMALLEST_CIRCLE_PX)
    count = len(tables[0].level)
    clean = np.stack([_clean(table) for table in tables])  # (frame, tile, band)
    noise = np.stack([_noise(table) for table in tables])
    numbers = np.asarray(f_numbers, dtype=np.float64)
    variance = np.full((len(tables), count), np.nan)
    for tile in range(count):
        own, best = _tile(clean[:, tile] - noise[:, tile], noise[:, tile])
        variance[:, tile] = own + (_left_over(own, best, numbers) if best >= 0 else 0.0)
    limit = circle_px**2 / 16.0
    seen = np.stack([np.isfinite(table.level) for table in tables])
    known = ~np.isnan(variance)
    sharp = known & (variance <= limit)
    state = tuple(
        tuple(
            "" if not inside else SHARP if good else UNSHARP if judged else PLAIN
            for inside, good, judged in zip(seen[k], sharp[k], known[k], strict=True)
        )
        for k in range(len(tables))
    )
    judged = np.count_nonzero(known, axis=1)
    share = np.where(judged > 0, np.count_nonzero(sharp, axis=1) / np.maximum(judged, 1), np.nan)
    return Depth(state, variance, circle_px, share, int(np.max(judged)) if judged.size else 0)


def fine_detail(tables: Sequence[TileTable], tile: int) -> list[float]:
    """Return the power of the finest detail of one tile in each frame, noise taken off; NaN where there is none."""
    found = []
    for table in tables:
        power = _clean(table)[tile, _FINE:] - _noise(table)[tile, _FINE:]
        mean = float(np.mean(power))
        found.append(mean if mean > 0 else math.nan)
    return found


def _clean(table: TileTable) -> Array:
    """Return the power of tiles that are neither dark nor clipped, NaN for the others."""
    with np.errstate(invalid="ignore"):
        good = (table.level > _LEAST_LEVEL) & (table.clipped <= _MOST_CLIPPED)
    return np.where(good[:, None], table.power, np.nan)


def _noise(table: TileTable) -> Array:
    """Return the power of noise (tile, band), from the quietest blocks of each brightness.

    The variance of noise rises with the level, more slowly than the level: where all blocks of a brightness hold
    texture, darker and lighter ones tell. How noise spreads over the rings, the quietest tiles tell. Where even those
    have the spectrum of a scene, which falls steeply, no place is plain: the highest frequencies tell then.
    """
    level = table.block_level.ravel()
    variance = table.block_variance.ravel()
    with np.errstate(invalid="ignore"):
        known = (level > _LEAST_LEVEL) & (level < 0.9) & np.isfinite(variance)
    bands = table.power.shape[1]
    if np.count_nonzero(known) < 2 * _CLASSES:
        return np.zeros((len(table.level), bands))
    order = np.argsort(level[known])
    groups = np.array_split(order, _CLASSES)
    at = np.array([float(np.mean(level[known][group])) for group in groups])
    quiet = np.array([float(np.quantile(variance[known][group], _QUIET)) for group in groups])
    quiet = np.minimum.accumulate(quiet[::-1])[::-1]
    quiet = np.minimum.accumulate(quiet / at) * at
    with np.errstate(invalid="ignore", divide="ignore"):
        own = np.interp(table.level, at, quiet) / table.level**2
        ratio = _clean(table) / own[:, None]
    rows = np.isfinite(ratio).all(axis=1)
    if not rows.any():
        return np.zeros((len(table.level), bands))
    spread = np.quantile(ratio[rows], _QUIET, axis=0)
    noise = np.asarray(np.where(np.isfinite(own), own, 0.0)[:, None] * spread)
    if spread[0] <= _STEEP * spread[-1]:
        return noise
    return np.asarray(np.minimum(noise, np.where(np.isfinite(table.floor), table.floor, 0.0)))


def _tile(detail: Array, noise: Array, best: int = -1) -> tuple[Array, int]:
    """Return the blur of one tile in each frame beyond that of its sharpest one [px^2 per axis], and which that is.

    `detail` and `noise` are (frame, band); `best` says which frame to compare with. NaN, and -1, where there is no
    detail.
    """
    frequency = 0.5 * (np.array(BAND_EDGES[:-1]) + np.array(BAND_EDGES[1:]))
    out = np.full(len(detail), np.nan)
    inside = np.isfinite(detail).all(axis=1)
    if np.count_nonzero(inside) < 2:
        return out, -1
    # the sharpest frame: most detail over the rings, fine ones counting as much as coarse ones
    with np.errstate(invalid="ignore", divide="ignore"):
        logs = np.log(np.maximum(detail, 1e-12))
    if best < 0:
        best = int(np.argmax(np.where(inside, logs.mean(axis=1), -np.inf)))
    used = detail[best] > _DETAIL * noise[best]
    if np.count_nonzero(used) < _LEAST_BANDS:
        return out, -1
    lever = 4.0 * np.pi**2 * frequency**2
    for k in np.flatnonzero(inside):
        fall = logs[best] - logs[k]
        # up to the ring where it falls too far to be measured, or drowns in noise
        deep = (fall > _MOST_FALL) | (detail[k] < 0.5 * noise[k])
        band = used & ~np.logical_or.accumulate(deep & used)
        if np.count_nonzero(band) < 2:
            out[k] = np.inf
        else:
            # errors of ln power are alike in all rings but for the number of frequencies in them, which goes with f
            weight = frequency[band]
            out[k] = np.sum(weight * lever[band] * fall[band]) / np.sum(weight * lever[band] ** 2)
    return out, best


def _left_over(difference: Array, best: int, f_numbers: Array) -> float:
    """Return the defocus [px^2] left in the sharpest frame: what the frames of lower f-numbers have more, carried on.

    Of the variance A / N^2, frames at lower f-numbers show A (1/N^2 - 1/N_best^2) more than the best one.
    """
    with np.errstate(divide="ignore"):
        step = 1.0 / f_numbers**2 - 1.0 / f_numbers[best] ** 2
    wider = (f_numbers < f_numbers[best] * 0.99) & np.isfinite(difference)
    if wider.any():
        slope = float(np.sum(step[wider] * difference[wider]) / np.sum(step[wider] ** 2))
        return float(max(slope, 0.0) / f_numbers[best] ** 2)
    beyond = (f_numbers < f_numbers[best] * 0.99) & np.isinf(difference)
    if beyond.any():  # all wider ones are too blurred to measure: at least as much as the next one would show
        nearest = float(np.max(f_numbers[beyond]))
        least = _MOST_FALL / (4.0 * np.pi**2 * BAND_EDGES[1] ** 2)
        return float(least / (1.0 / nearest**2 - 1.0 / f_numbers[best] ** 2) / f_numbers[best] ** 2)
    return 0.0
