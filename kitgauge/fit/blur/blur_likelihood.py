"""Censored likelihood of streaks against shutter time, for many parameter sets at once.

Model: L = s(t) u, ln s = a + b h(x), x = ln(t / t0), u of a family with shape k. h(x) = (1 - exp(-g x)) / g rises
for every bend g (h(x) = x at g = 0), so that blur never shrinks with time. Motion that is smooth in time drifts over
short times (slope 1) and comes to rest at its amplitude over long ones; a straight line through such a series puts
the limit up to 0.15 stops off. g is held near 0 by a normal prior, as few frames tell little of it.
Frames of one burst share a factor exp(r) of their streak, r normal with standard deviation tau, integrated over
burst by burst (random intercept; Gauss-Hermite quadrature centred and scaled at each burst: Liu and Pierce,
Biometrika 81 (1994) 624, from memory). As few bursts often put the likelihood's maximum at tau = 0, ln tau is added
to it (Chung, Rabe-Hesketh, Dorie, Gelman and Liu, Psychometrika 78 (2013) 685, from memory).
Intervals of bursts are on the wide side: with 2 bursts of 5 frames a speed, about 1.35 times as wide as the limits
scatter (80 simulated people). ln tau makes about 12 of these 35 %, the restriction 15 (24 people). Both stay, for
the cover where bursts are few.
The likelihood's maximum takes too little for the spread, as line and spread are found from the same frames. So
-ln det(X' V^-1 X) / 2 is added, X the columns of a and b and V the covariance of ln L (restricted likelihood:
Patterson and Thompson, Biometrika 58 (1971) 545; for other than normal
spread: Cox and Reid, J. R. Statist. Soc. B 49 (1987) 1, from memory).
Parameters theta = (a, b, ln k, g, tau), columns left out at the end being 0; a row of `theta` is one parameter set,
and the log-likelihood of every row comes from one call, so that derivatives and profiles cost little. A measured
streak contributes the density of L smeared by its measurement error (Gauss-Hermite quadrature), a censored one
P(L <= bound) or P(L > bound) (type I censoring: Lawless, Statistical Models and Methods for Lifetime Data, 2003,
section 2.2). Where the measured variance and its error are known for a frame at or near the floor, on either side of
it, the frame contributes the integral of the density of L times the Gaussian error of the variance: no frame is
selected by its own noise, so that the floor biases nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from kitgauge.fit.blur.likelihood_derivatives import (
    frame_derivatives,
    log_sum,
    over_nodes,
    stretched_derivatives,
    total_derivatives,
)
from kitgauge.fit.blur.streak_families import FAMILIES, Family
from kitgauge.fit.newton import derivatives as differences

Array = NDArray[np.float64]

_NODES, _NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(7)
_NODE_WEIGHTS = _NODE_WEIGHTS / math.sqrt(2.0 * math.pi)
_ERROR_MATTERS = 0.02  # relative error of L under which the density is not smeared: it adds under 1e-3 to the spread
_FAINT_SIGMA = 8.0  # variances below this many standard errors are integrated over all streaks that may hide in them
_FAINT_REACH = 5.0  # standard errors of the variance on either side
_LEGENDRE, _LEGENDRE_WEIGHTS = np.polynomial.legendre.leggauss(24)
LN_K_RANGE = (-3.0, 3.5)
SLOPE_RANGE = (0.0, 8.0)
BEND_RANGE = (-0.5, 0.8)
BURST_RANGE = (1e-3, 3.0)
# Over eight stops the slope of simulated hands falls by a factor of 1 to 2.5: g of 0 to 0.2.
BEND_PRIOR = (0.03, 0.12)  # mean and standard deviation
_BURST_NODES, _BURST_WEIGHTS = np.polynomial.hermite_e.hermegauss(9)
_ROUGH = 1e-3  # to which the quadrature over bursts agrees with itself when its nodes move
_WIDER = 1.1  # nodes reach wider than a normal density there would ask for, as streaks have longer tails
_CENTRINGS = 2
_SMALLEST = 1e-300
_MIX_NODES, _MIX_WEIGHTS = np.polynomial.hermite_e.hermegauss(15)
_MIX_WEIGHTS = _MIX_WEIGHTS / math.sqrt(2.0 * math.pi)


@dataclass(frozen=True)
class StreakData:
    """Usable frames: (n,) arrays. `kind`: 0 measured, -1 below `value`, 1 above `value`; `x` = ln(t / t0).

    `variance`, `variance_stderr` [px^2]: the measured L^2 / 12 and its error, NaN where not known. `burst`: the number
    of each frame's burst (a frame alone has one of its own), None where all frames are alone.
    """

    x: Array
    value: Array
    stderr: Array
    kind: NDArray[np.intp]
    reference_s: float
    variance: Array | None = None
    variance_stderr: Array | None = None
    burst: NDArray[np.intp] | None = None

    def faint(self) -> NDArray[np.bool_]:
        """Tell which frames lie at or near the floor with a known variance (n,)."""
        if self.variance is None or self.variance_stderr is None:
            return np.zeros(self.x.size, dtype=bool)
        known = np.isfinite(self.variance) & np.isfinite(self.variance_stderr) & (self.kind <= 0)
        return known & (np.nan_to_num(self.variance) / _FAINT_SIGMA < np.nan_to_num(self.variance_stderr))


@dataclass(frozen=True)
class FamilyFit:
    """One family fitted: theta = (a, b, ln k, g, tau), log-likelihood (with the priors) and AICc."""

    name: str
    theta: Array
    log_likelihood: float
    aicc: float
    converged: bool

    def rate(self, x: Array, streak_px: float) -> Array:
        """Return P(L <= `streak_px`) at x = ln(t / t0)."""
        z = math.log(streak_px) - self.theta[0] - self.theta[1] * stretched(x, self.theta[3:4])
        return np.exp(log_below(FAMILIES[self.name], z, np.exp(self.theta[2:3]), self.theta[4:5]))


def free_parameters(family_name: str, bursts: bool = False) -> NDArray[np.intp]:
    """Return the columns of theta that the family uses."""
    shape = [2] if FAMILIES[family_name].has_shape else []
    return np.array([0, 1, *shape, 3, *([4] if bursts else [])], dtype=np.intp)


def parameter_bounds(bursts: bool = False) -> tuple[Array, Array]:
    """Return the lower and upper bounds (5,) of theta."""
    ranges = ((-25.0, 25.0), SLOPE_RANGE, LN_K_RANGE, BEND_RANGE, BURST_RANGE if bursts else (0.0, 0.0))
    return np.array([low for low, _ in ranges]), np.array([high for _, high in ranges])


def stretched(x: Array, bend: Array) -> Array:
    """Return h(x) = (1 - exp(-g x)) / g, rising in x for every g; arrays of any broadcast shape."""
    return np.asarray(x * special.exprel(-bend * x), dtype=np.float64)


def straightened(h: Array, bend: Array) -> Array:
    """Return x with h(x) = `h`; infinite where the scale comes to rest before."""
    product = bend * h
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(np.abs(product) < 1e-8, 1.0 + 0.5 * product, -np.log1p(-product) / product)
        return np.asarray(np.where(product >= 1.0, np.copysign(math.inf, h), h * ratio), dtype=np.float64)


def log_below(family: Family, z: Array, k: Array, tau: Array) -> Array:
    """Return ln P(ln u + r <= z), r normal with standard deviation `tau` (broadcast shapes)."""
    if not np.any(tau):
        return family.log_below(z, k)
    shifted = z[..., None] - tau[..., None] * _MIX_NODES
    share = np.exp(family.log_below(shifted, k[..., None])) @ _MIX_WEIGHTS
    return np.asarray(np.log(np.maximum(share, 1e-300)), dtype=np.float64)


def log_quantile(family: Family, share: float | Array, k: Array, tau: Array) -> Array:
    """Return z with P(ln u + r <= z) = `share` for arrays (m,) of k and tau (and share), by Newton's method on the
    probit."""
    start = family.log_quantile(share, k)
    if not np.any(tau):
        return start
    spread = family.log_sd(k)
    probit = special.ndtri(share)
    z = start + probit * (np.hypot(spread, tau) - spread)
    for _ in range(30):
        value = special.ndtri(np.exp(log_below(family, z, k, tau))) - probit
        further = special.ndtri(np.exp(log_below(family, z + 1e-5, k, tau))) - probit
        step = np.clip(value * 1e-5 / np.maximum(further - value, 1e-12), -1.0, 1.0)
        z = z - step
        if np.max(np.abs(step)) < 1e-9:
            break
    return np.asarray(z, dtype=np.float64)


def priors(theta: Array) -> Array:
    """Return what the priors of bend and burst spread add to the log-likelihood (m,)."""
    found = np.zeros(theta.shape[0])
    if theta.shape[1] > 3:
        found = found - 0.5 * ((theta[:, 3] - BEND_PRIOR[0]) / BEND_PRIOR[1]) ** 2
    if theta.shape[1] > 4 and np.any(theta[:, 4]):
        found = found + np.log(theta[:, 4])
    return found


@dataclass(frozen=True)
class _Split:
    place: NDArray[np.intp]  # which frames
    log_value: Array  # (frame,), or (node, frame) of an integral
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
        self._measured = measured.astype(np.float64)
        self._log_value = np.log(data.value)
        self.slack = 1e-10 if data.burst is None else _ROUGH  # of a maximum
        self._members = None if data.burst is None else np.eye(int(data.burst.max()) + 1)[data.burst]  # (frame, burst)
        members = np.eye(data.x.size) if self._members is None else self._members
        self._sums = tuple(powers @ members for powers in (np.ones(data.x.size), data.x, data.x**2))  # of each burst
        self._sharp = _plain(data, sharp)
        value, error = data.value[smeared][:, None], data.stderr[smeared][:, None]
        # what is measured with an even error is the variance L^2 / 12, so the nodes are even in L^2
        square = value**2 + 2.0 * value * error * _NODES
        positive = square > 0
        nodes = np.sqrt(np.where(positive, square, 1.0))
        weight = np.where(positive, np.log(_NODE_WEIGHTS * value / nodes), -np.inf)
        self._smeared = _Split(np.flatnonzero(smeared), np.log(nodes).T.copy(), weight.T.copy())
        self._faint = _faint_nodes(data, faint)
        self._below = _plain(data, (data.kind < 0) & ~faint)
        self._above = _plain(data, data.kind > 0)

    def __call__(self, theta: Array) -> Array:
        """Return the log-likelihood (m,) of the parameter sets `theta` (m, 3 to 5), with the priors."""
        return np.asarray(self.plain(theta) + self.restriction(theta), dtype=np.float64)

    def restriction(self, theta: Array) -> Array:
        """Return -ln det(X' V^-1 X) / 2 (m,), X the columns of level and slope, V the covariance of ln L."""
        within = self.family.log_sd(np.exp(theta[:, 2:3])) ** 2
        between = theta[:, 4:5] ** 2 if theta.shape[1] > 4 else np.zeros_like(within)
        count, first, second = self._sums
        # the inverse of within I + between 1 1', burst by burst (Sherman and Morrison)
        shared = between / (within + count * between)
        of_level = np.sum(count - shared * count**2, axis=1)
        of_both = np.sum(first - shared * count * first, axis=1)
        of_slope = np.sum(second - shared * first**2, axis=1)
        determinant = (of_level * of_slope - of_both**2) / within[:, 0] ** 2
        return np.asarray(-0.5 * np.log(np.maximum(determinant, _SMALLEST)), dtype=np.float64)

    def plain(self, theta: Array) -> Array:
        """Return the log-likelihood (m,) without the restriction, with the priors."""
        if self._members is None or theta.shape[1] < 5:
            return np.asarray(np.sum(self.of_frames(theta), axis=1) + priors(theta), dtype=np.float64)
        scale, k = self._scale(theta), np.exp(theta[:, 2:3])
        z, width = self._nodes(theta, scale, self._members)
        rows = z.shape[0] * z.shape[1]
        shift = (theta[:, 4:5, None] * z) @ self._members.T
        frames = self._of_frames((scale[:, None, :] + shift).reshape(rows, -1), np.repeat(k, z.shape[1], axis=0))
        terms = (frames @ self._members).reshape(z.shape) + _of_nodes(z)
        each = log_sum(terms, axis=1) + np.log(width)
        return np.asarray(np.sum(each, axis=1) + priors(theta), dtype=np.float64)

    def _nodes(self, theta: Array, scale: Array, members: Array) -> tuple[Array, Array]:
        """Return nodes (m, node, burst) about the likeliest factor of each burst, and their reach (m, burst)."""
        tau, ln_k = theta[:, 4:5], theta[:, 2:3]
        k = np.exp(ln_k)
        # a first guess from the measured frames, then Newton's method
        residual = np.where(self._measured, self._log_value - scale - self.family.log_mean(k), 0.0)
        steepness = (tau / self.family.log_sd(k)) ** 2
        width = 1.0 + steepness * (self._measured @ members)
        centre = steepness / tau * (residual @ members) / width
        for _ in range(_CENTRINGS):
            place = scale + (tau * centre) @ members.T
            _, first, _, second, _, _ = frame_derivatives(self._of_frames, place, ln_k, has_shape=False)
            slope = tau * (first @ members) - centre
            width = np.maximum(1.0 - tau**2 * (second @ members), 1.0)
            centre = centre + np.clip(slope / width, -1.5, 1.5)
        width = _WIDER / np.sqrt(width)
        return centre[:, None, :] + width[:, None, :] * _BURST_NODES[:, None], width

    def derivatives(self, theta: Array) -> tuple[Array, Array, Array]:
        """Return value (m,), gradient (m, 5) and Hessian (m, 5, 5) at `theta` (m, 5), as `__call__` values it."""
        scale, ln_k = self._scale(theta), theta[:, 2:3]
        m, n = scale.shape
        if self._members is None:
            z, width, members = np.zeros((m, 1, 1)), np.ones((m, 1)), np.ones((n, 1))
            weight, shift = np.zeros((m, 1, 1)), np.zeros((m, 1, 1))
        else:
            members = self._members
            z, width = self._nodes(theta, scale, members)
            weight, shift = _of_nodes(z), (theta[:, 4:5, None] * z) @ members.T
        nodes = z.shape[1]
        shifted = (scale[:, None, :] + shift).reshape(m * nodes, n)
        frames = frame_derivatives(self._of_frames, shifted, np.repeat(ln_k, nodes, axis=0), self.family.has_shape)
        stretch = stretched_derivatives(self.data.x[None, None, :], theta[:, 3:4, None])
        parts = tuple(part.reshape(m, nodes, n) for part in frames)
        with np.errstate(over="ignore", invalid="ignore"):  # far from any data; the search gives such rows up
            value, gradient, hessian = total_derivatives(parts, theta[:, 1:2, None], stretch, z, members)
            each, slopes, curves = over_nodes(value + weight, gradient, hessian)
        held = np.array([2, 3] if self._members is None else [2, 3, 4])  # what priors and restriction depend on
        rest, rest_slopes, rest_curves = differences(lambda rows: priors(rows) + self.restriction(rows), theta, held)
        first, second = np.sum(slopes, axis=1), np.sum(curves, axis=1)
        first[:, held] += rest_slopes
        second[:, held[:, None], held] += rest_curves
        return np.sum(each + np.log(width), axis=1) + rest, first, second

    def of_frames(self, theta: Array) -> Array:
        """Return what each frame adds to the log-likelihood (m, n) as if alone, without the priors."""
        return self._of_frames(self._scale(theta), np.exp(theta[:, 2:3]))

    def _scale(self, theta: Array) -> Array:
        """Return ln s (m, n)."""
        x = self.data.x[None, :] if theta.shape[1] < 4 else stretched(self.data.x[None, :], theta[:, 3:4])
        return np.asarray(theta[:, 0:1] + theta[:, 1:2] * x, dtype=np.float64)

    def _of_frames(self, scales: Array, k: Array) -> Array:
        found = np.zeros(scales.shape)
        if self._sharp.place.size:
            scale = scales[:, self._sharp.place]
            found[:, self._sharp.place] = self.family.log_density(self._sharp.log_value - scale, k) - scale
        for split in (self._smeared, self._faint):
            if not split.place.size:
                continue
            scale = scales[:, split.place]
            terms = self.family.log_density(split.log_value[:, None] - scale, k[None]) - scale
            found[:, split.place] = log_sum(terms + split.log_weight[:, None], axis=0)
        for split, share in ((self._below, self.family.log_below), (self._above, self.family.log_above)):
            if split.place.size:
                found[:, split.place] = share(split.log_value - scales[:, split.place], k)
        return found


def _of_nodes(z: Array) -> Array:
    """Return ln of the weight of each node times the normal density there, over that of the rule (m, node, burst)."""
    return -0.5 * z**2 + (np.log(_BURST_WEIGHTS) + 0.5 * _BURST_NODES**2 - 0.5 * math.log(2.0 * math.pi))[:, None]


def _plain(data: StreakData, chosen: NDArray[np.bool_]) -> _Split:
    return _Split(np.flatnonzero(chosen), np.log(data.value[chosen]), np.zeros(0))


def _faint_nodes(data: StreakData, faint: NDArray[np.bool_]) -> _Split:
    """Return streaks and weights (nodes, m) for the integral over L of f(L) normal(variance; L^2 / 12, error)."""
    if not np.any(faint) or data.variance is None or data.variance_stderr is None:
        return _Split(np.zeros(0, np.intp), np.zeros((1, 0)), np.zeros((1, 0)))
    variance, error = data.variance[faint][:, None], data.variance_stderr[faint][:, None]
    longest = np.sqrt(12.0 * (np.maximum(variance, 0.0) + _FAINT_REACH * error))
    shortest = np.sqrt(12.0 * np.maximum(variance - _FAINT_REACH * error, 0.0))
    # L = shortest + (longest - shortest) q^2: nodes are dense at short streaks, where a density may rise steeply
    q = 0.5 * (_LEGENDRE + 1.0)
    streak = shortest + (longest - shortest) * q**2
    log_weight = np.log((longest - shortest) * q * _LEGENDRE_WEIGHTS)
    log_weight = log_weight - 0.5 * ((variance - streak**2 / 12.0) / error) ** 2 - np.log(error)
    return _Split(np.flatnonzero(faint), np.log(streak).T.copy(), log_weight.T.copy())
