"""Subjects that swing, nod, walk and wave: true streaks from their paths, and what a measurement makes of them.

Nothing here follows the families or the straight line that the fit assumes, and no estimator of ours is used: a streak
is sqrt(12) times the standard deviation of the way over the exposure, by Gauss-Legendre quadrature.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from kitgauge.fit.blur.blur_shutter import BlurFit, fit_blur
from kitgauge.fit.blur.streak_families import SUBJECTS

Array = NDArray[np.float64]

LADDER = 2.0 ** -np.arange(4.0, 11.0)  # 1/16 to 1/1024 s, as the protocol has it
FRAMES = 8
STREAK_LIMIT_PX = 3.0
LONGEST_PX = 40.0
NOISE_PX2, NOISE_SHARE = 0.012, 0.03  # error of the variance L^2 / 12: at the floor, and as a share of it
KINDS = ("swing", "nod", "walk", "wave")
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)


def way(kind: str, size: Array, moment: Array) -> tuple[Array, Array]:
    """Return x, y [px] at moments [s] (any shape) of movements whose size `size` (first axes of `moment`) tells."""
    if kind == "swing":  # a pendulum of 1 m: across, and up on its arc
        angle = np.sin(3.13 * moment)
        return size * angle, 0.05 * size * angle**2
    if kind == "nod":
        return 0.0 * moment, size * np.sin(5.7 * moment) * (1.0 + 0.3 * np.sin(0.9 * moment + 1.0))
    if kind == "walk":  # along at a steady pace, up and down with each step, from side to side with every second
        return size * (1.1 * moment + 0.06 * np.sin(5.9 * moment)), 0.09 * size * np.cos(11.8 * moment)
    return size * np.sin(9.0 * moment), 0.4 * size * np.sin(6.1 * moment + 0.7)  # a hand


def true_streaks(kind: str, size: Array, start_s: Array, exposure_s: Array) -> Array:
    """Return the true streak [px] of exposures, all arrays (n,)."""
    moment = start_s[:, None] + exposure_s[:, None] * (_NODES + 1.0) / 2.0
    total = np.zeros(start_s.size)
    for part in way(kind, size[:, None], moment):
        weight = _WEIGHTS / 2.0
        middle = part @ weight
        total += ((part - middle[:, None]) ** 2) @ weight
    return np.sqrt(12.0 * total)


class Movement(Protocol):
    """What can be photographed: it tells the true streaks of exposures."""

    def streaks(self, exposure_s: Array, rng: np.random.Generator) -> Array:
        """Return true streaks [px] of exposures at random moments."""
        ...


@dataclass(frozen=True)
class Population:
    """One subject: what it does, how large [px], and how much that differs from frame to frame (ln, sigma)."""

    kind: str
    size_px: float
    spread: float

    def streaks(self, exposure_s: Array, rng: np.random.Generator) -> Array:
        """Return true streaks of exposures at random moments."""
        size = self.size_px * np.exp(self.spread * rng.standard_normal(exposure_s.size))
        return true_streaks(self.kind, size, rng.uniform(0.0, 60.0, exposure_s.size), exposure_s)

    def quantile_px(self, exposure_s: float, keep: float, frames: int = 6000) -> float:
        """Return the streak that a share `keep` of exposures stays within."""
        return float(np.quantile(self.streaks(np.full(frames, exposure_s), np.random.default_rng(5)), keep))

    def limit_s(self, keep: float) -> float:
        """Return the slowest time with that share within `STREAK_LIMIT_PX`: by bisection."""
        low, high = math.log(1e-5), math.log(1.0)
        for _ in range(24):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if self.quantile_px(math.exp(middle), keep) <= STREAK_LIMIT_PX else (low, middle)
        return math.exp(low)


def draw_population(rng: np.random.Generator, number: int) -> Population:
    """Return a subject whose limit lies well within the ladder."""
    # px; walkers' sizes are paces a second
    typical = {"swing": 150.0, "nod": 80.0, "walk": 400.0, "wave": 40.0}
    kind = KINDS[number % len(KINDS)]
    return Population(kind, typical[kind] * math.exp(0.4 * rng.standard_normal()), float(rng.choice([0.1, 0.3])))


def photographed(
    subject: Movement, rng: np.random.Generator, frames: int = FRAMES, families: Sequence[str] | None = None
) -> BlurFit:
    """Return the fit to a series of measured streaks: with errors, floor and ceiling."""
    times = np.repeat(LADDER, frames)
    true = subject.streaks(times, rng)
    error = np.hypot(NOISE_PX2, NOISE_SHARE * true**2 / 12.0)
    variance = true**2 / 12.0 + error * rng.standard_normal(times.size)
    streak = np.sqrt(12.0 * np.maximum(variance, 0.0))
    kind: list[str | None] = [
        "above" if t > LONGEST_PX else "below" if v < 2.0 * e else None
        for t, v, e in zip(true, variance, error, strict=True)
    ]
    bound = np.array(
        [
            LONGEST_PX if k == "above" else math.sqrt(12.0 * (max(v, 0.0) + 2.0 * e)) if k == "below" else math.nan
            for k, v, e in zip(kind, variance, error, strict=True)
        ]
    )
    hidden = np.array([k == "above" for k in kind])
    known = np.array([k is None for k in kind])
    return fit_blur(
        times,
        np.where(known, streak, math.nan),
        np.where(known, 6.0 * error / np.maximum(streak, 1e-9), math.nan),
        kind,
        bound,
        np.where(hidden, math.nan, variance),
        np.where(hidden, math.nan, error),
        families=families or SUBJECTS,
    )
