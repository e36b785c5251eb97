"""Was a dark frame subtracted by the camera after a long exposure?

What the camera's subtraction leaves in a dark frame, as far as dark frames and their exposure times can tell:

- hot samples, whose dark signal differs from frame to frame by its own shot noise, lie below black as often as above;
- the variance is that of two frames, while the level has not risen by the light or dark current that would explain it
  (variance K times the level; photon noise, EMVA 1288 Release 4 Linear);
- black is cut off at 0 where that of a shorter exposure is not;
- nothing is left of the sensor's fixed pattern and dark current: no non-uniformity beside the noise, a mean on a whole
  code, as black is added again, and of the few samples that stand out a good part lie below black. Each alone a good
  sensor may show; all three are asked for, in all colours together.

What cannot be told: a subtraction that added black again from a sensor without hot samples, where no shorter dark pair
of the same ISO is there to compare with; hot samples that are missing, which may as well have been mapped out; and
a subtraction that acted on long flats only, with darks too short for it: their read noise is the sensor's, and the
flats' own is hidden in their shot noise.
Samples with random telegraph noise lie on both sides of black in short exposures too, so that only exposures from
0.2 s on are judged.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# Where a tail begins, the shortest time that cameras do it at, and by how much counts and variance must differ:
# common practice, no source. Two frames have twice the variance.
_TAIL_SIGMAS = 6.5
_MOST_SAMPLES = 2_000_000
_SHORTEST_S = 0.2
_FEWEST_COLD = 10
_COLD_OVER_HOT = 0.3
_VARIANCE_OVER_SHORTER = 1.4
_SIGNIFICANT = 5.0
# Nothing left of the sensor (common practice, no source): non-uniformity below this share of the variance, known so
# well; mean this near to a whole code [DN]; so many cold samples in all colours, and so many of those that stand out
_NO_PATTERN = 0.015
_NEAR_WHOLE_DN = 0.03
_FEWEST_COLD_IN_ALL = 3
_COLD_OVER_HOT_IN_ALL = 0.25


def tail_counts(plane: NDArray[np.uint16]) -> tuple[int, int]:
    """Return how many (row, column) samples lie far below and far above the middle of a dark frame (6.5 standard
    deviations from percentiles, 2 DN at least); of a large plane every n-th row."""
    rows = plane[:: max(1, plane.size // _MOST_SAMPLES)]
    p16, middle, p84 = np.percentile(rows[:: max(1, rows.size // 20_000)], (15.87, 50.0, 84.13))
    reach = _TAIL_SIGMAS * max(0.5 * (p84 - p16) + 0.25, 0.5) + 2.0
    # against whole numbers of their own type: anything else would turn all samples into floating point
    low, high = math.ceil(max(middle - reach, 0.0)), min(math.floor(middle + reach), int(np.iinfo(rows.dtype).max))
    return int(np.count_nonzero(rows < rows.dtype.type(low))), int(np.count_nonzero(rows > rows.dtype.type(high)))


@dataclass(frozen=True)
class DarkEvidence:
    """What one dark pair tells: see `DarkPair`. `exposure_s` is NaN where unknown."""

    exposure_s: float
    mean_dn: float
    variance_dn2: float
    variance_stderr_dn2: float
    cold: int
    hot: int
    clipped: bool
    fixed_dn2: float = math.nan  # non-uniformity
    fixed_stderr_dn2: float = math.nan
    mean_stderr_dn: float = math.nan  # of one colour


def dark_subtracted(darks: Sequence[DarkEvidence], dn_per_electron: float) -> list[bool]:
    """Return for each dark pair of one plane at one ISO whether the camera had subtracted a dark frame.

    dn_per_electron : K [DN/e-], NaN where no flat told; then only hot samples and cut-off black are judged.
    """
    out = []
    for dark in darks:
        found = False
        if dark.exposure_s >= _SHORTEST_S:
            found = dark.cold >= _FEWEST_COLD and dark.cold > _COLD_OVER_HOT * dark.hot
            for other in darks:
                if other.exposure_s < 0.5 * dark.exposure_s and not other.clipped:
                    found = found or dark.clipped or _noise_without_signal(dark, other, dn_per_electron)
        out.append(found)
    return out


def nothing_left(planes: Sequence[DarkEvidence]) -> bool:
    """Tell whether nothing is left of the sensor's fixed pattern and dark current in a dark pair, seen in all its
    colour planes together: see the module's text."""
    if not planes or any(not plane.exposure_s >= _SHORTEST_S or plane.clipped for plane in planes):
        return False
    count = len(planes)
    pattern = sum(plane.fixed_dn2 / plane.variance_dn2 for plane in planes) / count
    error = math.sqrt(sum((plane.fixed_stderr_dn2 / plane.variance_dn2) ** 2 for plane in planes)) / count
    off = sum(plane.mean_dn - round(plane.mean_dn) for plane in planes) / count
    off_error = math.sqrt(sum(plane.mean_stderr_dn**2 for plane in planes)) / count
    cold, hot = sum(plane.cold for plane in planes), sum(plane.hot for plane in planes)
    return (
        pattern < min(_NO_PATTERN, 4.0 * error)
        and 3.0 * error < _NO_PATTERN
        and abs(off) < _NEAR_WHOLE_DN + 4.0 * off_error < 0.25
        and cold >= _FEWEST_COLD_IN_ALL
        and cold > _COLD_OVER_HOT_IN_ALL * hot
    )


def _noise_without_signal(dark: DarkEvidence, shorter: DarkEvidence, dn_per_electron: float) -> bool:
    added = dark.variance_dn2 - shorter.variance_dn2
    error = math.hypot(dark.variance_stderr_dn2, shorter.variance_stderr_dn2)
    if not (dark.variance_dn2 > _VARIANCE_OVER_SHORTER * shorter.variance_dn2 and added > _SIGNIFICANT * error):
        return False
    signal = added / dn_per_electron  # what would make so much noise [DN]
    drift = 1.0  # black itself drifts by about so much [DN]
    return signal > 3.0 * drift and dark.mean_dn - shorter.mean_dn < 0.3 * signal
