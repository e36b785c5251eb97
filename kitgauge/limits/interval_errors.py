"""The standard error of a limit, in stops. Pure standard library: plans read this at start-up."""

from __future__ import annotations

import math

from kitgauge.intervals import NORMAL_95
from kitgauge.limits.model import Limit

# setting named in the files -> stops per doubling of the value (f-numbers count twice)
STOPS_PER_DOUBLING = {"iso": 1.0, "shutter_s": 1.0, "f_number_low": 2.0, "f_number_high": 2.0, "f_number": 2.0}


def limit_stderr_stops(limit: Limit) -> float:
    """Return the standard error of a limit in stops; from the 95 % interval where only that is given, else
    NaN.

    The interval of an f-number limit spans from its lower to its higher end, so no error follows from it.
    """
    if limit.stderr_stops > 0:
        return limit.stderr_stops
    if limit.kind != "f_number" and 0 < limit.ci_low < limit.ci_high < math.inf:
        return math.log2(limit.ci_high / limit.ci_low) / (2 * NORMAL_95)
    return math.nan
