"""Points and flat pairs of a camera with known truth, without any samples: what the fits start from."""

from __future__ import annotations

import math

from kitgauge.measure.noise.noise_points import NoisePoint, PlanePairs
from kitgauge.measure.noise.photon_transfer import FlatPair

RANGE_DN = 15_871.0
BLACK_DN = 512.0


def noise_point(iso, gain, read_e, *, gain_error=0.002, read_error=0.004, range_dn=RANGE_DN, **more):
    """A point as measured; errors as shares of the values, those of read noise in DN."""
    return NoisePoint(
        iso=float(iso),
        channel=more.pop("channel", "G"),
        gain_e_per_dn=gain,
        gain_e_per_dn_stderr=gain_error * gain,
        read_noise_e=read_e,
        read_noise_e_stderr=math.hypot(gain_error, read_error) * read_e,
        saturation_e=gain * range_dn,
        dynamic_range_stops=math.log2(gain * range_dn / read_e),
        snr_midgrey=math.nan,
        read_noise_dn=read_e / gain,
        read_noise_dn_stderr=read_error * read_e / gain,
        **more,
    )


def flat_pair(level_a_dn, level_b_dn, *, flags=(), reference_frames=1):
    """A pair of which only levels are of interest."""
    values = dict.fromkeys(
        list(FlatPair.__dataclass_fields__)[: list(FlatPair.__dataclass_fields__).index("flags")], 0.0
    )
    values |= {"signal_dn": level_a_dn, "ratio": level_a_dn / level_b_dn, "black_dn": BLACK_DN}
    values |= {"white_dn": BLACK_DN + RANGE_DN, "variance_dn2": 1.0}
    return FlatPair(**values, flags=flags, reference_frames=reference_frames)


def plane(colour, flats):
    """One plane with [(shutter_s, f_number, FlatPair)]."""
    return PlanePairs(
        colour,
        tuple(pair for _, _, pair in flats),
        flat_settings=tuple((shutter, f_number) for shutter, f_number, _ in flats),
    )
