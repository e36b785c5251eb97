"""Traces of lossy compression in blocks or in steps from sample to sample, in the samples of one frame.

Three ways of packing are looked for; each has its own null hypothesis in the same frame:

- blocks of 8, 16 or 32 samples along a row in which all but the least and the greatest lie at even steps above the
  least: no more often than in blocks that are put together from samples far apart, if the file was not packed so;
- steps from one sample to the next that take only some values, while steps between distant samples take all;
- blocks of 8 x 8 samples whose cosine transform takes only multiples of a step: transforms of blocks that lie half a
  block aside do not.

Not to be seen: packing whose steps are finer than a code or than a third of the noise; that does no harm to
noise either.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.noise.code_histogram import missing_code_share

# Shares, numbers of blocks and steps, and what a line must reach: common practice, no source.
_WIDTHS = (8, 16, 32)
_BLOCK_SHARE = 0.05
_BLOCK_SAMPLES = 60_000
_FEWEST_BLOCKS = 200
_STEP_SHARE = 0.1
_TRANSFORM = 8
_MOST_BLOCKS = 1000
_COEFFICIENTS = ((0, 3), (2, 2), (5, 5), (4, 6))
_STEPS = 40
_LINE = 7.0  # standard errors; 4 coefficients x 40 steps are tried
_LEAST_LINE = 0.05
_WAVES = np.cos(np.pi * np.outer(np.arange(_TRANSFORM), np.arange(_TRANSFORM) + 0.5) / _TRANSFORM) / 2.0
_WAVES[0] /= np.sqrt(2.0)
_BASIS = np.stack([np.outer(_WAVES[y], _WAVES[x]).ravel() for y, x in _COEFFICIENTS], axis=1).astype(np.float32)


def packed_in_blocks(bands: list[NDArray[np.uint16]]) -> float:
    """Return the share of blocks along rows whose samples lie at even steps, less what chance makes.

    bands : (row, column) samples. 0 where less than 5 % (or too few blocks).
    """
    return max(_in_steps(bands, width) for width in _WIDTHS)


def _in_steps(bands: list[NDArray[np.uint16]], width: int) -> float:
    together = apart = blocks = 0
    for band in bands:
        count = band.shape[1] // width
        if count < 2:
            continue
        inside = band[: max(8, _BLOCK_SAMPLES // (len(bands) * band.shape[1])), : count * width]
        near = np.ascontiguousarray(inside.reshape(-1, width).T)
        # the same samples, dealt out so that those of one block are `count` apart
        far = inside.reshape(-1, width, count).swapaxes(0, 1).reshape(width, -1)
        together += _stepped(near)
        apart += _stepped(far)
        blocks += near.shape[1]
    if blocks < _FEWEST_BLOCKS:
        return 0.0
    excess = (together - apart) / blocks
    chance = 6.0 * np.sqrt(together + apart + 1.0) / blocks
    return float(excess) if excess > max(_BLOCK_SHARE, chance) else 0.0


def _stepped(blocks: NDArray[np.uint16]) -> int:
    """Return how many blocks (sample, block) lie at even steps above the least, the greatest left out.

    Steps are powers of two wherever samples are packed by leaving bits away.
    """
    above = blocks - blocks.min(axis=0)
    greatest = above.max(axis=0)
    above[above == greatest] = 0
    return int(np.count_nonzero((np.bitwise_or.reduce(above, axis=0) & 1 == 0) & (greatest >= 4)))


def packed_in_steps(bands: list[NDArray[np.uint16]]) -> float:
    """Return the share of values missing among steps from sample to sample, less that among distant samples.

    0 where less than 10 % or where too few samples tell.
    """
    shares = []
    for lag in (1, 9):
        steps = np.concatenate([(band[:, lag:].astype(np.int32) - band[:, :-lag]).ravel() for band in bands])
        steps = np.abs(steps)
        shares.append(missing_code_share(np.bincount(steps[steps < 65536])[1:].astype(np.int64)))
    excess = shares[0] - shares[1]
    return float(excess) if excess > _STEP_SHARE else 0.0


def packed_by_transform(bands: list[NDArray[np.uint16]], sigma_dn: float) -> float:
    """Return how clearly (0 to 1) 8 x 8 cosine transforms keep to multiples of a step; 0 where that is chance.

    A coefficient quantised in steps q has a characteristic function of nearly 1 at 1/q, one that was not has that of a
    Gaussian, which blocks lying half a block aside tell. Steps of 0.4 to 3 standard deviations are tried; finer ones
    hide behind the rounding to whole codes and do no harm.
    """
    if not sigma_dn > 0:
        return 0.0
    steps = (sigma_dn * np.geomspace(0.4, 3.0, _STEPS)).astype(np.float32)
    aligned, aside = (_coefficients(bands, shift) for shift in (0, _TRANSFORM // 2))
    if min(len(aligned), len(aside)) < _FEWEST_BLOCKS:
        return 0.0
    strongest = 0.0
    for here, there in zip(aligned.T, aside.T, strict=True):
        excess = _lines(here, steps) - _lines(there, steps)
        if float(excess.max()) > max(_LINE / np.sqrt(len(here)), _LEAST_LINE):
            strongest = max(strongest, float(excess.max()))
    return strongest


def _lines(values: NDArray[np.float32], steps: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return the modulus of the characteristic function of `values` at 1 / steps."""
    turns = np.float32(2.0 * np.pi) * values / steps[:, None]
    return np.asarray(np.hypot(np.cos(turns).mean(axis=1), np.sin(turns).mean(axis=1)), dtype=np.float64)


def _coefficients(bands: list[NDArray[np.uint16]], shift: int) -> NDArray[np.float32]:
    """Return (block, coefficient) of blocks whose grid starts at a multiple of 8 plus `shift`."""
    found = []
    each = max(1, _MOST_BLOCKS // max(1, len(bands)))
    for band in bands:
        rows, columns = (length // _TRANSFORM - 1 for length in band.shape)
        if min(rows, columns) < 1:
            continue
        inside = band[shift : shift + rows * _TRANSFORM, shift : shift + columns * _TRANSFORM]
        blocks = inside.reshape(rows, _TRANSFORM, columns, _TRANSFORM).swapaxes(1, 2).reshape(-1, _TRANSFORM**2)
        # the mean of a block is no part of these coefficients; without it 32 bits are precise enough
        chosen = blocks[:: max(1, len(blocks) // each)].astype(np.float32)
        found.append((chosen - chosen.mean(axis=1, keepdims=True)) @ _BASIS)
    return np.concatenate(found) if found else np.empty((0, len(_COEFFICIENTS)), np.float32)
