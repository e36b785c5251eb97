"""Whether single samples that stand out from their neighbours were cut down in the file.

Cameras that suppress hot pixels by comparison with neighbours (in long or high-ISO exposures) leave noise almost
uncorrelated, but no sample, or hardly any, above the highest of its neighbours. In raw samples that are independent,
the highest of nine is in the middle as often as anywhere, whether the neighbours are next to it or far away: the far
ones tell what to expect, whatever the distribution and its rounding. A map of dead and hot pixels touches a few samples
in ten thousand and cannot be seen here; nor can suppression that acts only beyond what the noise reaches.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_FAR = 7  # samples: beyond what a filter of a few samples reaches, near enough for the same light
_SAMPLES = 100_000
_WIDTH = 1024
_ALIGNED = 32
_BANDS = 4
_SIGNIFICANT = 6.0
_LEAST_LOSS = 0.15  # of the peaks, in either direction
_LEVELS = (0.0, 0.5, 1.0)  # standard deviations by which a peak stands out
_FEWEST_PEAKS = 60
STRUCTURED = 0.04  # `fixed_structure` from which on peaks are not judged (common practice, no source)
_EIGHT = [(y, x) for y in (-1, 0, 1) for x in (-1, 0, 1) if (y, x) != (0, 0)]


def sample_bands(plane: NDArray[np.uint16]) -> list[NDArray[np.uint16]]:
    """Return up to four pieces of 32 rows or more and up to 1024 columns, about 100,000 samples together.

    They lie one below the other and step to the right, and begin at multiples of 32 samples, as blocks of packing do.
    """
    rows, columns = plane.shape
    width = min(columns, _WIDTH)
    height = max(_ALIGNED, _SAMPLES // (_BANDS * width))
    if height * _BANDS >= rows:
        return [plane[:, :width]]
    tops = np.linspace(0, (rows - height) // _ALIGNED, _BANDS).astype(int) * _ALIGNED
    lefts = np.linspace(0, (columns - width) // _ALIGNED, _BANDS).astype(int) * _ALIGNED
    return [plane[top : top + height, left : left + width] for top, left in zip(tops, lefts, strict=True)]


def peaks_cut_down(bands: list[NDArray[np.uint16]], sigma_dn: float) -> float:
    """Return the share of peaks (samples above all eight neighbours, or below) that are missing; 0 where it is chance.

    bands : (row, column) samples of one plane of one frame, each of 15 rows or more; sigma_dn : standard deviation of
    its noise [DN]. Compared with peaks over eight samples 7 away in the same directions; chance: less than 6 standard
    errors of two Poisson counts. The largest loss at 0, 0.5 and 1 standard deviation of standing out.
    """
    near = np.zeros((2, len(_LEVELS)))
    far = np.zeros_like(near)
    for band in bands:
        if min(band.shape) <= 2 * _FAR:
            continue
        values = _level_rows(band.astype(np.float32), sigma_dn)
        middle = values[_FAR:-_FAR, _FAR:-_FAR]
        for counts, reach in ((near, 1), (far, _FAR)):
            highest = lowest = _moved(values, reach * _EIGHT[0][0], reach * _EIGHT[0][1])
            for y, x in _EIGHT[1:]:
                other = _moved(values, reach * y, reach * x)
                highest, lowest = np.maximum(highest, other), np.minimum(lowest, other)
            above, below = middle - highest, lowest - middle
            for which, level in enumerate(_LEVELS):
                least = max(0.5, level * sigma_dn)  # more than what levelling the rows is uncertain by
                counts[0, which] += np.count_nonzero(above >= least)
                counts[1, which] += np.count_nonzero(below >= least)
    lost = np.zeros_like(near)
    judged = far >= _FEWEST_PEAKS
    lost[judged] = 1.0 - near[judged] / far[judged]
    # near and far peaks share their middle sample: their counts scatter less than independent ones would
    certain = judged & (far - near > _SIGNIFICANT * np.sqrt(far + near)) & (lost > _LEAST_LOSS)
    return float(lost[certain].max()) if certain.any() else 0.0


def fixed_structure(a: NDArray[np.uint16], b: NDArray[np.uint16] | NDArray[np.float32], sigma_dn: float) -> float:
    """Return how much more alike near samples of the fixed pattern are than far ones, as a share of the noise variance.

    a, b : (row, column) two frames of one plane: what they share is fixed. Peaks tell of a filter only where this is
    small: a pattern of waves makes neighbours alike, too. The larger of the two directions, unlike samples counted
    as well; stripes, alike near and far, cancel.
    """
    rows = slice(0, min(a.shape[0], max(_ALIGNED, _SAMPLES // min(a.shape[1], _WIDTH))))
    first, second = (_level_rows(frame[rows, :_WIDTH].astype(np.float32), sigma_dn) for frame in (a, b))
    if min(first.shape) <= 2 * _FAR or not sigma_dn > 0:
        return 0.0
    reach = np.float32(4.0 * sigma_dn)
    for values in (first, second):
        values -= np.median(values)
        np.clip(values, -reach, reach, out=values)

    def shared(axis: int, apart: int) -> float:
        one, other = (np.moveaxis(values, axis, 0) for values in (first, second))
        return float(np.mean(one[apart:] * other[:-apart], dtype=np.float64))

    return max(abs(shared(axis, 1) - shared(axis, _FAR)) for axis in (0, 1)) / sigma_dn**2


def _level_rows(values: NDArray[np.float32], sigma_dn: float) -> NDArray[np.float32]:
    """Return the rows without their own offsets, which would make all samples of a row peaks, or none."""
    ordered, columns = np.sort(values, axis=1), values.shape[1]  # of rows of 32-bit numbers, far quicker than a median
    middle = np.float32(0.5) * (ordered[:, [(columns - 1) // 2]] + ordered[:, [columns // 2]])
    reach = np.float32(4.0 * max(sigma_dn, 0.5))
    return np.asarray(values - np.clip(values, middle - reach, middle + reach).mean(axis=1, keepdims=True))


def _moved(values: NDArray[np.float32], down: int, right: int) -> NDArray[np.float32]:
    rows, columns = values.shape
    return values[_FAR + down : rows - _FAR + down, _FAR + right : columns - _FAR + right]
