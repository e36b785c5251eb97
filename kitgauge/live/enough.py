"""Whether what has been shot is enough: how wide the interval of the limit still is, in stops."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from kitgauge.intervals import NORMAL_95
from kitgauge.limits.model import Limit

# Width of the 95 % interval. A quarter of a stop to each side is less than the step of any dial (a third) ...
SHUTTER_STOPS = 0.5
# ... and ISO values and f-numbers, known far better, are to be known to one step of the dial.
DIAL_STEP_STOPS = 1.0 / 3.0
_NOT_ENOUGH = ("limit-at-highest", "sharpest-at-end", "ladder-too-fast", "tripod-unsteady", "constant-blur")


@dataclass(frozen=True)
class Estimate:
    """The running estimate: its sentence, the width of its 95 % interval [stops], NaN where that is not known."""

    text: str
    width_stops: float
    wanted_stops: float
    doubts: tuple[str, ...] = ()  # flags for which no number of frames is enough

    @property
    def enough(self) -> bool:
        """Tell whether the interval is narrow enough and nothing stands against it."""
        return self.width_stops <= self.wanted_stops and not self.doubts


def estimate_of(limits: Sequence[Limit], wanted_stops: float | None = None) -> Estimate | None:
    """Return the estimate that the first of a run's limits makes, None where there is none.

    `wanted_stops` is the width that is narrow enough, by default that of the kind of limit.
    """
    if not limits:
        return None
    limit = limits[0]
    wanted = wanted_stops or (SHUTTER_STOPS if limit.kind == "shutter" else DIAL_STEP_STOPS)
    return Estimate(limit.text, _width_stops(limit), wanted, tuple(flag for flag in limit.flags if flag in _NOT_ENOUGH))


def _width_stops(limit: Limit) -> float:
    """Return the width of the 95 % interval [stops]; an f-number limit has two ends, whose errors are given as one."""
    if limit.kind in ("iso", "shutter"):
        if not (math.isfinite(limit.ci_low) and math.isfinite(limit.ci_high) and limit.ci_low > 0):
            return math.nan
        return math.log2(limit.ci_high / limit.ci_low)
    return 2.0 * NORMAL_95 * limit.stderr_stops


def next_speeds(curves: Mapping[str, Any] | None) -> list[tuple[float, int]]:
    """Return what a blur run asks for next, the most frames first: (shutter time [s] as marked, frames)."""
    blur = (curves or {}).get("blur") or {}
    found = [(float(one["shutter_s"]), int(one["frames"])) for one in blur.get("next") or []]
    return sorted(found, key=lambda one: (-one[1], one[0]))
