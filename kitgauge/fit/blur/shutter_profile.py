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
from kitgauge.fit.blur.likelihood_derivatives import COLUMNS
from kitgauge.fit.blur.streak_families import FAMILIES
from kitgauge.fit.newton import derivatives as differences
from kitgauge.fit.newton import maximise

Array = NDArray[np.float64]

_GRID = np.array([-4.0, -3.0, -2.3, -1.7, -1.2, -0.6, 0.0, 0.6, 1.2, 1.7, 2.3, 3.0, 4.0])
_GRID_OF_BURSTS = np.array([-3.2, -2.4, -1.8, -1.0, 0.0, 1.0, 1.8, 2.4, 3.2])  # each place costs more there
_LN_LIMIT, _KEEP = COLUMNS, COLUMNS + 1  # columns beside the parameters
_WIDER = np.array([1.0, 1.25, 1.6, 2.0])  # places of a further search, as shares of its reach
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
    """Log-likelihood of one family in (w, b, ln k, g, tau); two more columns hold each row's ln limit and keep rate."""

    def __init__(self, fit: FamilyFit, data: StreakData) -> None:
        self.family = FAMILIES[fit.name]
        self.likelihood = Likelihood(self.family, data)
        self.bursts = data.burst is not None

    def __call__(self, place: Array) -> Array:
        return self.likelihood(self._theta(place, self._quantile(place), self._grown(place)))

    def _theta(self, place: Array, quantile: Array, grown: Array) -> Array:
        return np.column_stack([place[:, _LN_LIMIT] - quantile - grown, place[:, 1:COLUMNS]])

    def _quantile(self, place: Array) -> Array:
        return log_quantile(self.family, place[:, _KEEP], np.exp(place[:, 2]), place[:, 4])

    def _grown(self, place: Array) -> Array:
        return place[:, 1] * stretched(place[:, 0], place[:, 3])

    def derivatives(self, place: Array) -> tuple[Array, Array, Array]:
        """Return value (m,), gradient (m, 5) and Hessian (m, 5, 5), by way of those in theta."""
        of_z, of_h = np.array([2, 4] if self.bursts else [2]), np.array([0, 1, 3])
        if not self.family.has_shape:
            of_z = of_z[1:]
        z, z_first, z_second = differences(self._quantile, place, of_z)
        h, h_first, h_second = differences(self._grown, place, of_h)
        value, gradient, hessian = self.likelihood.derivatives(self._theta(place, z, h))
        m, d = place.shape[0], COLUMNS
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


def profile_limits(
    fits: Sequence[FamilyFit], data: StreakData, wanted: Sequence[tuple[float, float]], confidence: float = 0.95
) -> list[Profile]:
    """Return place and interval of the limit for each (keep, streak limit [px]) of `wanted`, all in one search.

    `fits` in the order of AICc, the best first.
    """
    best = fits[0]
    values = np.array([limit_place(fits, keep, streak_px) for keep, streak_px in wanted])
    held = np.array([[math.log(streak_px), keep] for keep, streak_px in wanted])
    freedom = max(frames_worth(best, data) - free_parameters(best.name).size, 1.0)
    allowed = float(stats.f.ppf(confidence, 1, freedom))
    centres = np.clip(values, -_WIDEST, _WIDEST)
    racing = [_Race(fit, data, centres, held) for fit in fits if fit.aicc - best.aicc < allowed]
    widths = np.array([racing[0].first_width(number) for number in range(len(wanted))])

    def excess(which: NDArray[np.intp], grid: Array) -> Array:
        lowest = np.min([race.profile(which, grid) for race in racing], axis=0)
        return np.asarray(lowest - best.aicc, dtype=np.float64)

    grids = centres[:, None] + widths[:, None] * (_GRID if data.burst is None else _GRID_OF_BURSTS)
    levels = excess(np.repeat(np.arange(len(wanted)), grids.shape[1]), grids.ravel()).reshape(grids.shape)

    ends, searched = np.full((len(wanted), 2), math.nan), np.ones((len(wanted), 2), dtype=bool)
    sides, side_levels = np.stack([grids, grids], axis=1), np.stack([levels, levels], axis=1)
    reach = 4.0 * widths
    while True:
        for number, side in np.argwhere(searched):
            sign = (-1.0, 1.0)[side]
            crossing = _crossing(sides[number, side], side_levels[number, side], centres[number], sign, allowed)
            if crossing is not None or reach[number] > _WIDEST:
                ends[number, side] = sign * math.inf if crossing is None else crossing
                searched[number, side] = False
        number, side = np.nonzero(searched)
        if number.size == 0:
            return [Profile(*(float(part) for part in row)) for row in zip(values, *ends.T, strict=True)]
        # farther out, all limits together
        wider = centres[number, None] + np.array([-1.0, 1.0])[side, None] * reach[number, None] * _WIDER
        sides, side_levels = np.zeros((len(wanted), 2, _WIDER.size)), np.zeros((len(wanted), 2, _WIDER.size))
        sides[number, side] = wider
        side_levels[number, side] = excess(np.repeat(number, _WIDER.size), wider.ravel()).reshape(wider.shape)
        reach *= 2.0


class _Race:
    """One family's AICc about its best fit, for several limits (l,) with their ln streak limit and keep rate (l, 2)."""

    def __init__(self, fit: FamilyFit, data: StreakData, centres: Array, held: Array) -> None:
        self.fit, self.centres, self.held = fit, centres, held
        self.at = _AtLimit(fit, data)
        self.free = free_parameters(fit.name, self.at.bursts)
        _, _, hessians = self.at.derivatives(self._places(np.arange(centres.size), centres))
        self.hessians = hessians[:, self.free[:, None], self.free]
        # how the rest gives way when the limit is moved, to first order: the maxima are then a step or two away
        self.along = np.array([_solved(hessian[1:, 1:], -hessian[1:, 0]) for hessian in self.hessians])

    def _places(self, which: NDArray[np.intp], grid: Array) -> Array:
        return np.column_stack([grid, np.tile(self.fit.theta[1:], (grid.size, 1)), self.held[which]])

    def first_width(self, number: int) -> float:
        """Return a first guess of the limit's standard error, from the curvature at the best fit."""
        try:
            variance = float(np.linalg.inv(-self.hessians[number])[0, 0])
        except np.linalg.LinAlgError:
            variance = math.nan
        return min(max(math.sqrt(variance), 0.02), 2.0) if variance > 0 else 0.5

    def profile(self, which: NDArray[np.intp], grid: Array) -> Array:
        """Return AICc with limit number `which` held at each place of `grid` (the penalty of the family, -2 lnL
        maximised over the rest)."""
        start, free = self._places(which, grid), self.free[1:]
        moved = (grid - self.centres[which])[:, None] * self.along[which]
        start[:, free] += np.where(np.abs(moved) < _FIRST_STEP, moved, 0.0)
        ends = parameter_bounds(self.at.bursts)
        lower, upper = (
            np.pad(end, (0, 2), constant_values=side * math.inf) for side, end in zip((-1, 1), ends, strict=True)
        )
        lower[0], upper[0] = -math.inf, math.inf
        _, values, _ = maximise(self.at, start, free, lower, upper, self.at.derivatives, self.at.likelihood.slack)
        return self.fit.aicc + 2.0 * self.fit.log_likelihood - 2.0 * values


def _solved(matrix: Array, right: Array) -> Array:
    try:
        return np.asarray(np.linalg.solve(matrix, right), dtype=np.float64)
    except np.linalg.LinAlgError:
        return np.zeros_like(right)


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
