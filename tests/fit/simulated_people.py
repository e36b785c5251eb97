"""Series of frames of people with known hands, as a measurement would report them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from kitgauge.fit.blur.blur_shutter import BlurFit, fit_blur

Array = NDArray[np.float64]
REFERENCE_S = 1.0 / 32.0
LADDER = 2.0 ** -np.arange(1.0, 10.0)

RELATIVE = {
    "rayleigh": stats.rayleigh(),
    "weibull": stats.weibull_min(1.5),
    "gamma": stats.gamma(2.5),
    "lognormal": stats.lognorm(0.6),
}


@dataclass(frozen=True)
class Person:
    """True streaks of one simulated series and what a measurement makes of them."""

    shutter_s: Array
    true_px: Array
    streak_px: Array
    stderr_px: Array
    censored: list[str | None]
    bound_px: Array

    def fit(self) -> BlurFit:
        return fit_blur(self.shutter_s, self.streak_px, self.stderr_px, self.censored, self.bound_px)


def person(
    rng: np.random.Generator,
    family: str = "rayleigh",
    frames: int = 8,
    ladder: Array = LADDER,
    slope: float = 1.0,
    scale_px: float = 3.0,
    noise_px2: float = 0.008,
    longest_px: float = 50.0,
) -> Person:
    """Scale `scale_px` at 1/32 s; the variance L^2/12 is measured with error `noise_px2`, censored under 2
    sigma."""
    t = np.repeat(ladder, frames)
    true = scale_px * (t / REFERENCE_S) ** slope * RELATIVE[family].rvs(t.size, random_state=rng)
    variance = true**2 / 12.0 + noise_px2 * rng.standard_normal(t.size)
    floor = math.sqrt(12.0 * 2.0 * noise_px2)
    below, above = variance < 2.0 * noise_px2, true > longest_px
    streak = np.sqrt(12.0 * np.where(below, 1.0, variance))
    return Person(
        t,
        true,
        np.where(below | above, math.nan, streak),
        np.where(below | above, math.nan, 6.0 * noise_px2 / streak),
        ["below" if b else "above" if a else None for b, a in zip(below, above, strict=True)],
        np.where(above, longest_px, np.where(below, floor, math.nan)),
    )
