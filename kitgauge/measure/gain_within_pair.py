"""Did the gain change between the two dark frames of a pair?

Noise before the amplifier grows with the gain, so that the frame of the higher gain is noisier. Variances of each
frame by itself, from neighbours in a row, hold the fixed pattern F as well: S_A = T_A + F and, for the mean of m
frames, S_B = T_B / m + F. The difference of the frames gives the sum of both temporal parts, N = T_A + T_B / m, so that

    T_A / T_B = (N + S_A - S_B) / (m (N - S_A + S_B))

whatever the pattern is; one that grows with the gain adds to the departure from 1. What cannot be told: a change that
leaves the noise in DN as it is, where all of it comes from behind the amplifier; and a change between pairs.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

_COUNTED = 400_000
_CLIP_SIGMAS = 5.0
# A third of a stop of gain changes the variance by 1.26 to 1.59 where noise before the amplifier counts
_RATIO = 1.25
_SIGNIFICANT = 8.0
_LEAST_PART = 0.05


def variance_ratio(
    a: NDArray[np.uint16],
    b: NDArray[np.uint16] | NDArray[np.float32],
    difference_variance_dn2: float,
    reference_frames: int = 1,
) -> tuple[float, float]:
    """Return temporal variance of one frame at the time of `a` over that at the time of `b`, and the standard error of
    its logarithm; NaN where it cannot be told.

    a, b : (row, column) samples [DN] of one plane, b the mean of `reference_frames`; difference_variance_dn2 : white
    variance of their difference. Samples that stand out from their neighbours are left out.
    """
    step = max(1, a.size // _COUNTED)
    own = [_neighbour_variance(frame[::step]) for frame in (a, b)]
    (of_a, count), (of_b, _) = own
    apart = of_a - of_b
    if not (count > 0 and difference_variance_dn2 > 0):
        return math.nan, math.nan
    # a pattern that grew with the gain may be more than the difference holds
    least = _LEAST_PART * difference_variance_dn2
    high = max(difference_variance_dn2 + apart, least)
    low = reference_frames * max(difference_variance_dn2 - apart, least)
    # variance of the mean square of differences between neighbours: 3 / n of its square (von Neumann 1941, from memory)
    error = math.sqrt(3.0 / count) * math.hypot(of_a, of_b)
    return high / low, error * (1.0 / high + reference_frames / low)


def gain_changed(ratio: float, log_stderr: float) -> bool:
    """Tell whether such a ratio shows that the gain changed; False where it is unknown."""
    return ratio > 0 and abs(math.log(ratio)) > max(math.log(_RATIO), _SIGNIFICANT * log_stderr)


def _neighbour_variance(rows: NDArray[np.uint16] | NDArray[np.float32]) -> tuple[float, int]:
    """Return the variance of a sample from differences between neighbours in a row, and of how many."""
    apart = np.diff(rows.astype(np.float32), axis=1)
    # a few thousand samples tell well enough where to cut
    p16, p84 = np.percentile(apart[:: max(1, len(apart) // 64), :: max(1, apart.shape[1] // 128)], (15.87, 84.13))
    kept = apart[np.abs(apart) <= _CLIP_SIGMAS * max(0.5 * float(p84 - p16), 0.5)]
    return (0.5 * float(np.mean(np.square(kept, dtype=np.float64))), int(kept.size)) if kept.size else (math.nan, 0)
