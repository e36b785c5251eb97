"""Blur that does not depend on the shutter time: focus or distance that changed since the tripod frames.

Hand shake differs from frame to frame in length and direction, and shrinks with the shutter time. A defocus adds the
same variance in every direction to every frame. So where nearly all frames of the fastest shutter times show nearly
the same variance along both axes, well above their noise, a constant blur is in them (a plain comparison of
quantiles, common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

_FASTEST_TIMES = 2
_LEAST_FRAMES = 6
_LOW_SHARE = 0.1
# The low quantile of the variances over their median: 0.15 and less for shake of random length (variance of Rayleigh
# drift along one axis: exponential and narrower ones at most), 1 for a constant blur.
_EVEN = 0.5
_ROUND = 1.5  # ratio of the medians of the two axes
_CLEAR_SIGMA = 3.0


@dataclass(frozen=True)
class ConstantBlur:
    """Streak [px] with the variance that is in all frames, whatever the shutter time; `frames` it was seen in."""

    streak_px: float
    frames: int


def constant_blur(
    shutter_s: Sequence[float],
    variance_x_px2: Sequence[float],
    variance_y_px2: Sequence[float],
    variance_stderr_px2: Sequence[float],
) -> ConstantBlur | None:
    """Return the blur that all frames of the two fastest shutter times share, None where there is none.

    One row per handheld frame: exact time [s], variance along columns and along rows and the standard error of their
    sum [px^2]; rows with NaN are left out. At least six frames are needed.
    """
    table = np.array([shutter_s, variance_x_px2, variance_y_px2, variance_stderr_px2], dtype=np.float64).reshape(4, -1)
    table = table[:, np.all(np.isfinite(table), axis=0)]
    times = np.unique(np.round(np.log(table[0]), 6))
    if times.size == 0:
        return None
    _, along_x, along_y, error = table[:, np.log(table[0]) <= times[:_FASTEST_TIMES][-1] + 1e-5]
    if along_x.size < _LEAST_FRAMES:
        return None
    both = np.concatenate([along_x, along_y])
    low, middle = np.quantile(both, [_LOW_SHARE, 0.5])
    medians = sorted((float(np.median(along_x)), float(np.median(along_y))))
    clear = low > _CLEAR_SIGMA * float(np.median(error)) and low > _EVEN * middle and medians[1] < _ROUND * medians[0]
    # the low end is nearest to what is constant; shake adds to the rest
    return ConstantBlur(math.sqrt(24.0 * float(low)), int(along_x.size)) if clear else None
