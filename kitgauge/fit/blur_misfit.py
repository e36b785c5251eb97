"""Does the model describe the frames? Frames lost at any shutter time, and keep rates that go their own way.

The model has every frame's streak shrink with the shutter time. Frames spoiled by something else (the press of the
button, a knock, a breath) do not, and a family bent around them tells nonsense for all times. So the families are
fitted once more with a share w of frames that are lost at any time, log-uniform in streak from the median measured
one up: where AICc asks for that share clearly, the model without it misfits. Independently, the frames kept at each
shutter time are compared with those expected (Pearson's chi-square). Sources: mixture with a contaminating
distribution (Tukey 1960; Huber, Robust Statistics, 1981, section 1.2); AICc as in `blur_shutter`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from kitgauge.fit.blur_likelihood import (
    LN_K_RANGE,
    SLOPE_RANGE,
    FamilyFit,
    Likelihood,
    StreakData,
    free_parameters,
    maximise,
)
from kitgauge.fit.shutter_profile import mean_rate
from kitgauge.fit.streak_families import FAMILIES

Array = NDArray[np.float64]

_CLEAR_AICC = 8.0  # the share of lost frames is believed at this advantage in AICc (a likelihood ratio of 55)
_LONGEST_RATIO = 4.0  # lost frames reach to this many times the longest streak or bound
_SHARE_RANGE = (math.log(0.005 / 0.995), math.log(0.8 / 0.2))  # logit of the share
_KEEP_PROBABILITY = 1e-3


@dataclass(frozen=True)
class LostFrames:
    """`count` of `frames` are lost at any shutter time, by a model that has a share of such frames.

    `aicc_gain`: by how much AICc prefers it, NaN where it cannot be fitted. `clear`: more than chance.
    """

    count: int
    frames: int
    aicc_gain: float
    clear: bool


def lost_frames(fits: Sequence[FamilyFit], data: StreakData) -> LostFrames:
    """Return how many frames are lost whatever the shutter time; `fits` without such a share, the best first."""
    lost = _log_density_of_lost(data)
    n = data.x.size
    best, place, name = math.inf, np.zeros(4), ""
    for fit in fits:
        free = np.append(free_parameters(fit.name), 3)
        if n <= free.size + 2:
            continue
        mixture = _Mixture(Likelihood(FAMILIES[fit.name], data), lost)
        starts = np.array([[*fit.theta, -1.5], [fit.theta[0] - 0.5, max(fit.theta[1], 1.0), 0.5, -1.5]])
        lower = np.array([-25.0, SLOPE_RANGE[0], LN_K_RANGE[0], _SHARE_RANGE[0]])
        upper = np.array([25.0, SLOPE_RANGE[1], LN_K_RANGE[1], _SHARE_RANGE[1]])
        places, values, _ = maximise(mixture, starts, free, lower, upper)
        first = int(np.argmax(values))
        p = free.size
        aicc = 2.0 * p + 2.0 * p * (p + 1) / (n - p - 1) - 2.0 * float(values[first])
        if aicc < best:
            best, place, name = aicc, places[first], fit.name
    if not math.isfinite(best):
        return LostFrames(0, n, math.nan, False)
    gain = min(fit.aicc for fit in fits) - best
    chance = _Mixture(Likelihood(FAMILIES[name], data), lost).lost_share(place[None, :])[0]
    count = int(np.count_nonzero(chance > 0.5))
    return LostFrames(count, n, gain, bool(gain > _CLEAR_AICC and count > 0))


class _Mixture:
    """Log-likelihood in (a, b, ln k, logit w), w the share of frames that are lost at any time."""

    def __init__(self, likelihood: Likelihood, lost: Array) -> None:
        self.likelihood, self.lost = likelihood, lost

    def _parts(self, theta: Array) -> tuple[Array, Array]:
        share = theta[:, 3:4]
        log_share, log_rest = -np.logaddexp(0.0, -share), -np.logaddexp(0.0, share)
        return log_rest + self.likelihood.of_frames(theta[:, :3]), log_share + self.lost

    def __call__(self, theta: Array) -> Array:
        return np.asarray(np.sum(np.logaddexp(*self._parts(theta)), axis=1), dtype=np.float64)

    def lost_share(self, theta: Array) -> Array:
        """Return the probability (m, n) that each frame is a lost one."""
        usual, lost = self._parts(theta)
        return np.exp(lost - np.logaddexp(usual, lost))


def _log_density_of_lost(data: StreakData) -> Array:
    """Return the log-likelihood (n,) of each frame as a lost one."""
    measured = data.kind == 0
    shortest = float(np.median(data.value[measured]))
    width = math.log(_LONGEST_RATIO * max(float(data.value.max()), shortest) / shortest)
    longer = np.log(np.maximum(data.value, shortest) / shortest)
    found = np.full(data.x.size, -700.0)  # a frame as sharp as the floor is not lost
    usable = measured & (data.value >= shortest) & ~data.faint()
    found[usable] = -np.log(data.value[usable]) - math.log(width)
    above = data.kind > 0
    found[above] = np.log((width - longer[above]) / width)
    return found


def kept_differ(fits: Sequence[FamilyFit], data: StreakData, streak_limit_px: float) -> bool:
    """Tell whether the frames kept at each shutter time differ from what the fit expects by more than chance.

    A frame whose censoring bound lies on the side of the limit that tells nothing counts by its probability under
    the fit. Shutter times that follow each other are joined until 1 frame kept and 1 lost are expected.
    """
    kept = np.where(data.kind > 0, 0.0, (data.value <= streak_limit_px).astype(np.float64))
    for place in np.flatnonzero((data.kind != 0) & ((data.kind < 0) != (data.value <= streak_limit_px))):
        within, rate = (mean_rate(fits, float(data.x[place]), px) for px in (float(data.value[place]), streak_limit_px))
        if data.kind[place] < 0:
            kept[place] = rate / within if within > 0.0 else 1.0
        else:
            kept[place] = (rate - within) / (1.0 - within) if within < 1.0 else 0.0
    cells: list[list[float]] = []  # observed, expected, variance
    cell = [0.0, 0.0, 0.0, 0.0]
    for x in np.unique(np.round(data.x, 6)):
        here = np.abs(data.x - x) < 1e-5
        number = float(np.count_nonzero(here))
        rate = mean_rate(fits, float(x), streak_limit_px)
        part = (float(np.sum(kept[here])), number * rate, number * rate * (1.0 - rate), number)
        cell = [have + more for have, more in zip(cell, part, strict=True)]
        if cell[1] >= 1.0 and cell[3] - cell[1] >= 1.0:
            cells.append(cell)
            cell = [0.0, 0.0, 0.0, 0.0]
    if len(cells) < 2:
        return False
    chi2 = sum((observed - expected) ** 2 / variance for observed, expected, variance, _ in cells)
    return bool(stats.chi2.sf(chi2, len(cells)) < _KEEP_PROBABILITY)
