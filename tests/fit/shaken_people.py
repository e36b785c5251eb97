"""People with simulated hands: true streaks from integrated motion paths, and what a measurement makes of them.

Nothing here follows the families or the straight line that the fit assumes: the streaks are second moments of paths
made of sway, shake, tremor and the jerk of the button (`simulate/hands.py`), and the true limit is a quantile of many
such paths.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from kitgauge.fit.blur.blur_shutter import BlurFit, fit_blur
from kitgauge.simulate.hands import Hands, draw_motion, streaks_px

Array = NDArray[np.float64]

FOCAL_MM, PITCH_UM = 50.0, 4.0
LADDER = 2.0 ** -np.arange(2.0, 9.0)  # as the protocol has it: 1/4 to 1/256 s at 50 mm
STREAK_LIMIT_PX = 4.8  # diagonal of 6000 x 4000 pixels / 1500
LONGEST_PX = 40.0
NOISE_PX2, NOISE_SHARE = 0.012, 0.03  # error of the variance L^2 / 12: at the floor, and as a share of it
_TRUTH_TIMES = 2.0 ** np.arange(-13.0, 1.01, 1.0)

# How the parts of the motion stand to each other: drifting, trembling, jerking the button, and in between.
KINDS = (
    Hands(),
    Hands(sway_rad_per_s=18e-3, shake_rad=0.05e-3, tremor_rad=0.02e-3, jerk_rad=0.1e-3),
    Hands(sway_rad_per_s=5e-3, shake_rad=0.35e-3, tremor_rad=0.12e-3, jerk_rad=0.2e-3),
    Hands(sway_rad_per_s=8e-3, shake_rad=0.10e-3, tremor_rad=0.05e-3, jerk_rad=1.2e-3),
)


@cache
def _true_streaks(kind: int, paths: int) -> Array:
    """Return sorted true streaks [px] (time, path) of many exposures, the same motions at every time."""
    motion = draw_motion(KINDS[kind], paths, np.random.default_rng(99))
    return np.array([np.sort(streaks_px(motion, t, FOCAL_MM, PITCH_UM)) for t in _TRUTH_TIMES])


def true_limit_s(kind: int, scale: float, keep: float, limit_px: float, paths: int = 4000) -> float:
    """Return the time at which a share `keep` of exposures is within `limit_px`, hands `scale` times as shaky."""
    streak = np.log(scale * np.quantile(_true_streaks(kind, paths), keep, axis=1))
    x = np.log(_TRUTH_TIMES)
    roots = CubicSpline(x, streak - math.log(limit_px)).roots(extrapolate=False)
    if roots.size == 0:
        raise ValueError("these hands reach the streak limit at no time that was looked at")
    return math.exp(float(roots[0]))


@dataclass(frozen=True)
class ShakenSeries:
    """Rows of one series: true streaks, and measured ones with errors, floor and ceiling."""

    shutter_s: Array
    true_px: Array
    streak_px: Array
    stderr_px: Array
    censored: list[str | None]
    bound_px: Array
    variance_px2: Array
    variance_stderr_px2: Array

    def fit(self) -> BlurFit:
        return fit_blur(
            self.shutter_s, self.streak_px, self.stderr_px, self.censored, self.bound_px,
            self.variance_px2, self.variance_stderr_px2,
        )  # fmt: skip

    def fit_to_truth(self) -> BlurFit:
        """Fit the true streaks, without error and censoring: what the sampling of the frames alone allows."""
        n = self.true_px.size
        return fit_blur(self.shutter_s, self.true_px, np.zeros(n), [None] * n, np.full(n, math.nan))

    def joined(self, other: ShakenSeries) -> ShakenSeries:
        pairs = ((getattr(self, name), getattr(other, name)) for name in vars(self))
        return ShakenSeries(*([*a, *b] if isinstance(a, list) else np.concatenate([a, b]) for a, b in pairs))

    def part(self, chosen: NDArray[np.bool_]) -> ShakenSeries:
        columns = (getattr(self, name) for name in vars(self))
        return ShakenSeries(
            *([v for v, c in zip(a, chosen, strict=True) if c] if isinstance(a, list) else a[chosen] for a in columns)
        )


def measured(
    rng: np.random.Generator, shutter_s: Array, true_px: Array, longest_px: float = LONGEST_PX
) -> ShakenSeries:
    """Return what a measurement reports: noise of the variance, censoring under two errors and over `longest_px`."""
    true_variance = true_px**2 / 12.0
    stderr = np.hypot(NOISE_PX2, NOISE_SHARE * true_variance)
    variance = true_variance + stderr * rng.standard_normal(true_px.size)
    # the reported error follows from what was measured
    stderr = np.hypot(NOISE_PX2, NOISE_SHARE * np.maximum(variance, 0.0))
    above = true_px > longest_px
    below = ~above & (variance < 2.0 * stderr)
    known = ~(above | below)
    streak = np.where(known, np.sqrt(12.0 * np.abs(variance)), math.nan)
    floor = np.sqrt(12.0 * (np.maximum(variance, 0.0) + 2.0 * stderr))
    bound = np.where(above, longest_px, np.where(below, floor, math.nan))
    return ShakenSeries(
        shutter_s, true_px, streak, 6.0 * stderr / streak,
        ["above" if a else "below" if b else None for a, b in zip(above, below, strict=True)],
        bound, np.where(above, math.nan, variance), np.where(above, math.nan, stderr),
    )  # fmt: skip


def shoot(
    rng: np.random.Generator, kind: int, scale: float, shutter_s: Array, longest_px: float = LONGEST_PX
) -> ShakenSeries:
    """Return independent frames at the given times."""
    true = np.empty(shutter_s.size)
    for t in np.unique(shutter_s):
        here = shutter_s == t
        motion = draw_motion(KINDS[kind], int(np.count_nonzero(here)), rng)
        true[here] = scale * streaks_px(motion, float(t), FOCAL_MM, PITCH_UM)
    return measured(rng, shutter_s, true, longest_px)


def shoot_bursts(
    rng: np.random.Generator, kind: int, scale: float, times: Array, bursts: int, frames: int, apart_s: float = 0.15
) -> tuple[ShakenSeries, list[int]]:
    """Return `bursts` bursts of `frames` at each time, each burst one motion that goes on; and the burst of each frame.

    The button's jerk is over after the first frame, so it is left out: all frames of a burst have one distribution.
    """
    steady = replace(KINDS[kind], jerk_rad=0.0)
    nodes, weight = np.polynomial.legendre.leggauss(48)
    nodes, weight = (nodes + 1.0) / 2.0, weight / 2.0
    rows, true, ids = [], [], []
    for t in times:
        motion = draw_motion(steady, bursts, rng)
        for frame in range(frames):
            angle = motion.angles_rad(frame * (t + apart_s) + nodes * t)
            centred = angle - (angle @ weight)[..., None]
            variance = ((centred**2) @ weight).sum(axis=1)
            true.append(scale * FOCAL_MM * 1e3 / PITCH_UM * np.sqrt(12.0 * variance))
            rows.append(np.full(bursts, t))
            ids += [f"{t:.6g} {number}" for number in range(bursts)]
    return measured(rng, np.concatenate(rows), np.concatenate(true)), _numbered(ids)


def _numbered(names: list[str]) -> list[int]:
    places = {name: number for number, name in enumerate(dict.fromkeys(names))}
    return [places[name] for name in names]
