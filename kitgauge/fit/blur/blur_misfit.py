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
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from kitgauge.fit.blur.blur_likelihood import (
    FamilyFit,
    Likelihood,
    StreakData,
    free_parameters,
    parameter_bounds,
    priors,
)
from kitgauge.fit.blur.shutter_profile import frames_worth, mean_rate
from kitgauge.fit.blur.streak_families import FAMILIES
from kitgauge.fit.newton import maximise

Array = NDArray[np.float64]

_CLEAR_AICC = 8.0  # the share of lost frames is believed at this advantage in AICc (a likelihood ratio of 55)
_LONGEST_RATIO = 4.0  # lost frames reach to this many times the longest streak or bound
_SHARE_RANGE = (math.log(0.005 / 0.995), math.log(0.8 / 0.2))  # logit of the share
_KEEP_PROBABILITY = 1e-3
_LOST = 5  # column of the logit of the share of lost frames, after those of theta


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
    best, place, name = math.inf, np.zeros(_LOST + 1), ""
    for fit in fits:
        free = np.append(free_parameters(fit.name), _LOST)
        if n <= free.size + 2:
            continue
        mixture = _Mixture(Likelihood(FAMILIES[fit.name], data), lost)
        a, b, ln_k, bend = fit.theta[:4]
        # frames of one burst count as single ones here
        starts = np.array([[a, b, ln_k, bend, 0.0, -1.5], [a - 0.5, max(b, 1.0), 0.5, bend, 0.0, -1.5]])
        lower, upper = (np.append(ends, share) for ends, share in zip(parameter_bounds(), _SHARE_RANGE, strict=True))
        places, values, _ = maximise(mixture, starts, free, lower, upper)
        first = int(np.argmax(values))
        p = free.size - 1  # the bend is held by its prior
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
    """Log-likelihood in (a, b, ln k, g, 0, logit w), w the share of frames that are lost at any time."""

    def __init__(self, likelihood: Likelihood, lost: Array) -> None:
        self.likelihood, self.lost = likelihood, lost

    def _parts(self, theta: Array) -> tuple[Array, Array]:
        share = theta[:, _LOST:]
        log_share, log_rest = -np.logaddexp(0.0, -share), -np.logaddexp(0.0, share)
        return log_rest + self.likelihood.of_frames(theta[:, :4]), log_share + self.lost

    def __call__(self, theta: Array) -> Array:
        return np.asarray(np.sum(np.logaddexp(*self._parts(theta)), axis=1) + priors(theta[:, :4]), dtype=np.float64)

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


@dataclass(frozen=True)
class KeptAgainstFit:
    """Keep rates of the single shutter times against the fitted curve, in `groups` of shutter times.

    `scatter`: Pearson's chi-square over the number of groups, 1 where the keep rates scatter about the curve as
    chance has it. `beyond_chance`: by how much (root mean square, as a share of frames) the keep rates are off the
    curve, chance taken away; 0 where chance explains all. `probability` of so much scatter by
    chance. NaN where no group is left.
    """

    groups: int
    scatter: float
    beyond_chance: float
    probability: float

    @property
    def differ(self) -> bool:
        """Whether the keep rates are off the curve by more than chance."""
        return self.groups > 1 and self.probability < _KEEP_PROBABILITY

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, with what they mean in a sentence."""
        return {**vars(self), "text": self._sentence()}

    def _sentence(self) -> str:
        if self.groups < 2:
            return "Too few shutter speeds lie near the limit to tell how well the curve describes the keep rates."
        start = f"The keep rates of single speeds scatter about the curve {self.scatter:.1f} times as much as chance"
        if self.differ:
            return f"{start}, typically {100.0 * self.beyond_chance:.0f} of 100 frames off it: do not trust the curve."
        return f"{start} alone would have it (1 is perfect agreement; chance explains the rest)."


def kept_against_fit(fits: Sequence[FamilyFit], data: StreakData, streak_limit_px: float) -> KeptAgainstFit:
    """Return how the frames kept at each shutter time stand to what the fit expects.

    A frame whose censoring bound lies on the side of the limit that tells nothing counts by its probability under
    the fit. Shutter times that follow each other are joined until 1 frame kept and 1 lost are expected. Frames
    of one burst count for as many as they are worth.
    """
    shared = data.x.size / frames_worth(fits[0], data)
    kept = np.where(data.kind > 0, 0.0, (data.value <= streak_limit_px).astype(np.float64))
    for place in np.flatnonzero((data.kind != 0) & ((data.kind < 0) != (data.value <= streak_limit_px))):
        within, rate = (mean_rate(fits, float(data.x[place]), px) for px in (float(data.value[place]), streak_limit_px))
        if data.kind[place] < 0:
            kept[place] = rate / within if within > 0.0 else 1.0
        else:
            kept[place] = (rate - within) / (1.0 - within) if within < 1.0 else 0.0
    cells: list[list[float]] = []  # observed, expected, variance, frames
    cell = [0.0, 0.0, 0.0, 0.0]
    for x in np.unique(np.round(data.x, 6)):
        here = np.abs(data.x - x) < 1e-5
        number = float(np.count_nonzero(here))
        rate = mean_rate(fits, float(x), streak_limit_px)
        part = (float(np.sum(kept[here])), number * rate, number * rate * (1.0 - rate) * shared, number)
        cell = [have + more for have, more in zip(cell, part, strict=True)]
        if cell[1] >= 1.0 and cell[3] - cell[1] >= 1.0:
            cells.append(cell)
            cell = [0.0, 0.0, 0.0, 0.0]
    if not cells:
        return KeptAgainstFit(0, math.nan, math.nan, math.nan)
    observed, expected, variance, frames = np.array(cells).T
    square = (observed - expected) ** 2
    chi2 = float(np.sum(square / variance))
    beyond = float(np.mean((square - variance) / frames**2))
    return KeptAgainstFit(
        len(cells), chi2 / len(cells), math.sqrt(max(beyond, 0.0)), float(stats.chi2.sf(chi2, len(cells)))
    )
