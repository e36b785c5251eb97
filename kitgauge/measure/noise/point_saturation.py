"""A noise point with another saturation than its own flats or its file gave it, and all that follows from that."""

from __future__ import annotations

import math
from dataclasses import replace

from kitgauge.measure.noise.dynamic_range import dynamic_range
from kitgauge.measure.noise.noise_points import MIDGREY_FRACTION_OF_SATURATION, NoisePoint, snr


def with_saturation(
    point: NoisePoint, saturation_e: float, saturation_e_stderr: float, range_stderr_dn: float, source: str
) -> NoisePoint:
    """Return the point with this saturation [e-], its level, dynamic range and SNR at mid-grey.

    `saturation_e_stderr` is its standard error in electrons, `range_stderr_dn` that of the range from black to
    saturation in DN: a clipped code is known in DN, a full well in electrons. Without a read noise, SNR goes with the
    root of the level, as where light makes the noise.
    """
    gain = point.gain_e_per_dn
    range_dn = saturation_e / gain
    stops = dynamic_range(
        gain_e_per_dn=gain,
        gain_e_per_dn_stderr=point.gain_e_per_dn_stderr,
        read_noise_dn=point.read_noise_dn,
        read_noise_dn_stderr=point.read_noise_dn_stderr,
        range_dn=range_dn,
        range_dn_stderr=range_stderr_dn,
        line_noise_dn=math.hypot(point.row_noise_e, point.column_noise_e) / gain,
    )
    if math.isnan(point.read_noise_e):
        midgrey = point.snr_midgrey * math.sqrt(saturation_e / point.saturation_e)
    else:
        midgrey = snr(MIDGREY_FRACTION_OF_SATURATION * saturation_e, point.read_noise_e, gain)
    return replace(
        point,
        saturation_e=saturation_e,
        saturation_e_stderr=saturation_e_stderr,
        saturation_source=source,
        level=point.level * point.saturation_e / saturation_e,
        dynamic_range_stops=stops.engineering_stops,
        dynamic_range_stops_stderr=stops.engineering_stops_stderr,
        dynamic_range_iso15739_stops=stops.iso15739_stops,
        dynamic_range_iso15739_stops_stderr=stops.iso15739_stops_stderr,
        snr_midgrey=midgrey,
        # SNR goes with the root of the level where light makes the noise
        snr_midgrey_stderr=midgrey
        * math.hypot(point.snr_midgrey_stderr / point.snr_midgrey, 0.5 * range_stderr_dn / range_dn),
    )
