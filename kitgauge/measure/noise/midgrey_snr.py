"""SNR at mid-grey from a pair of flats exposed near mid-grey, without dark frames.

The difference of the pair tells the whole temporal variance V at its level S: shot, read and rounding noise together
(EMVA 1288 Release 4 Linear, pair of images). At mid-grey itself the SNR is S / sqrt(V), whatever the shares are; near
it, only how V changes with the level depends on them:

    V(S_m) = V(S) (1 + f (S_m / S - 1)),    f the share of shot noise in V

With N electrons and a read noise of sigma electrons, SNR^2 = N^2 / (N + sigma^2) and f = N / (N + sigma^2): a read
noise of 0 makes f = 1, one of `MOST_READ_NOISE_E` the least f. The middle is taken, and the width goes into the error.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from kitgauge.measure.noise.noise_fit import UsedFlat

NEAR_MIDGREY_STOPS = 1.0
SAME_LEVEL_STOPS = 0.25
# No current camera has more at mid-grey and an ISO worth using (common practice, no source)
MOST_READ_NOISE_E = 10.0


def electrons_for(snr: float, read_noise_e: float) -> float:
    """Return the signal N [e-] at which N / sqrt(N + read_noise_e^2) is `snr`."""
    return 0.5 * snr**2 * (1.0 + math.sqrt(1.0 + 4.0 * read_noise_e**2 / snr**2))


def midgrey_snr(
    level_dn: float, variance_dn2: float, variance_stderr_dn2: float, midgrey_dn: float
) -> tuple[float, float]:
    """Return the SNR of one sample at `midgrey_dn`, and its standard error.

    level_dn, variance_dn2, variance_stderr_dn2 : level above black, and temporal variance of one frame with its
    standard error, of flats; midgrey_dn : mid-grey above black. NaN where the level lies `NEAR_MIDGREY_STOPS` or more
    from mid-grey: too far to tell without the read noise.
    """
    if not (level_dn > 0 and midgrey_dn > 0 and variance_dn2 > 0):
        return math.nan, math.nan
    ratio = midgrey_dn / level_dn
    if abs(math.log2(ratio)) >= NEAR_MIDGREY_STOPS:
        return math.nan, math.nan
    electrons = electrons_for(level_dn / math.sqrt(variance_dn2), MOST_READ_NOISE_E)
    least = electrons / (electrons + MOST_READ_NOISE_E**2)
    factor = 1.0 + 0.5 * (1.0 + least) * (ratio - 1.0)
    # evenly distributed between its ends: a third of the root of 3 of the width to either side
    of_share = 0.5 * (1.0 - least) / math.sqrt(3.0) * abs(ratio - 1.0) / factor
    snr = midgrey_dn / math.sqrt(variance_dn2 * factor)
    return snr, 0.5 * snr * math.hypot(variance_stderr_dn2 / variance_dn2, of_share)


def flats_midgrey_snr(flats: Sequence[UsedFlat], midgrey_dn: float) -> tuple[float, float]:
    """Return the SNR of one sample at mid-grey and its standard error, from the flats of one channel.

    Those serve whose level is within `SAME_LEVEL_STOPS` of that of the flat nearest to mid-grey. NaN as in
    `midgrey_snr`.
    """
    # A - r M of frames of about the same level: level and variance of one frame
    found = [
        (flat.shot_dn / weight, flat.flat.variance_dn2 / weight, flat.flat.variance_stderr_dn2 / weight)
        for flat in flats
        if (weight := flat.flat.dark_weight) > 0 and flat.shot_dn > 0
    ]
    if not found or not midgrey_dn > 0:
        return math.nan, math.nan
    nearest = min((level for level, _, _ in found), key=lambda level: abs(math.log2(level / midgrey_dn)))
    alike = [one for one in found if abs(math.log2(one[0] / nearest)) < SAME_LEVEL_STOPS]
    count = len(alike)
    return midgrey_snr(
        sum(level for level, _, _ in alike) / count,
        sum(variance for _, variance, _ in alike) / count,
        math.sqrt(sum(stderr**2 for _, _, stderr in alike)) / count,
        midgrey_dn,
    )
