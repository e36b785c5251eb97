"""How many frames to shoot for the wanted number of sharp ones: binomial, exact.

Frames that are taken one by one, the camera lowered in between, are sharp or not independently of each other. Frames of
one burst share part of their movement (the burst spread of the blur fit), so that they tend to be sharp, or blurred,
together: the binomial is then averaged over what they share. Pure standard library.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, NamedTuple

from kitgauge.planner.streaks import normal_rule

LONGEST_BURST = 500  # more frames than that are no plan


class Burst(NamedTuple):
    """Frames to shoot for `keepers` sharp ones with probability `confidence`; None where no number is known to do.

    frames          taken one by one
    at_low_end      the same at the low end of the keep rate's 95 % interval, None where there is no interval
    in_one_burst    in one burst, where the fit tells how much its frames share; None where it does not
    """

    keepers: int
    confidence: float
    frames: int | None
    at_low_end: int | None = None
    in_one_burst: int | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "confidence": self.confidence,
            "keepers": self.keepers,
            "frames": self.frames,
            "frames_at_low_end": self.at_low_end,
            "frames_in_one_burst": self.in_one_burst,
        }


def at_least(keepers: int, frames: int, keep_rate: float) -> float:
    """Return the probability of `keepers` or more sharp frames among `frames` independent ones (binomial)."""
    if keepers <= 0:
        return 1.0
    if frames < keepers or keep_rate <= 0:
        return 0.0
    if keep_rate >= 1:
        return 1.0
    # the smaller tail in full, each term from the one before it in logarithms
    odds = math.log(keep_rate) - math.log1p(-keep_rate)
    missing = 0.0
    log_term = frames * math.log1p(-keep_rate)
    for k in range(keepers):
        missing += math.exp(log_term)
        log_term += odds + math.log((frames - k) / (k + 1))
    return max(1.0 - missing, 0.0)


def frames_for(keepers: int, confidence: float, keep_rate: float | None) -> int | None:
    """Return the fewest frames that hold `keepers` sharp ones with probability `confidence`.

    None where the keep rate is unknown or 0, or where more than LONGEST_BURST frames would be needed. For one keeper it
    is k = ceil(ln(1-c)/ln(1-p)).
    """
    if keep_rate is None or keep_rate <= 0:
        return None
    return _fewest(keepers, confidence, lambda frames: at_least(keepers, frames, keep_rate))


def frames_in_one_burst(keepers: int, confidence: float, keep_rate_at: Callable[[float], float | None]) -> int | None:
    """Return `frames_for` of one burst: `keep_rate_at` gives the keep rate where the common factor of the burst lies so
    many standard deviations off.
    """
    rates = [(weight, keep_rate_at(node)) for node, weight in normal_rule()]
    if any(rate is None for _, rate in rates):
        return None

    def probability(frames: int) -> float:
        return sum(weight * at_least(keepers, frames, rate or 0.0) for weight, rate in rates)

    return _fewest(keepers, confidence, probability)


def _fewest(keepers: int, confidence: float, probability: Callable[[int], float]) -> int | None:
    """Return the smallest number of frames that reaches `confidence`; the probability rises with the frames."""
    low, high = keepers - 1, max(keepers, 1)
    while probability(high) < confidence - 1e-12:
        if high >= LONGEST_BURST:
            return None
        low, high = high, min(2 * high, LONGEST_BURST)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if probability(middle) >= confidence - 1e-12 else (middle, high)
    return high
