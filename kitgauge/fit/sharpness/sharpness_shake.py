"""Shake between the frames of one f-number: how much of a difference of edge directions it explains."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np

from kitgauge.fit.sharpness.sharpness_contrasts import Ratio
from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint


def shake_variance(sides: Sequence[tuple[Sequence[SharpnessPoint], tuple[float, int]]]) -> tuple[float, float]:
    """Return (variance of a log ratio of directions that shake makes, its degrees of freedom)."""
    variance = spread = 0.0
    for points, (everywhere, freedom) in sides:
        here = float(np.mean([repeat_variance(p) for p in points]))
        repeat = max(here, everywhere)
        variance += repeat
        if repeat > 0:
            spread += repeat**2 / (freedom if everywhere >= here else max(points[0].frames - 1, 1))
    return variance, variance**2 / spread if spread > 0 else math.inf


def shaken(ratio: Ratio, variance: float, freedom: float) -> Ratio:
    """Return the ratio with the variance of shake, of so many degrees of freedom, in its error."""
    whole = ratio.stderr**2 + variance
    return ratio._replace(
        stderr=math.sqrt(whole), freedom=freedom * (whole / variance) ** 2 if variance > 0 else math.inf
    )


def repeat_variance(point: SharpnessPoint) -> float:
    """Return the relative variance of a point that only repeated frames show, 0 where it has one frame."""
    return (point.repeat_stderr / point.mtf50_cy_per_px) ** 2 if math.isfinite(point.repeat_stderr) else 0.0


def usual_repeat_variance(groups: Iterable[Sequence[SharpnessPoint]]) -> tuple[float, int]:
    """Return the mean relative variance between frames over the f-numbers, and its degrees of freedom."""
    repeated = [group for group in groups if max(point.frames for point in group) > 1]
    if not repeated:
        return 0.0, 1
    variances = [float(np.mean([repeat_variance(point) for point in group])) for group in repeated]
    return float(np.mean(variances)), sum(max(point.frames for point in group) - 1 for group in repeated)
