"""From which ISO on raising it in the camera gains little in the shadows against brightening the picture later."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitgauge.fit.result import NORMAL_95, FitResult
from kitgauge.measure.noise.dynamic_range import ROUNDING_DN2

# The finest step of a dial
INVARIANCE_STOPS = 1.0 / 3.0
_DRAWS = 4000

Vector = NDArray[np.float64]


@dataclass(frozen=True)
class Invariance:
    """The ISO found, None where there is none; its 95 % interval, an end NaN where it is open; standard error."""

    iso: float | None
    ci_low: float
    ci_high: float
    stderr: float  # NaN where the ISO is the start of a stage or of the ladder: that is a fact, not an estimate
    text: str


def invariance(
    result: FitResult, gain: FitResult, isos: Sequence[float], split: int | None, stops: float = INVARIANCE_STOPS
) -> Invariance:
    """Return the ISO from which on any higher one lowers the noise of the shadows by less than `stops`.

    Noise of the shadows, referred to the photosite and with the rounding that brightening later would bring up too, is
    N^2 = sigma_0^2 + (sigma_1^2 + 1/12 DN^2)(k/ISO)^2; the floor that raising ISO can reach is sigma_0 of the last
    stage, so the ISO solves N^2 = 4^stops sigma_0^2.

    The interval comes from draws of the fitted variances and k (fixed seed; Student's t with the fit's degrees of
    freedom where errors come from the points' scatter). Where the ISO is the first of the second stage the interval
    begins at the measured ISO before it: where in between the sensor changes over is not known.
    """
    name = share_in_words(stops)
    squares = result.values**2
    first = [0] if split is None else [0, split]
    last = [len(isos) - 1] if split is None else [split - 1, len(isos) - 1]
    starts, ends = np.array([isos[i] for i in first]), np.array([isos[i] for i in last])
    if squares[-2] == 0:
        return _none("read noise falls with ISO all the way: no ISO value is invariant")
    value = float(_solve(squares[None, :], gain.values[None, :], starts, ends, stops)[0])
    if math.isinf(value):
        return _none(f"read noise still falls by more than {name} above ISO {isos[-1]:g}")
    text = f"above ISO {value:.0f}, a higher ISO lowers read noise by less than {name}"
    slope = 2.0 * result.values
    covariance = slope[:, None] * result.covariance * slope[None, :]
    known = np.isfinite(np.diag(covariance))
    if not known[-2] or not np.isfinite(gain.stderr).all():
        return Invariance(value, math.nan, math.nan, math.nan, text)
    rng = np.random.default_rng(0)
    drawn = np.tile(squares, (_DRAWS, 1))
    spread = rng.multivariate_normal(np.zeros(known.sum()), covariance[np.ix_(known, known)], _DRAWS)
    if result.errors_rescaled and result.degrees_of_freedom > 0:
        freedom = result.degrees_of_freedom
        spread = spread / np.sqrt(rng.chisquare(freedom, (_DRAWS, 1)) / freedom)
    drawn[:, known] += spread
    k = gain.values * np.exp(rng.standard_normal((_DRAWS, len(gain.values))) * gain.stderr / gain.values)
    found = np.sort(_solve(drawn, k, starts, ends, stops))
    low, high = float(found[int(0.025 * _DRAWS)]), float(found[int(0.975 * _DRAWS)])
    begins = [i for i in first if isos[i] == value]
    if begins and begins[0] > 0:
        low = min(low, float(isos[begins[0] - 1]))
    stderr = math.nan if begins or math.isinf(high) else (high - low) / (2.0 * NORMAL_95)
    return Invariance(value, low, math.nan if math.isinf(high) else high, stderr, text)


def share_in_words(stops: float) -> str:
    """Return an amount of stops in words: 'a third of a stop', '0.2 stops'."""
    words = {1 / 3: "a third of a stop", 0.5: "half a stop", 1.0: "a stop"}
    return next((word for value, word in words.items() if abs(value - stops) < 0.01), f"{stops:.2g} stops")


def _none(text: str) -> Invariance:
    return Invariance(None, math.nan, math.nan, math.nan, text)


def _solve(squares: Vector, k: Vector, starts: Vector, ends: Vector, stops: float) -> Vector:
    """Return the ISO per row of `squares` (sigma_0^2 per stage, sigma_1^2) and `k` (per stage); infinite where noise
    falls below the target in no stage within the measured values."""
    target = 4.0**stops * squares[:, -2]
    after = np.maximum(squares[:, -1], 0.0) + ROUNDING_DN2
    best = np.full(len(squares), np.inf)
    for stage, (start, end) in enumerate(zip(starts, ends, strict=True)):
        reach = target - squares[:, stage]
        possible = (reach > 0) & (squares[:, -2] > 0)
        iso = np.sqrt(after / np.where(possible, reach, 1.0)) * k[:, stage]
        best = np.where(possible & (iso <= end), np.minimum(best, np.maximum(iso, start)), best)
    return best
