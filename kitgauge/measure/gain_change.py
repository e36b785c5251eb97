"""Did the gain change between the two frames of a pair?

Spatial noise of each frame, from steps between neighbours, holds its fixed pattern as well. V_A - r^2 V_B is free of
pattern that goes with the light, so that with var(A - r B) it gives the temporal variance of each frame, and variance
per level of A over that of B: 1 where the same sensor saw other light (between 1/r and 1 where read noise counts),
r where the gain changed by r and everything with it. Gain that changed where read noise after the amplifier outweighs
shot noise cannot be told from light that changed.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

# How significant, and where outliers are cut: common practice, no source.
_LEAST_CHANGE = 0.08  # a sixth of a third of a stop is 0.04; gains of neighbouring dial values differ by 0.26
_SIGNIFICANT = 6.0
_CUT_SIGMAS = 5.0


def step_variance(bands: list[NDArray[np.uint16]]) -> tuple[float, float]:
    """Return half the mean square of steps along rows [DN^2] and its standard error, outlying steps left out."""
    steps = np.concatenate([np.diff(band.astype(np.float32), axis=1).ravel() for band in bands])
    low, high = np.percentile(steps[:: max(1, steps.size // 20_000)], (15.87, 84.13))
    inside = steps[np.abs(steps) <= _CUT_SIGMAS * max(0.5 * float(high - low) + 0.25, 0.7)]
    if inside.size < 1000:
        return math.nan, math.nan
    variance = 0.5 * float(np.square(inside, dtype=np.float64).mean())
    # neighbouring steps share a sample: the variance of their mean square is 1.5 times that of independent ones
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
