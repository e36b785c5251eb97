"""Streaks of what moves to and fro: u = |cos a| exp(k n), a an even phase, n standard normal, k its shape.

The speed of a pendulum, a nodding head or a waving hand at a random moment is its highest one times |cos a|, and its
size differs from one movement to the next: k is that spread. A series of some fifty frames tells little of k, but held
at a guess of 0.12 it made intervals too short for subjects whose movements differ more. -ln |cos a| is a mixture of
exponentials: the series of the arcsine gives rates 2 n + 1 with weights (2 / pi) C(2n, n) / 4^n / (2n + 1). With a
normal variable added each has a closed form (exponentially modified Gaussian: E. Grushka, Anal. Chem. 44 (1972) 1733,
from memory). Rates beyond 5 are taken together in groups of equal mean; the distribution function is right to 0.0015.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

Array = NDArray[np.float64]

_SMALLEST = 1e-300
_GROUPS = (1, 2, 3, 6, 12, 30, 120)
_HALVINGS = 50
_CLOSE = 1e-12


@cache
def exponentials() -> tuple[Array, Array]:
    """Return weights and rates of the exponentials that -ln |cos a| is a mixture of."""
    n = np.arange(200_000)
    weight = 2.0 / math.pi * np.exp(special.gammaln(n + 0.5) - special.gammaln(n + 1.0)) / math.sqrt(math.pi)
    weight /= 2.0 * n + 1.0
    weight[-1] += 1.0 - float(weight.sum())
    groups = np.split(n, _GROUPS)
    shares = np.array([weight[group].sum() for group in groups])
    means = np.array([np.sum(weight[group] / (2.0 * group + 1.0)) for group in groups])
    return shares, shares / means


def _tails(z: Array, k: Array) -> tuple[Array, Array]:
    """Return z / k and exp(l z + l^2 k^2 / 2) Phi(-z / k - l k), l the rates (last axis)."""
    _, rate = exponentials()
    z, k = np.broadcast_arrays(np.asarray(z, dtype=np.float64), np.asarray(k, dtype=np.float64))
    w = z / k
    slant = rate * k[..., None]
    away = (w[..., None] + slant) / math.sqrt(2.0)
    near = 0.5 * np.exp(-0.5 * np.minimum(np.square(w), 1400.0))[..., None] * special.erfcx(np.maximum(away, -5.0))
    far = away <= -5.0
    if np.any(far):  # where Phi is 1 to rounding, its product with the exponential would overflow before it is formed
        near[far] = np.exp(np.minimum((z[..., None] * rate + 0.5 * np.square(slant))[far], 0.0))
    return w, near


def log_density(z: Array, k: Array) -> Array:
    """Return ln of the density of u at u = exp(z)."""
    weight, rate = exponentials()
    _, tails = _tails(z, k)
    return np.asarray(np.log(np.maximum(tails @ (weight * rate), _SMALLEST)) - z)


def log_below(z: Array, k: Array) -> Array:
    """Return ln P(U <= exp(z))."""
    w, tails = _tails(z, k)
    return np.asarray(np.log(np.clip(special.ndtr(w) + tails @ exponentials()[0], _SMALLEST, 1.0)))


def log_above(z: Array, k: Array) -> Array:
    """Return ln P(U > exp(z))."""
    w, tails = _tails(z, k)
    return np.asarray(np.log(np.clip(special.ndtr(-w) - tails @ exponentials()[0], _SMALLEST, 1.0)))


def log_quantile(p: float | Array, k: Array) -> Array:
    """Return ln of the p quantile, in the shape of both arguments: Newton's method, halving where it leaves the
    bracket."""
    wanted, k = np.broadcast_arrays(np.log(np.asarray(p, dtype=np.float64)), np.asarray(k, dtype=np.float64))
    weight, rate = exponentials()
    low, high = wanted - 6.0 * k - 1.0, 12.0 * k + 0.0 * wanted
    place = 0.5 * (low + high)
    for _ in range(_HALVINGS):
        w, tails = _tails(place, k)
        share = np.clip(special.ndtr(w) + tails @ weight, _SMALLEST, 1.0)
        below = np.log(share)
        low, high = np.where(below < wanted, place, low), np.where(below < wanted, high, place)
        further = place + (wanted - below) * share / np.maximum(tails @ (weight * rate), _SMALLEST)
        further = np.where((further >= low) & (further <= high), further, 0.5 * (low + high))
        moved, place = np.abs(further - place), further
        if np.all(moved < _CLOSE):
            break
    return np.asarray(place)


def log_mean(k: Array) -> Array:
    """Return the mean of ln u: that of ln |cos a| is -ln 2."""
    return np.full_like(k, -math.log(2.0))


def log_sd(k: Array) -> Array:
    """Return the standard deviation of ln u: pi^2 / 12 is the variance of ln |cos a|."""
    return np.asarray(np.sqrt(math.pi**2 / 12.0 + np.square(k)), dtype=np.float64)
