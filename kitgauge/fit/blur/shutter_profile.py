"""The shutter time that reaches a wanted keep rate, as a parameter of the fit, and its profile likelihood.

With w = ln(t_limit / t0) in place of the scale a: a = ln limit - ln q_keep(k, tau) - b h(w). For each w on a grid the
other parameters are maximised, in every family that its AICc leaves in the race; the interval is where 2
(lnL_max - lnL(w)) stays under the 95 % quantile (Venzon and Moolgavkar, Applied Statistics 37 (1988) 87). The
quantile of F(1, n - p) replaces that of chi-square, as for the variance ratio in small samples of a normal
model; n counts frames of one burst for as many as they are worth (design effect 1 + (frames - 1) x correlation: Kish,
Survey Sampling, 1965, section 5.4, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from scipy.optimize import brentq

from kitgauge.fit.blur.blur_likelihood import (
    FamilyFit,
    Likelihood,
    StreakData,
    free_parameters,
    log_quantile,
    parameter_bounds,
    stretched,
)
from kitgauge.fit.blur.streak_families import FAMILIES
from kitgauge.fit.newton import derivatives as differences
from kitgauge.fit.newton import maximise

Array = NDArray[np.float64]

_GRID = np.array([-4.0, -3.0, -2.3, -1.7, -1.2, -0.6, 0.0, 0.6, 1.2, 1.7, 2.3, 3.0, 4.0])
_GRID_OF_BURSTS = np.array([-3.2, -2.4, -1.8, -1.0, 0.0, 1.0, 1.8, 2.4, 3.2])  # each place costs more there
_FIRST_STEP = 1.0  # of a parameter, farther than which a straight guess is not trusted
_FARTHEST = 20.0  # ln(t / t0) beyond any shutter time
_WIDEST = 10.0 * math.log(2.0)  # an interval that reaches farther than ten stops from the limit is open on that side


@dataclass(frozen=True)
class Profile:
    """ln(t_limit / t0), and the ends of its interval (infinite: open on that side)."""

    value: float
    low: float
    high: float


class _AtLimit:
    """Log-likelihood of one family in the parameters (w, b, ln k, g, tau)."""

    def __init__(self, fit: FamilyFit, data: StreakData, keep: float, streak_limit_px: float) -> None:
        self.family = FAMILIES[fit.name]
        self.likelihood = Likelihood(self.family, data)
        self.keep, self.log_limit = keep, math.log(streak_limit_px)
        self.bursts = data.burst is not None

    def __call__(self, place: Array) -> Array:
        a = self.log_limit - self._quantile(place) - self._grown(place)
        return self.likelihood(np.column_stack([a, place[:, 1:]]))

    def _quantile(self, place: Array) -> Array:
        return log_quantile(self.family, self.keep, np.exp(place[:, 2]), place[:, 4])

    def _grown(self, place: Array) -> Array:
        return place[:, 1] * stretched(place[:, 0], place[:, 3])

    def derivatives(self, place: Array) -> tuple[Array, Array, Array]:
        """Return value (m,), gradient (m, 5) and Hessian (m, 5, 5), by way of those in theta."""
        of_z, of_h = np.array([2, 4] if self.bursts else [2]), np.array([0, 1, 3])
        if not self.family.has_shape:
            of_z = of_z[1:]
        z, z_first, z_second = differences(self._quantile, place, of_z)
        h, h_first, h_second = differences(self._grown, place, of_h)
        theta = np.column_stack([self.log_limit - z - h, place[:, 1:]])
        value, gradient, hessian = self.likelihood.derivatives(theta)
        m, d = place.shape
        jacobian = np.broadcast_to(np.diag([0.0, *[1.0] * (d - 1)]), (m, d, d)).copy()
        jacobian[:, 0, of_z], bent = -z_first, np.zeros((m, d, d))
        jacobian[:, 0, of_h] = -h_first
        bent[:, of_z[:, None], of_z] = -z_second
        bent[:, of_h[:, None], of_h] -= h_second
        turned = np.swapaxes(jacobian, 1, 2) @ hessian @ jacobian
        return value, np.einsum("mi,mij->mj", gradient, jacobian), turned + gradient[:, :1, None] * bent


def family_weights(fits: Sequence[FamilyFit]) -> Array:
    """Return the Akaike weights of the families (Burnham and Anderson, Model Selection, 2002, section
    2.9)."""
    excess = np.array([fit.aicc for fit in fits])
    weights = np.exp(-0.5 * (excess - excess.min()))
    return np.asarray(weights / weights.sum(), dtype=np.float64)


def mean_rate(fits: Sequence[FamilyFit], x: float, streak_px: float) -> float:
    """Return P(L <= `streak_px`) at x = ln(t / t0), averaged over the families with their Akaike weights."""
    rates = [float(fit.rate(np.array([x]), streak_px)[0]) for fit in fits]
    # the weights add up to 1 within rounding only
    return min(float(family_weights(fits) @ np.array(rates)), 1.0)


def limit_place(fits: Sequence[FamilyFit], keep: float, streak_limit_px: float) -> float:
    """Return x = ln(t / t0) at which the mean rate is `keep`; infinite where no shutter time reaches it or
    all do."""
    low, high = -_FARTHEST, _FARTHEST
    if mean_rate(fits, low, streak_limit_px) < keep:
        return -math.inf
    if mean_rate(fits, high, streak_limit_px) > keep:
        return math.inf
    return float(brentq(lambda x: mean_rate(fits, x, streak_limit_px) - keep, low, high, xtol=1e-7))


def frames_worth(fit: FamilyFit, data: StreakData) -> float:
    """Return how many independent frames the frames are worth."""
    if data.burst is None:
        return float(data.x.size)
    between, within = float(fit.theta[4]) ** 2, float(FAMILIES[fit.name].log_sd(np.exp(fit.theta[2:3]))[0]) ** 2
    sizes = np.bincount(data.burst).astype(np.float64)
    return float(np.sum(sizes / (1.0 + (sizes - 1.0) * between / (between + within))))


def profile_limit(
    fits: Sequence[FamilyFit], data: StreakData, keep: float, streak_limit_px: float, confidence: float = 0.95
) -> Profile:
    """Return the limit's place and interval; `fits` in the order of AICc, the best first."""
    best = fits[0]
    value = limit_place(fits, keep, streak_limit_px)
    freedom = max(frames_worth(best, data) - free_parameters(best.name).size, 1.0)
    allowed = float(stats.f.ppf(confidence, 1, freedom))
    centre = value if math.isfinite(value) and abs(value) < _WIDEST else math.copysign(_WIDEST, value)
    racing = [(fit, _AtLimit(fit, data, keep, streak_limit_px)) for fit in fits if fit.aicc - best.aicc < allowed]
    width = _first_width(racing[0][1], best, centre)

    def excess(grid: Array) -> Array:
        lowest = np.min([_profile(fit, at, centre, grid) for fit, at in racing], axis=0)
        return np.asarray(lowest - best.aicc, dtype=np.float64)

    grid = centre + width * (_GRID if data.burst is None else _GRID_OF_BURSTS)
    levels = excess(grid)
    ends = []
    for sign in (-1.0, 1.0):
        reach = 4.0 * width
        side, side_levels = grid, levels
        while True:
            crossing = _crossing(side, side_levels, centre, sign, allowed)
            if crossing is not None or reach > _WIDEST:
                break
            side = centre + sign * reach * np.array([1.0, 1.25, 1.6, 2.0])
            side_levels = excess(side)
            reach *= 2.0
        ends.append(sign * math.inf if crossing is None else crossing)
    return Profile(value, ends[0], ends[1])


def _first_width(at: _AtLimit, fit: FamilyFit, centre: float) -> float:
    """Return a first guess of the limit's standard error, from the curvature at the best fit."""
    place = np.array([[centre, *fit.theta[1:]]])
    free = free_parameters(fit.name, at.bursts)
    hessian = at.derivatives(place)[2][0][np.ix_(free, free)]
    try:
        variance = float(np.linalg.inv(-hessian)[0, 0])
    except np.linalg.LinAlgError:
        variance = math.nan
    return min(max(math.sqrt(variance), 0.02), 2.0) if variance > 0 else 0.5


def _profile(fit: FamilyFit, at: _AtLimit, centre: float, grid: Array) -> Array:
    """Return AICc with the limit held at each place of `grid` (the penalty of the family, -2 lnL maximised
    over the rest)."""
    start = np.column_stack([grid, np.broadcast_to(fit.theta[1:], (grid.size, fit.theta.size - 1))])
    free = free_parameters(fit.name, at.bursts)[1:]
    # how the rest gives way when the limit is moved, to first order: the maxima are then a step or two away
    _, _, hessian = at.derivatives(np.array([[centre, *fit.theta[1:]]]))
    try:
        along = np.linalg.solve(hessian[0][np.ix_(free, free)], -hessian[0][free, 0])
    except np.linalg.LinAlgError:
        along = np.zeros(free.size)
    moved = (grid - centre)[:, None] * along
    start[:, free] += np.where(np.abs(moved) < _FIRST_STEP, moved, 0.0)
    lower, upper = parameter_bounds(at.bursts)
    lower[0], upper[0] = -math.inf, math.inf
    _, values, _ = maximise(at, start, free, lower, upper, at.derivatives, at.likelihood.slack)
    penalty = fit.aicc + 2.0 * fit.log_likelihood
    return penalty - 2.0 * values


def _crossing(grid: Array, levels: Array, centre: float, sign: float, allowed: float) -> float | None:
    """Return where the levels first exceed `allowed` on one side, by interpolating their square root (nearly
    straight)."""
    order = np.argsort(sign * grid)
    places, roots = grid[order], np.sqrt(np.maximum(levels[order], 0.0))
    keep = sign * (places - centre) >= 0
    places, roots = places[keep], roots[keep]
    goal = math.sqrt(allowed)
    above = np.flatnonzero(roots > goal)
    if above.size == 0:
        return None
    first = int(above[0])
    if first == 0:
        return float(places[0])
    part = (goal - roots[first - 1]) / (roots[first] - roots[first - 1])
    return float(places[first - 1] + part * (places[first] - places[first - 1]))
