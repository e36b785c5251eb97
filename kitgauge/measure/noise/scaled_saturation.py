"""Saturation of ISO values whose codes were scaled down after digitisation.

The converter's last code f times closer to black is where such a file stops, wherever its white level is stated; f
comes from the codes (`measure.digital_scaling`). Scaled up, codes are cut off at the same last code as all others.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from kitgauge.measure.noise.noise_points import NoisePoint
from kitgauge.measure.noise.point_saturation import with_saturation

_SCALED_BELOW = 0.996
_SAME_SHARE = 0.02  # a stated white that is lower than at other ISO values by the scaling has it in already


def scaled_saturation(points: Sequence[NoisePoint]) -> list[NoisePoint]:
    """Return the points, saturation of those scaled down being the converter's last code times the scaling.

    For points whose own flats show no saturation. The last code is where flats of ISO values that are not scaled stop
    (median), else the stated white. `saturation_source` becomes "scale".
    """
    return [_scaled(point, points) for point in points]


def _scaled(point: NoisePoint, points: Sequence[NoisePoint]) -> NoisePoint:
    scale = point.code_scale
    if point.saturation_source != "file" or not scale < _SCALED_BELOW or not point.saturation_e > 0:
        return point
    stated = point.white_dn - point.black_dn
    whole = [
        other
        for other in points
        if other.channel == point.channel and other.saturation_e > 0 and not abs(other.code_scale - 1.0) > 0.004
    ]
    seen = [
        other.saturation_e / other.gain_e_per_dn
        for other in whole
        if other.saturation_source == "flats" and math.isnan(other.full_well_e)
    ]
    last = float(np.median(seen or [other.white_dn - other.black_dn for other in whole] or [stated]))
    span = scale * last
    if abs(stated / span - 1.0) < _SAME_SHARE:
        return point
    saturation_e = point.gain_e_per_dn * span
    span_stderr = last * (point.code_scale_stderr if math.isfinite(point.code_scale_stderr) else 0.0)
    stderr = saturation_e * math.hypot(point.gain_e_per_dn_stderr / point.gain_e_per_dn, span_stderr / span)
    scaled = with_saturation(point, saturation_e, stderr, span_stderr, "scale")
    return replace(scaled, flags=tuple(flag for flag in point.flags if flag != "saturation-from-metadata" or not seen))
