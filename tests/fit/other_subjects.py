"""Subjects of other kinds than `simulated_subjects`, drawn apart from it: nods with pauses, a page, a stroll.

A check that what was chosen on the one set of movements holds on another. Streaks by the midpoint rule over the path.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

KINDS = ("nod with pauses", "page", "stroll")
FASTEST_PX_PER_S = (250.0, 900.0)  # the highest speed of a typical frame, log-uniform between these
SPREADS = (0.05, 0.35)  # of the size of the movement from frame to frame (ln), even between these
PAUSES = (0.1, 0.3)  # share of the time that the head keeps still
_POINTS = 40
_NOD_S, _PAGE_S, _STEPS_HZ = 0.5, 0.9, 1.9
_TIMES = np.exp(np.linspace(math.log(2e-4), math.log(0.25), 33))


@dataclass(frozen=True)
class OtherSubject:
    """One subject: its kind, highest speed [px/s], spread from frame to frame, and share of the time at rest."""

    kind: str
    fastest_px_per_s: float
    spread: float
    pause: float

    def _path(self, moment: Array) -> tuple[Array, Array]:
        """Return x, y at moments [s] for a highest speed of 1 px/s."""
        if self.kind == "nod with pauses":  # half a sine down and up again, then a rest
            within = np.mod(moment, _NOD_S / (1.0 - self.pause)) / _NOD_S
            return 0.0 * moment, _NOD_S / math.pi * np.where(within < 1.0, np.sin(math.pi * within), 0.0)
        if self.kind == "page":  # half a turn about its spine, smoothest in its jerk; seen from above
            u = np.clip(moment / _PAGE_S, 0.0, 1.0)
            angle = math.pi * (10.0 * u**3 - 15.0 * u**4 + 6.0 * u**5)
            radius = _PAGE_S / (1.875 * math.pi)
            return radius * np.cos(angle), 0.25 * radius * np.sin(angle)
        turn = 2.0 * math.pi * _STEPS_HZ  # a stroll: a little faster and slower, up and down with each step
        return 0.9 * moment + 0.09 / turn * np.sin(turn * moment), 0.2 / turn * np.sin(turn * moment + 0.5)

    def streaks(self, exposure_s: Array, rng: np.random.Generator) -> Array:
        """Return true streaks [px] of exposures at random moments of the movement."""
        size = self.fastest_px_per_s * np.exp(self.spread * rng.standard_normal(exposure_s.size))
        start = rng.uniform(0.0, 60.0, exposure_s.size)
        if self.kind == "page":  # somewhere in the midst of the turn
            start = rng.uniform(0.15, 0.85, exposure_s.size) * _PAGE_S - exposure_s / 2.0
        part = (np.arange(_POINTS) + 0.5) / _POINTS
        moment = start[:, None] + exposure_s[:, None] * part
        return size * np.sqrt(12.0 * sum(np.var(along, axis=1) for along in self._path(moment)))

    def quantiles_px(self, keep: float, frames: int = 2000) -> Array:
        """Return the streaks that a share `keep` of exposures stays within, at the times of `_TIMES`."""
        return np.array(
            [np.quantile(self.streaks(np.full(frames, t), np.random.default_rng(11)), keep) for t in _TIMES]
        )

    def limit_s(self, keep: float, streak_limit_px: float) -> float:
        """Return the slowest time with a share `keep` within `streak_limit_px`."""
        reached = self.quantiles_px(keep)
        last = int(np.flatnonzero(reached <= streak_limit_px)[-1])
        ends = np.log(reached[last : last + 2])
        part = (math.log(streak_limit_px) - ends[0]) / (ends[1] - ends[0])
        return float(_TIMES[last] * (_TIMES[last + 1] / _TIMES[last]) ** part)


def draw_other(rng: np.random.Generator, number: int) -> OtherSubject:
    """Return a subject; kinds take turns."""
    low, high = FASTEST_PX_PER_S
    return OtherSubject(
        KINDS[number % len(KINDS)],
        low * (high / low) ** rng.uniform(),
        float(rng.uniform(*SPREADS)),
        float(rng.uniform(*PAUSES)),
    )
