"""The running estimate of a watched run: its sentence, how wide its interval still is, and whether that is enough."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from kitgauge.exposure import format_f_number
from kitgauge.intervals import NORMAL_95
from kitgauge.limits.model import Limit
from kitgauge.protocol.model import Protocol

# Width of the 95 % interval. A quarter of a stop to each side is less than the step of any dial (a third) ...
SHUTTER_STOPS = 0.5
# ... and ISO values and f-numbers, known far better, are to be known to one step of the dial.
DIAL_STEP_STOPS = 1.0 / 3.0
# Dark current doubles with every 6 to 8 degrees: half a stop is what three degrees make of it.
RATE_STOPS = 0.5
# A scatter is known poorly from few frames: twenty tell it within one stop, 1.4 times more or less.
SCATTER_STOPS = 1.0
FOCUS_STEPS = 0.5
_NOT_ENOUGH = ("limit-at-highest", "sharpest-at-end", "ladder-too-fast", "tripod-unsteady", "constant-blur")


@dataclass(frozen=True)
class Estimate:
    """The running estimate: its sentence, the width of its 95 % interval in `unit`, NaN where that is not known."""

    text: str
    width: float
    wanted: float
    doubts: tuple[str, ...] = ()  # flags for which no number of frames is enough
    unit: str = "stops"

    @property
    def enough(self) -> bool:
        """Tell whether the interval is narrow enough and nothing stands against it."""
        return self.width <= self.wanted and not self.doubts


def estimate_of(
    limits: Sequence[Limit], curves: Mapping[str, Any] | None = None, wanted: float | None = None
) -> Estimate | None:
    """Return the estimate that a run's limits make, else what its curves tell; None where there is none.

    `wanted` is the width that is narrow enough, by default that of the kind of estimate.
    """
    curves = curves or {}
    if focusing := next((limit for limit in limits if limit.kind == "focus"), None):
        ends = focusing.extra.get("focus_error_ci") or (math.nan, math.nan)
        return Estimate(focusing.text, _stops(*ends), wanted or SCATTER_STOPS, unit="stops of the focusing error")
    if limits:
        limit = limits[0]
        usual = SHUTTER_STOPS if limit.kind == "shutter" else DIAL_STEP_STOPS
        doubts = tuple(flag for flag in limit.flags if flag in _NOT_ENOUGH)
        return Estimate(limit.text, _width_stops(limit), wanted or usual, doubts)
    if dark := (curves.get("noise") or {}).get("dark_current"):
        rate, error = dark["rate_e_per_s"], NORMAL_95 * dark["rate_stderr"]
        width = _stops(rate - error, rate + error)
        return Estimate(dark["text"], width, wanted or RATE_STOPS, unit="stops of the rate")
    return _of_bracket((curves.get("sharpness") or {}).get("bracket"), wanted)


def _of_bracket(bracket: Mapping[str, Any] | None, wanted: float | None) -> Estimate | None:
    """Return where the middle of the frame is sharpest, at the highest f-number that tells it."""
    middle = [
        peak
        for peak in (bracket or {}).get("peaks", [])
        if (peak["region"], peak["orientation"], peak["channel"]) == ("centre", "both", "G") and peak["bracketed"]
    ]
    if not middle:
        return None
    peak = max(middle, key=lambda one: float(one["f_number"]))
    low, high = peak["best_step_ci"]
    # steps are counted from 0 in the files
    text = (
        f"{format_f_number(peak['f_number'])}, centre: sharpest at frame {peak['best_step'] + 1:.2f} of the series "
        f"(95 % interval {low + 1:.2f} to {high + 1:.2f})."
    )
    return Estimate(text, high - low, wanted or FOCUS_STEPS, unit="steps")


def _width_stops(limit: Limit) -> float:
    """Return the width of the 95 % interval [stops]; an f-number limit has two ends, whose errors are given as one."""
    if limit.kind in ("iso", "shutter"):
        return _stops(limit.ci_low, limit.ci_high)
    return 2.0 * NORMAL_95 * limit.stderr_stops


def _stops(low: float, high: float) -> float:
    """Return the width of an interval [stops], NaN where an end is open."""
    return math.log2(high / low) if math.isfinite(low) and math.isfinite(high) and low > 0 else math.nan


def what_comes(protocol: Protocol, *, developed: bool) -> str:
    """Return what a run of this protocol will tell, and when, for as long as there is nothing to tell."""
    if protocol.measures == "practice":
        return "what the frames show side by side is worked out from the whole series, at its end"
    if protocol.measures == "blur":
        return "the slowest sharp speed comes with frames at several speeds, some of them sharp and some not"
    if protocol.measures == "dark-current":
        return "the rate comes with dark frames at two exposure times or more, in electrons with the flats"
    if protocol.focus_stepped:
        return "the best focus comes when the frames of an f-number have become sharp and soft again"
    if protocol.refocused:
        return "how repeatable the focusing is comes with three frames more than f-numbers, two or more at each"
    if protocol.measures == "sharpness":
        return "the range of sharp f-numbers comes with the third f-number"
    if developed or all(step.role != "dark" for step in protocol.step):
        return "the highest ISO comes with the first pairs of flats"
    return "the highest ISO comes when two ISO values have their flats and their dark frames"


def next_speeds(curves: Mapping[str, Any] | None) -> list[tuple[float, int]]:
    """Return what a blur run asks for next, the most frames first: (shutter time [s] as marked, frames)."""
    blur = (curves or {}).get("blur") or {}
    found = [(float(one["shutter_s"]), int(one["frames"])) for one in blur.get("next") or []]
    return sorted(found, key=lambda one: (-one[1], one[0]))
