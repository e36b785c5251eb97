"""The MTF curves of a sharpness run as arrays, for a file beside curves.json."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint

MTF_CURVES_FILE = "mtf_curves.npz"
_NAMES = ("region", "orientation", "channel", "place", "x_norm", "y_norm")


def mtf_arrays(f_numbers: Sequence[float], points: Sequence[SharpnessPoint]) -> dict[str, NDArray[Any]]:
    """Return the arrays of the file, points in the order given; empty where no point has a curve.

    `frequency_cy_per_px` (frequency,), `mtf` and `mtf_stderr` (point, frequency), and what tells the points apart, each
    (point,): `f_number` as in `f_numbers`, `region`, `orientation`, `channel`, `place`, `x_norm`, `y_norm`.
    """
    known = [point.curve for point in points if point.curve is not None]
    if not known:
        return {}
    frequency = known[0].frequency_cy_per_px
    mtf, error = (np.full((len(points), frequency.size), np.nan) for _ in range(2))
    for row, point in enumerate(points):
        if point.curve is not None:
            mtf[row] = np.interp(frequency, point.curve.frequency_cy_per_px, point.curve.mtf)
            error[row] = np.interp(frequency, point.curve.frequency_cy_per_px, point.curve.mtf_stderr)
    named = {name: np.array([getattr(point, name) for point in points]) for name in _NAMES}
    named["f_number"] = np.array(f_numbers, dtype=np.float64)
    return {"frequency_cy_per_px": frequency, "mtf": mtf, "mtf_stderr": error, **named}
