"""Censored likelihood of streaks against shutter time, for many parameter sets at once.

Model: L = s(t) u, ln s = a + b ln(t / t0), u of a family with shape k. Parameters theta = (a, b, ln k); a row
of `theta` is one parameter set, and the log-likelihood of every row comes from one call, so that derivatives
and profiles cost little. A measured streak contributes the density of L smeared by its measurement error
(Gauss-Hermite quadrature), a censored one P(L <= bound) or P(L > bound) (type I censoring: Lawless,
Statistical Models and Methods for Lifetime Data, 2003, section 2.2). Where the measured variance and its error are
known for a frame at or near the floor, on either side of it, the frame contributes the integral of the density of L
times the Gaussian error of the variance: no frame is selected by its own noise, so that the floor biases nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitgauge.fit.streak_families import FAMILIES, Family

Array = NDArray[np.float64]

_NODES, _NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(7)
_NODE_WEIGHTS = _NODE_WEIGHTS / math.sqrt(2.0 * math.pi)
_ERROR_MATTERS = 0.02  # relative error of L under which the density is not smeared: it adds under 1e-3 to the spread
_FAINT_SIGMA = 8.0  # variances below this many standard errors are integrated over all streaks that may hide in them
_FAINT_REACH = 5.0  # standard errors of the variance on either side
_LEGENDRE, _LEGENDRE_WEIGHTS = np.polynomial.legendre.leggauss(24)
_STEP = 3e-4
_MAX_ITERATIONS = 60
LN_K_RANGE = (-3.0, 3.5)
SLOPE_RANGE = (0.0, 8.0)


@dataclass(frozen=True)
class StreakData:
    """Usable frames: (n,) arrays. `kind`: 0 measured, -1 below `value`, 1 above `value`; `x` = ln(t / t0).

    `variance`, `variance_stderr` [px^2]: the measured L^2 / 12 and its error, NaN where not known.
    """

    x: Array
    value: Array
    stderr: Array
    kind: NDArray[np.intp]
    reference_s: float
    variance: Array | None = None
    variance_stderr: Array | None = None

    def faint(self) -> NDArray[np.bool_]:
        """Tell which frames lie at or near the floor with a known variance (n,)."""
        if self.variance is None or self.variance_stderr is None:
            return np.zeros(self.x.size, dtype=bool)
        known = np.isfinite(self.variance) & np.isfinite(self.variance_stderr) & (self.kind <= 0)
        return known & (np.nan_to_num(self.variance) < _FAINT_SIGMA * np.nan_to_num(self.variance_stderr))


@dataclass(frozen=True)
class FamilyFit:
    """One family fitted: theta = (a, b, ln k), log-likelihood and AICc."""

    name: str
    theta: Array
    log_likelihood: float
    aicc: float
    converged: bool

    def rate(self, x: Array, streak_px: float) -> Array:
        """Return P(L <= `streak_px`) at x = ln(t / t0)."""
        z = math.log(streak_px) - self.theta[0] - self.theta[1] * x
        return np.exp(FAMILIES[self.name].log_below(z, np.exp(self.theta[2:3])))


def free_parameters(family_name: str) -> NDArray[np.intp]:
    """Return the columns of theta that the family uses."""
    return np.arange(3 if FAMILIES[family_name].has_shape else 2)


@dataclass(frozen=True)
class _Split:
    place: NDArray[np.intp]  # which frames
    x: Array
    log_value: Array
    log_weight: Array


class Likelihood:
    """The log-likelihood of one family on one set of frames."""

    def __init__(self, family: Family, data: StreakData) -> None:
        self.family = family
        self.data = data
        faint = data.faint()
        measured = (data.kind == 0) & ~faint
        relative = data.stderr / data.value
        smeared = measured & (relative > _ERROR_MATTERS)
        sharp = measured & ~smeared
        self._sharp = _plain(data, sharp)
        value, error = data.value[smeared][:, None], data.stderr[smeared][:, None]
        # what is measured with an even error is the variance L^2 / 12, so the nodes are even in L^2
        square = value**2 + 2.0 * value * error * _NODES
        positive = square > 0
        nodes = np.sqrt(np.where(positive, square, 1.0))
        weight = np.where(positive, np.log(_NODE_WEIGHTS * value / nodes), -np.inf)
        self._smeared = _Split(np.flatnonzero(smeared), data.x[smeared], np.log(nodes), weight)
        self._faint = _faint_nodes(data, faint)
        self._below = _plain(data, (data.kind < 0) & ~faint)
        self._above = _plain(data, data.kind > 0)

    def __call__(self, theta: Array) -> Array:
        """Return the log-likelihood (m,) of the parameter sets `theta` (m, 3)."""
        return np.asarray(np.sum(self.of_frames(theta), axis=1), dtype=np.float64)

    def of_frames(self, theta: Array) -> Array:
        """Return what each frame adds to the log-likelihood (m, n), for `theta` (m, 3)."""
        a, b = theta[:, 0:1], theta[:, 1:2]
        k = np.exp(theta[:, 2:3])
        found = np.zeros((theta.shape[0], self.data.x.size))
        if self._sharp.x.size:
            scale = a + b * self._sharp.x
            found[:, self._sharp.place] = self.family.log_density(self._sharp.log_value - scale, k) - scale
        for split in (self._smeared, self._faint):
            if not split.x.size:
                continue
            scale = (a + b * split.x)[:, :, None]
            terms = self.family.log_density(split.log_value - scale, k[:, :, None]) - scale
            terms = terms + split.log_weight
            top = np.max(terms, axis=2, keepdims=True)
            found[:, split.place] = top[:, :, 0] + np.log(np.sum(np.exp(terms - top), axis=2))
        for split, share in ((self._below, self.family.log_below), (self._above, self.family.log_above)):
            if split.x.size:
                found[:, split.place] = share(split.log_value - a - b * split.x, k)
        return found


def _plain(data: StreakData, chosen: NDArray[np.bool_]) -> _Split:
    return _Split(np.flatnonzero(chosen), data.x[chosen], np.log(data.value[chosen]), np.zeros(0))


def _faint_nodes(data: StreakData, faint: NDArray[np.bool_]) -> _Split:
    """Return streaks and weights (m, nodes) for the integral over L of f(L) normal(variance; L^2 / 12, error)."""
    if not np.any(faint) or data.variance is None or data.variance_stderr is None:
        return _Split(np.zeros(0, np.intp), np.zeros(0), np.zeros((0, 1)), np.zeros((0, 1)))
    variance, error = data.variance[faint][:, None], data.variance_stderr[faint][:, None]
    longest = np.sqrt(12.0 * (np.maximum(variance, 0.0) + _FAINT_REACH * error))
    shortest = np.sqrt(12.0 * np.maximum(variance - _FAINT_REACH * error, 0.0))
    # L = shortest + (longest - shortest) q^2: nodes are dense at short streaks, where a density may rise steeply
    q = 0.5 * (_LEGENDRE + 1.0)
    streak = shortest + (longest - shortest) * q**2
    log_weight = np.log((longest - shortest) * q * _LEGENDRE_WEIGHTS)
    log_weight = log_weight - 0.5 * ((variance - streak**2 / 12.0) / error) ** 2 - np.log(error)
    return _Split(np.flatnonzero(faint), data.x[faint], np.log(streak), log_weight)


RowFunction = Callable[[Array], Array]


def derivatives(function: RowFunction, start: Array, free: NDArray[np.intp]) -> tuple[Array, Array, Array]:
    """Return value (m,), gradient (m, p) and Hessian (m, p, p) of a row-wise function by central differences.

    `function` maps (q, d) to (q,); `start` is (m, d), `free` holds the p column numbers that vary.
    """
    rows, p = start.shape[0], free.size
    offsets = [np.zeros(start.shape[1])]
    for i in range(p):
        for sign in (1.0, -1.0):
            offset = np.zeros(start.shape[1])
            offset[free[i]] = sign * _STEP
            offsets.append(offset)
    pairs = [(i, j) for i in range(p) for j in range(i)]
    for i, j in pairs:
        offset = np.zeros(start.shape[1])
        offset[free[i]] = offset[free[j]] = _STEP
        offsets += [offset, -offset]
    points = (start[:, None, :] + np.array(offsets)).reshape(-1, start.shape[1])
    values = function(points).reshape(rows, len(offsets))
    middle, plus, minus = values[:, 0], values[:, 1 : 1 + 2 * p : 2], values[:, 2 : 2 + 2 * p : 2]
    gradient = (plus - minus) / (2.0 * _STEP)
    hessian = np.empty((rows, p, p))
    for i in range(p):
        hessian[:, i, i] = (plus[:, i] - 2.0 * middle + minus[:, i]) / _STEP**2
    for number, (i, j) in enumerate(pairs):
        both, neither = values[:, 1 + 2 * p + 2 * number], values[:, 2 + 2 * p + 2 * number]
        mixed = both - plus[:, i] - plus[:, j] + 2.0 * middle - minus[:, i] - minus[:, j] + neither
        hessian[:, i, j] = hessian[:, j, i] = mixed / (2.0 * _STEP**2)
    return middle, gradient, hessian


def maximise(
    function: RowFunction, start: Array, free: NDArray[np.intp], lower: Array, upper: Array
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Maximise a row-wise function from each row of `start` by damped Newton steps within bounds.

    `function` maps (q, d) to (q,); `start` (m, d); `free` the columns that vary; `lower`, `upper` (d,)
    bounds, on which a parameter rests while the gradient points outward. Returns the places (m, d), the
    values (m,) and whether each converged.
    """
    place = np.clip(start.astype(np.float64), lower, upper)
    p = free.size
    damping = np.full(place.shape[0], 1e-3)
    done = np.zeros(place.shape[0], dtype=bool)
    best = function(place)
    for _ in range(_MAX_ITERATIONS):
        active = np.flatnonzero(~done)
        if active.size == 0:
            break
        _, gradient, hessian = derivatives(function, place[active], free)
        at_low = (place[active][:, free] <= lower[free]) & (gradient < 0)
        at_high = (place[active][:, free] >= upper[free]) & (gradient > 0)
        held = at_low | at_high
        gradient = np.where(held, 0.0, gradient)
        curvature = -hessian
        curvature[held[:, :, None] | held[:, None, :]] = 0.0
        diagonal = np.einsum("mii->mi", curvature)
        size = np.maximum(np.abs(diagonal), 1e-3)
        # where the surface is not concave, the damping grows until the step goes uphill
        curvature = curvature + np.eye(p) * (damping[active, None] * size + 1e-9)[:, None, :]
        curvature[held[:, :, None] & np.eye(p, dtype=bool)] = 1.0
        lowest = np.linalg.eigvalsh(curvature)[:, 0]
        curvature = curvature + np.eye(p) * np.maximum(0.0, 1e-3 - lowest)[:, None, None] * 1.5
        step = np.clip(np.linalg.solve(curvature, gradient[:, :, None])[:, :, 0], -1.0, 1.0)
        trial = place[active].copy()
        trial[:, free] += step
        trial = np.clip(trial, lower, upper)
        reached = function(trial)
        better = reached >= best[active] - 1e-10
        moved = active[better]
        place[moved], best[moved] = trial[better], reached[better]
        damping[active] = np.where(better, damping[active] * 0.1, np.minimum(damping[active] * 10.0 + 1e-3, 1e8))
        small = np.max(np.abs(gradient * step), axis=1) < 1e-8
        done[active] |= small | (damping[active] >= 1e8)
    return place, best, done
