"""Noise of one everyday frame, estimated from its smooth places: good to tens of per cent, for want of measurements.

A frame of a scene holds detail everywhere, and detail passes for noise. So the variance is taken from second
differences of neighbouring samples of one position of the pattern (6 s^2 for white noise), which a slope leaves alone,
in small blocks, the way with less detail of the two; and of the blocks of one level only the lower ones count, whose
variance is scaled up to the mean by its known distribution. A scene without smooth places gives too much noise, never
too little by more than its scatter. Model: variance = a + b * level (EMVA 1288 R4: read noise and photons).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_BLOCK = 10  # samples of one plane along a side
_LEVELS = 12
_LEAST_BLOCKS = 12  # of one level
_SHARE = 0.15  # of the blocks of a level, those with least variance
_MOST_BLOCKS = 6000


@dataclass(frozen=True)
class SceneNoise:
    """Variance of a sample [DN^2] = read_dn2 + per_dn * level [DN], black subtracted; `blocks` used."""

    read_dn2: float
    per_dn: float
    blocks: int

    def level_of_snr(self, snr: float) -> float:
        """Return the level [DN] whose signal-to-noise ratio per sample is `snr`: S^2 = snr^2 (a + b S)."""
        square = snr**2
        return 0.5 * (square * self.per_dn + math.sqrt((square * self.per_dn) ** 2 + 4 * square * self.read_dn2))

    def snr(self, level_dn: float) -> float:
        """Return the signal-to-noise ratio of a sample at a level [DN]."""
        variance = self.read_dn2 + self.per_dn * max(level_dn, 0.0)
        return level_dn / math.sqrt(variance) if variance > 0 else math.nan


def scene_noise(planes: Iterable[tuple[NDArray[np.uint16], float, float]]) -> SceneNoise | None:
    """Return the noise of planes (samples, black_dn, white_dn) of one colour; None where they have no smooth places.

    samples : (row, column), one position of the pattern each, black still in them.
    """
    levels, variances = [], []
    for samples, black_dn, white_dn in planes:
        level, variance, usable = _block_statistics(samples, white_dn)
        levels.append(level[usable] - black_dn)
        variances.append(variance[usable])
    if not levels or sum(part.size for part in levels) < 4 * _LEAST_BLOCKS:
        return None
    return _model(np.concatenate(levels), np.concatenate(variances))


def _block_statistics(samples: NDArray[np.uint16], white_dn: float) -> tuple[Array, Array, NDArray[np.bool_]]:
    rows, columns = (size // _BLOCK for size in samples.shape)
    stride = max(1, math.isqrt(rows * columns // _MOST_BLOCKS))
    whole = samples[: rows * _BLOCK, : columns * _BLOCK]
    blocks = whole.reshape(rows, _BLOCK, columns, _BLOCK)[::stride, :, ::stride].transpose(0, 2, 1, 3)
    values = blocks.reshape(-1, _BLOCK, _BLOCK).astype(np.float64)
    clipped = (values >= white_dn).any(axis=(1, 2)) | (values.min(axis=(1, 2)) <= 0)
    # the mean of a second difference's square is 6 s^2; rows and columns apart
    along = [np.mean(np.diff(values, n=2, axis=axis) ** 2, axis=(1, 2)) / 6.0 for axis in (1, 2)]
    return values.mean(axis=(1, 2)), np.minimum(*along), ~clipped


def _model(levels: Array, variances: Array) -> SceneNoise | None:
    edges = np.unique(np.quantile(levels, np.linspace(0, 1, _LEVELS + 1)))
    at, floor, weight = [], [], []
    factor = _low_quantile_factor()
    for low, high in pairwise(edges):
        inside = (levels >= low) & (levels <= high)
        if inside.sum() < _LEAST_BLOCKS:
            continue
        limit = float(np.quantile(variances[inside], _SHARE))
        at.append(float(np.median(levels[inside])))
        floor.append(max(limit * factor, 1.0 / 12.0))
        weight.append(math.sqrt(float(inside.sum())))
    if len(at) < 2:
        return None
    level, variance = np.maximum(np.array(at), 0.0), np.array(floor)
    # detail raises some levels: each round, those far above the line count less
    scale = np.array(weight) / variance
    a, b = _line(level, variance, scale)
    for _ in range(8):
        excess = variance / np.maximum(a + b * level, 1e-9)
        a, b = _line(level, variance, scale / np.maximum(excess, 1.0) ** 2)
    return SceneNoise(a, b, int(levels.size))


def _line(level: Array, variance: Array, scale: Array) -> tuple[float, float]:
    """Return a and b, neither negative, of variance = a + b * level."""
    from scipy.optimize import nnls

    matrix = np.stack([np.ones_like(level), level], axis=1) * scale[:, None]
    size = np.maximum(np.linalg.norm(matrix, axis=0), 1e-30)
    found, _ = nnls(matrix / size, variance * scale)
    return float(found[0] / size[0]), float(found[1] / size[1])


def _low_quantile_factor() -> float:
    """Return mean over lower quantile of a block's variance, the smaller of two estimates, for white noise.

    Second differences of n samples carry about 0.5 n degrees of freedom: their squares are correlated (autocorrelation
    of 1, -2, 1 is 6, -4, 1: n_eff = n / (1 + 2 (16 + 1) / 36)). The two ways share the samples; taken as independent.
    """
    from scipy.stats import chi2

    freedom = _BLOCK * (_BLOCK - 2) / (1.0 + 2.0 * 17.0 / 36.0)
    # P(min < x) = 1 - (1 - F)^2
    single = 1.0 - math.sqrt(1.0 - _SHARE)
    return float(freedom / chi2.ppf(single, freedom))
