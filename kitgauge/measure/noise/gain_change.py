"""Did the gain change between the two frames of a pair?

Flats. Spatial noise of each frame, from steps between neighbours, holds its fixed pattern as well. V_A - r^2 V_B is
free of pattern that goes with the light, so that with var(A - r B) it gives the temporal variance of each frame, and
variance per level of A over that of B: 1 where the same sensor saw other light (between 1/r and 1 where read noise
counts), r where the gain changed by r and everything with it. Gain that changed where read noise after the amplifier
outweighs shot noise cannot be told from light that changed.

Darks. Noise before the amplifier grows with the gain, so that the frame of the higher gain is noisier. With F the fixed
pattern, S_A = T_A + F and, for the mean of m frames, S_B = T_B / m + F are the variances of each frame by itself; the
difference of the frames gives the sum of both temporal parts, N = T_A + T_B / m, so that

    T_A / T_B = (N + S_A - S_B) / (m (N - S_A + S_B))

whatever the pattern is; one that grows with the gain adds to the departure from 1. What cannot be told: a change that
leaves the noise in DN as it is, where all of it comes from behind the amplifier; and a change between pairs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

_Samples = NDArray[np.uint16] | NDArray[np.float32]

# How significant, and where outliers are cut: common practice, no source.
_LEAST_CHANGE = 0.08  # a sixth of a third of a stop is 0.04; gains of neighbouring dial values differ by 0.26
_SIGNIFICANT = 6.0
_CUT_SIGMAS = 5.0
# Darks: a third of a stop of gain changes the variance by 1.26 to 1.59 where noise before the amplifier counts
_DARK_RATIO = 1.25
_DARK_SIGNIFICANT = 8.0
_LEAST_PART = 0.05
_COUNTED = 400_000


def step_variance(bands: Sequence[_Samples]) -> tuple[float, float]:
    """Return half the mean square of steps along rows [DN^2] and its standard error, outlying steps left out."""
    steps = np.concatenate([np.diff(band.astype(np.float32), axis=1).ravel() for band in bands])
    low, high = np.percentile(steps[:: max(1, steps.size // 20_000)], (15.87, 84.13))
    inside = steps[np.abs(steps) <= _CUT_SIGMAS * max(0.5 * float(high - low) + 0.25, 0.7)]
    if inside.size < 1000:
        return math.nan, math.nan
    variance = 0.5 * float(np.square(inside, dtype=np.float64).mean())
    # neighbouring steps share a sample: the variance of their mean square is 1.5 times that of independent ones
    # (von Neumann 1941, from memory)
    return variance, variance * math.sqrt(3.0 / inside.size)


def gain_changed(
    first: list[NDArray[np.uint16]],
    second: list[NDArray[np.uint16]],
    ratio: float,
    difference_variance_dn2: float,
) -> bool:
    """Tell whether the gain of the second frame differs from that of the first.

    first, second : the same (row, column) bands of the two frames; ratio : level of the first over the second;
    difference_variance_dn2 : var(A - r B). Needs a change of 8 % and of 6 standard errors.
    """
    (own, own_error), (other, other_error) = step_variance(first), step_variance(second)
    apart = own - ratio**2 * other
    if not (difference_variance_dn2 > 0 and math.isfinite(apart) and abs(apart) < 0.9 * difference_variance_dn2):
        return False
    error = 2.0 * math.hypot(own_error, ratio**2 * other_error) / difference_variance_dn2
    per_level = ratio * (difference_variance_dn2 + apart) / (difference_variance_dn2 - apart)
    allowed = max(_LEAST_CHANGE, _SIGNIFICANT * per_level * error)
    return not min(1.0, 1.0 / ratio) - allowed <= per_level <= max(1.0, 1.0 / ratio) + allowed


def dark_gain_changed(
    a: NDArray[np.uint16], b: _Samples, difference_variance_dn2: float, reference_frames: int = 1
) -> bool:
    """Tell whether the gain of dark frame `a` differs from that of `b`; False where that cannot be told.

    a, b : (row, column) samples [DN] of one plane, b the mean of `reference_frames`; difference_variance_dn2 : white
    variance of their difference. Needs a ratio of variances of 1.25 and 8 standard errors of its logarithm.
    """
    step = max(1, a.size // _COUNTED)
    (of_a, error_a), (of_b, error_b) = step_variance([a[::step]]), step_variance([b[::step]])
    apart = of_a - of_b
    if not (difference_variance_dn2 > 0 and math.isfinite(apart)):
        return False
    # a pattern that grew with the gain may be more than the difference holds
    least = _LEAST_PART * difference_variance_dn2
    high = max(difference_variance_dn2 + apart, least)
    low = reference_frames * max(difference_variance_dn2 - apart, least)
    log_stderr = math.hypot(error_a, error_b) * (1.0 / high + reference_frames / low)
    return abs(math.log(high / low)) > max(math.log(_DARK_RATIO), _DARK_SIGNIFICANT * log_stderr)
