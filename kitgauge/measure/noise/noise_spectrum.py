"""The spectrum of the noise of a pair: how much of its power lies at low spatial frequencies.

What a picture shows of a sensor's noise is the part below the picture's own Nyquist frequency. Of white noise that
part follows from the numbers of pixels alone; of noise that is correlated from sample to sample (smoothed in the
camera) it does not, and the spectrum has to be measured.

Power is summed over square blocks of the difference of two frames, without a window: what is constant along a block's
rows or columns then falls on the two axes of frequency and nowhere else. That is where the rows' and columns' own noise
is, light that drifted, and slopes of the shading, all of them measured apart (rows' own noise enters a picture of s
times fewer rows with 1/s of its variance, white noise with 1/s^2). So the axes are left out and filled in from their
neighbours (even in frequency, to the second order: S(0) = (4 S(1) - S(2)) / 3); the mean that is lost with them is so
accounted for too. A block without a window weights the autocovariance at a lag of l samples by 1 - l / size;
that is undone for the lags over which noise is correlated in practice.

Source: EMVA 1288 Release 4 (spectrogram method: power spectrum of the non-uniformity, compared with its white part),
ISO 15739 (noise power spectrum), both from memory; lag window of a periodogram: standard, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray

BANDS = 16  # square bands up to k / 16 of the plane's Nyquist frequency
BLOCK = 32  # samples a side of a block
SMALL_BLOCK = 16  # in planes whose rows of tiles are lower
FARTHEST_LAG = 8  # samples over which the weighting of lags is undone; correlation is taken to have ended twice as far
# Not white: a band departs by more than this many standard errors (sixteen related bands: one false alarm in several
# thousand) ...
WHITE_STDERRS = 4.5
# ... and by more than this share: 1 % of SNR, a hundredth of a stop or two of ISO (common practice, no source)
WHITE_SHARE = 0.02


class SpectrumSums:
    """Sums of noise power over blocks of one plane of `columns` samples a row, gathered band by band."""

    def __init__(self, columns: int) -> None:
        self._columns = columns
        self._size = 0
        self._blocks = 0
        self._power = np.zeros((0, 0))

    def add(self, difference: NDArray[np.float32]) -> None:
        """Take one band, (row, column) [DN], outliers set to 0; rows beyond those of one block are not looked at.

        Bands of fewer than 16 rows or columns tell nothing and are passed over.
        """
        if not self._size:
            self._size = BLOCK if min(difference.shape) >= BLOCK else SMALL_BLOCK
            self._power = np.zeros((self._size, self._size))
        size, across = self._size, self._columns // self._size
        if len(difference) < size or not across:
            return
        waves = _real_waves(size)
        # along columns, then along rows: each coefficient of white noise has the variance of a sample
        down = waves @ difference[:size, : across * size]
        power = np.square(down.reshape(size * across, size) @ waves.T, dtype=np.float32)
        self._power += power.reshape(size, across, size).sum(axis=1)
        self._blocks += across

    @property
    def blocks(self) -> float:
        """Blocks of 32 x 32 samples that were looked at; smaller ones, of fewer frequencies, count a third of their
        samples, so that `white_stderr` is on the safe side."""
        return float(self._blocks) if self._size == BLOCK else self._blocks * (self._size / BLOCK) ** 2 / 3.0

    def power_below(self) -> tuple[float, ...]:
        """Return the mean noise power density relative to white noise within |fx|, |fy| <= f_k, k = 1 ... 16.

        f_k = 0.5 k / 16 cycles per sample of the plane; the last is 1 by definition. NaN throughout where no block
        was looked at or nothing varies. Standard error: `spectrum_stderr`.
        """
        if not self._blocks:
            return (math.nan,) * BANDS
        of_waves = self._power / self._blocks
        half = self._size // 2 + 1
        power = np.zeros((half, half))
        number = _numbers(self._size)
        np.add.at(power, np.ix_(number, number), of_waves)
        power /= np.outer(_multiplicity(self._size), _multiplicity(self._size))
        weights = _band_weights(self._size)
        below = np.einsum("ki,ij,kj->k", weights, power, weights)
        if not below[-1] > 0:
            return (math.nan,) * BANDS
        # the last is the variance; an estimate may fall below 0, a power cannot
        return (*(float(max(value, 0.0)) for value in below[:-1] / below[-1]), 1.0)


def spectrum_stderr(spectrum: Sequence[float], blocks: float) -> tuple[float, ...]:
    """Return the standard errors of `spectrum` (16 numbers, as `power_below`), white or not.

    A weighted sum of squares of Gaussian coefficients has the variance 2 sum_ij a_i a_j C_ij^2, C their covariance
    (standard, no source). C is that of a block of noise with this spectrum, as if the two axes were alike and
    separable; each band is taken over the whole power. Infinite for no blocks.
    """
    below = np.asarray(spectrum, dtype=np.float64)
    if not blocks > 0:
        return (math.inf,) * BANDS
    steps = np.arange(BANDS + 1) / BANDS
    along_one_axis = np.diff(steps * np.sqrt(np.concatenate([[0.0], below]))) * BANDS
    # from the rings between two ends to the ends themselves, which are the waves of a block of 32
    density = np.convolve(
        np.concatenate([along_one_axis[:1], along_one_axis, along_one_axis[-1:]]), (0.5, 0.5), "valid"
    )
    lags = np.zeros(BLOCK)
    lags[: BLOCK // 2 + 1] = _to_lags(BLOCK) @ density
    distance = np.abs(np.subtract.outer(np.arange(BLOCK), np.arange(BLOCK)))
    waves = _real_waves(BLOCK).astype(np.float64)
    squares = (waves @ lags[distance] @ waves.T) ** 2
    band = (_band_weights(BLOCK) / _multiplicity(BLOCK))[:, _numbers(BLOCK)]
    whole = band[-1]
    each = np.einsum("ki,ij,kj->k", band, squares, band) ** 2
    both = (band @ squares @ whole) ** 2
    variance = each - 2.0 * below * both + below**2 * both[-1]
    return tuple(np.sqrt(np.maximum(2.0 * variance / blocks, 0.0)).tolist())


def white_stderr(blocks: float) -> tuple[float, ...]:
    """Return the standard errors of `power_below` of white noise from so many blocks of 32 x 32 samples."""
    return spectrum_stderr((1.0,) * BANDS, blocks)


def is_white(spectrum: Sequence[float], stderr: Sequence[float]) -> bool:
    """Return whether no band of `spectrum` (16 numbers, as `power_below`) departs from 1 by what would matter.

    That is by more than 4.5 standard errors and by more than 2 %. An unknown spectrum (NaN, or none) counts as white:
    nothing speaks against it.
    """
    return not any(
        abs(value - 1.0) > max(WHITE_SHARE, WHITE_STDERRS * error)
        for value, error in zip(spectrum, stderr, strict=True)
    )


@cache
def _real_waves(size: int) -> NDArray[np.float32]:
    """Return (wave, sample) an orthonormal set of cosines and sines, frequencies as `_numbers`."""
    phase = 2.0 * math.pi * np.outer(np.arange(1, size // 2), np.arange(size)) / size
    constant, fastest = np.ones((1, size)), (-1.0) ** np.arange(size)[None, :]
    pairs = math.sqrt(2.0) * np.stack([np.cos(phase), np.sin(phase)], axis=1).reshape(size - 2, size)
    return (np.concatenate([constant, pairs, fastest]) / math.sqrt(size)).astype(np.float32)


def _numbers(size: int) -> NDArray[np.intp]:
    """Return the frequency of each wave [cycles per block]."""
    return np.concatenate([[0], np.repeat(np.arange(1, size // 2), 2), [size // 2]]).astype(np.intp)


def _multiplicity(size: int) -> NDArray[np.float64]:
    """Return the number of waves of each frequency 0 ... size / 2."""
    return np.bincount(_numbers(size)).astype(np.float64)


def _cosines(size: int) -> NDArray[np.float64]:
    """Return (lag, frequency) cosines of lags 0 ... size / 2 samples at frequencies 0 ... size / 2 cycles per block."""
    steps = np.arange(size // 2 + 1)
    return np.cos(2.0 * math.pi * np.outer(steps, steps) / size)


def _to_lags(size: int) -> NDArray[np.float64]:
    """Return (lag, frequency) what turns powers of waves into autocovariances."""
    return _cosines(size) * _multiplicity(size) / size


def _lag_weights(size: int) -> NDArray[np.float64]:
    """Return (lag,) how much of the autocovariance a block without a window sees."""
    return 1.0 - np.arange(size // 2 + 1) / size


@cache
def _band_weights(size: int) -> NDArray[np.float64]:
    """Return (band, frequency) what turns powers of waves along one axis into mean densities of bands."""
    lags = np.arange(size // 2 + 1)
    filled = np.eye(len(lags))
    filled[0, :3] = (0.0, 4.0 / 3.0, -1.0 / 3.0)
    undone = np.where(lags <= FARTHEST_LAG * size // BLOCK, 1.0 / _lag_weights(size), 1.0)
    # mean over a band of the cosine that belongs to a lag
    ends = 0.5 * np.arange(1, BANDS + 1)[:, None] / BANDS
    in_band = np.sinc(2.0 * ends * lags) * _multiplicity(size) * undone
    weights: NDArray[np.float64] = in_band @ _to_lags(size) @ filled
    return weights
