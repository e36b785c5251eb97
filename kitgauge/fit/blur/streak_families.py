"""Distributions of the relative streak u = L / s: how streaks of one shutter time scatter around their scale
s.

Each family is a scale family of positive u. All functions work on z = ln u and on arrays of any (broadcast)
shape. `k` is the shape parameter, ignored by Rayleigh; fits use ln k. Sources: Johnson, Kotz and
Balakrishnan, Continuous Univariate Distributions vol. 1 (1994), ch. 14 lognormal, 17 gamma, 18 Rayleigh, 21
Weibull (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from kitgauge.fit.blur import turning_streaks as turning

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Family:
    """One distribution of u.

    `log_density(z, k)`: ln of the density of u at u = exp(z). `log_below(z, k)`, `log_above(z, k)`: ln P(U <= u)
    and ln P(U > u). `log_quantile(p, k)`: ln of the p quantile. `log_mean(k)`, `log_sd(k)`: mean and standard
    deviation of ln u. `has_shape`: whether k is a free parameter; `start_k` is where a fit starts.
    """

    name: str
    has_shape: bool
    start_k: float
    meaning: str
    log_density: Callable[[Array, Array], Array]
    log_below: Callable[[Array, Array], Array]
    log_above: Callable[[Array, Array], Array]
    log_quantile: Callable[[float | Array, Array], Array]
    log_mean: Callable[[Array], Array]
    log_sd: Callable[[Array], Array]


def _capped(z: Array, largest: float) -> Array:
    """Return z, cut where exp(z) would overflow (the logarithms are then far below any likelihood that
    matters)."""
    return np.minimum(z, largest)


def _rayleigh_density(z: Array, _k: Array) -> Array:
    return z - 0.5 * np.exp(2.0 * _capped(z, 300.0))


def _rayleigh_below(z: Array, _k: Array) -> Array:
    return np.log(-np.expm1(-0.5 * np.exp(2.0 * _capped(np.maximum(z, -300.0), 300.0))))


def _rayleigh_above(z: Array, _k: Array) -> Array:
    return -0.5 * np.exp(2.0 * _capped(z, 300.0))


def _rayleigh_quantile(p: float | Array, _k: Array) -> Array:
    return np.asarray(0.5 * np.log(-2.0 * np.log1p(-np.asarray(p))) + 0.0 * _k, dtype=np.float64)


def _weibull_density(z: Array, k: Array) -> Array:
    return np.log(k) + (k - 1.0) * z - np.exp(_capped(k * z, 600.0))


def _weibull_below(z: Array, k: Array) -> Array:
    return np.log(-np.expm1(-np.exp(np.clip(k * z, -600.0, 600.0))))


def _weibull_above(z: Array, k: Array) -> Array:
    return -np.exp(_capped(k * z, 600.0))


def _weibull_quantile(p: float | Array, k: Array) -> Array:
    return np.asarray(np.log(-np.log1p(-np.asarray(p))) / k, dtype=np.float64)


def _rayleigh_mean(k: Array) -> Array:
    return np.full_like(k, 0.5 * (math.log(2.0) - float(np.euler_gamma)))


def _rayleigh_sd(k: Array) -> Array:
    return np.full_like(k, math.pi / math.sqrt(24.0))


def _weibull_mean(k: Array) -> Array:
    return -float(np.euler_gamma) / k


def _weibull_sd(k: Array) -> Array:
    return math.pi / math.sqrt(6.0) / k


_SMALLEST = 1e-300


def _gamma_density(z: Array, k: Array) -> Array:
    return (k - 1.0) * z - np.exp(_capped(z, 600.0)) - special.gammaln(k)


def _gamma_below(z: Array, k: Array) -> Array:
    return np.asarray(np.log(np.maximum(special.gammainc(k, np.exp(_capped(z, 600.0))), _SMALLEST)))


def _gamma_above(z: Array, k: Array) -> Array:
    return np.asarray(np.log(np.maximum(special.gammaincc(k, np.exp(_capped(z, 600.0))), _SMALLEST)))


def _gamma_quantile(p: float | Array, k: Array) -> Array:
    return np.asarray(np.log(special.gammaincinv(k, np.asarray(p))), dtype=np.float64)


def _gamma_mean(k: Array) -> Array:
    return np.asarray(special.digamma(k), dtype=np.float64)


def _gamma_sd(k: Array) -> Array:
    return np.asarray(np.sqrt(special.polygamma(1, k)), dtype=np.float64)


_HALF_LOG_2PI = 0.5 * math.log(2.0 * math.pi)


def _lognormal_density(z: Array, k: Array) -> Array:
    return -z - np.log(k) - _HALF_LOG_2PI - 0.5 * (z / k) ** 2


def _lognormal_below(z: Array, k: Array) -> Array:
    return np.asarray(special.log_ndtr(z / k), dtype=np.float64)


def _lognormal_above(z: Array, k: Array) -> Array:
    return np.asarray(special.log_ndtr(-z / k), dtype=np.float64)


def _lognormal_quantile(p: float | Array, k: Array) -> Array:
    return np.asarray(k * special.ndtri(np.asarray(p)), dtype=np.float64)


FAMILIES: dict[str, Family] = {
    family.name: family
    for family in (
        Family("rayleigh", False, 1.0, "steady drift, equal in both directions",
               _rayleigh_density, _rayleigh_below, _rayleigh_above, _rayleigh_quantile, _rayleigh_mean, _rayleigh_sd),
        Family("weibull", True, 2.0, "like Rayleigh with a free shape k",
               _weibull_density, _weibull_below, _weibull_above, _weibull_quantile, _weibull_mean, _weibull_sd),
        Family("gamma", True, 3.0, "gamma distribution with shape k",
               _gamma_density, _gamma_below, _gamma_above, _gamma_quantile, _gamma_mean, _gamma_sd),
        Family("lognormal", True, 0.5, "lognormal with standard deviation k of ln u",
               _lognormal_density, _lognormal_below, _lognormal_above, _lognormal_quantile, np.zeros_like, np.copy),
        Family("turning", True, 0.2, "to and fro, at a random moment; its size with standard deviation k in ln",
               turning.log_density, turning.log_below, turning.log_above, turning.log_quantile, turning.log_mean,
               turning.log_sd),
    )
}  # fmt: skip
HANDS = ("rayleigh", "weibull", "gamma", "lognormal")
SUBJECTS = (*HANDS[1:], "turning")  # Rayleigh is Weibull with k = 2: two axes alike, which a subject hardly ever has
