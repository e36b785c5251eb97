"""How far a new limit lies from an accepted one, in stops, and whether that is more than chance.

Pure standard library. Both limits carry a standard error in stops; their difference has the root of the sum
of the squares, and z = difference / error is compared with a normal distribution: p = erfc(|z| / sqrt 2),
two-sided.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from kitgauge.errors import LimitsError
from kitgauge.limits.interval_errors import STOPS_PER_DOUBLING as STOPS_PER_DOUBLING
from kitgauge.limits.interval_errors import limit_stderr_stops as limit_stderr_stops
from kitgauge.limits.model import Limit

SIGNIFICANT_P = 0.05


@dataclass(frozen=True)
class Difference:
    """New limit minus accepted limit.

    `stops` > 0: the new limit allows a higher ISO, a slower shutter, or a higher f-number. `setting` names
    the value compared (of an f-number limit the end that moved most). `stderr_stops`, `z` and `p` are NaN
    where the standard error of either limit is not estimated. `significant` is None then.
    """

    setting: str
    stops: float
    stderr_stops: float
    z: float
    p: float
    significant: bool | None
    text: str


def compare(old: Limit, new: Limit) -> Difference:
    """Return the difference in stops of `new` against `old`, with its significance.

    Raises LimitsError if the two are limits of different kinds.
    """
    if old.kind != new.kind:
        raise LimitsError(
            "limits of different kinds cannot be compared",
            got=new.kind,
            needed=old.kind,
            fix="compare like with like",
        )
    moved = {name: _stops(name, old.value[name], new.value[name]) for name in old.value if name in new.value}
    if not moved:
        raise LimitsError(
            "the limits name no common setting",
            got=", ".join(new.value),
            needed=", ".join(old.value),
            fix="accept the limit again from its run",
        )
    setting = max(moved, key=lambda name: abs(moved[name]))
    stops = moved[setting]
    stderr = math.hypot(limit_stderr_stops(old), limit_stderr_stops(new))
    z = stops / stderr
    p = math.erfc(abs(z) / math.sqrt(2.0))
    significant = None if math.isnan(p) else p < SIGNIFICANT_P
    return Difference(setting, stops, stderr, z, p, significant, _describe(stops, stderr, p, significant))


def _stops(name: str, old: float, new: float) -> float:
    if not (old > 0 and new > 0):
        raise LimitsError("a limit must be positive to be compared", where=name, got=f"{old:g} and {new:g}")
    return STOPS_PER_DOUBLING[name] * math.log2(new / old)


def _describe(stops: float, stderr: float, p: float, significant: bool | None) -> str:
    if math.isnan(stderr):
        return f"{stops:+.2f} stops (standard error not estimated: whether this is chance cannot be told)"
    chance = "p < 0.001" if p < 0.001 else f"p = {p:.3f}"
    verdict = "a real difference" if significant else "within what chance explains"
    return f"{stops:+.2f} ± {stderr:.2f} stops ({chance}: {verdict})"
