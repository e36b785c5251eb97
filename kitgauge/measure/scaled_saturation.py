"""Saturation of ISO values whose codes were scaled down after digitisation.

The converter's last code f times closer to black is where such a file stops, wherever its white level is stated; f
comes from the codes (`measure.digital_scaling`). Scaled up, codes are cut off at the same last code as all others.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from kitgauge.measure.dynamic_range import dynamic_range
from kitgauge.measure.noise_points import MIDGREY_FRACTION_OF_SATURATION, NoisePoint, snr

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
    gain = point.gain_e_per_dn
    span_stderr = last * (point.code_scale_stderr if math.isfinite(point.code_scale_stderr) else 0.0)
    share = span_stderr / span
    stops = dynamic_range(
        *(gain, point.gain_e_per_dn_stderr, point.read_noise_dn, point.read_noise_dn_stderr, span, span_stderr),
        math.hypot(point.row_noise_e, point.column_noise_e) / gain,
    )
    saturation_e = gain * span
    before_e = point.saturation_e
    midgrey = _midgrey(point, saturation_e)
    return replace(
        point,
        saturation_e=saturation_e,
        saturation_e_stderr=saturation_e * math.hypot(point.gain_e_per_dn_stderr / gain, share),
        saturation_source="scale",
        level=point.level * before_e / saturation_e,
        dynamic_range_stops=stops.engineering_stops,
        dynamic_range_stops_stderr=stops.engineering_stops_stderr,
        dynamic_range_iso15739_stops=stops.iso15739_stops,
        dynamic_range_iso15739_stops_stderr=stops.iso15739_stops_stderr,
        snr_midgrey=midgrey,
        # SNR goes with the root of the level where light makes the noise
        snr_midgrey_stderr=midgrey * math.hypot(point.snr_midgrey_stderr / point.snr_midgrey, 0.5 * share),
        flags=tuple(flag for flag in point.flags if flag != "saturation-from-metadata" or not seen),
    )


def _midgrey(point: NoisePoint, saturation_e: float) -> float:
    if math.isnan(point.read_noise_e):  # flats alone: the same read noise at the lower level
        return point.snr_midgrey * math.sqrt(saturation_e / point.saturation_e)
    return snr(MIDGREY_FRACTION_OF_SATURATION * saturation_e, point.read_noise_e, point.gain_e_per_dn)
