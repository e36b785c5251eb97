"""What a full well seen at one ISO value says about the others.

A well holds so many electrons, however they are amplified afterwards: where the converter would take more at a lower
ISO, it is the well that stops the signal (photon transfer, common to sensor literature; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from kitgauge.measure.noise.noise_points import NoisePoint
from kitgauge.measure.noise.point_saturation import with_saturation


def bound_by_full_well(points: Sequence[NoisePoint]) -> list[NoisePoint]:
    """Return the points, saturation of those whose ISO is near one whose flats showed a full well bounded by it.

    Bounded are points whose saturation is the file's white, scaled or not, where that is more electrons than the well
    of the nearest such ISO holds by more than both errors, and whose own flats stayed below it (a photosite with two
    conversion gains may hold more at low ISO). Photosites of all colours are alike: where a channel shows no well, the
    others' median stands for it.
    """
    return [_bounded(point, points) for point in points]


def _bounded(point: NoisePoint, points: Sequence[NoisePoint]) -> NoisePoint:
    wells = [other for other in points if other.iso != point.iso and math.isfinite(other.full_well_e)]
    wells = [other for other in wells if other.channel == point.channel] or wells
    if not wells or point.saturation_source == "flats" or math.isnan(point.gain_e_per_dn):
        return point
    nearest = min((abs(math.log(other.iso / point.iso)), other.iso) for other in wells)[1]
    at_iso = sorted((other for other in wells if other.iso == nearest), key=lambda other: other.full_well_e)
    well = at_iso[len(at_iso) // 2]
    error = math.hypot(well.saturation_e_stderr, point.saturation_e_stderr)
    if not (point.saturation_e > well.full_well_e + 2.0 * error and point.signal_e < well.full_well_e):
        return point
    gain, top_e = point.gain_e_per_dn, well.full_well_e
    relative = math.hypot(well.saturation_e_stderr / top_e, point.gain_e_per_dn_stderr / gain)
    bounded = with_saturation(point, top_e, well.saturation_e_stderr, relative * top_e / gain, "flats")
    flags = tuple(flag for flag in point.flags if flag != "saturation-from-metadata")
    return replace(bounded, full_well_e=top_e, flags=flags)
