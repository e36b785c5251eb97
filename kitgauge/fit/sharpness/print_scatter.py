"""How far the print and its alignment make edges differ that the lens shows alike."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint

# of MTF50, per patch and direction (common practice, no source)
LEAST_PRINT_ERROR = 0.005  # where several edges of a patch tell how they scatter
USUAL_PRINT_ERROR = 0.01  # where they do not


def print_error(points: Sequence[SharpnessPoint]) -> float:
    """Return the relative error of one point's MTF50 that is the same in all frames.

    It is what the edges of a patch scatter beyond their noise (median over the points that know), 0.5 % at least; 1 %
    where no patch has several edges of one direction.
    """
    within = [p.print_stderr / p.mtf50_cy_per_px for p in points if math.isfinite(p.print_stderr)]
    return max(LEAST_PRINT_ERROR, float(np.median(within))) if within else USUAL_PRINT_ERROR
