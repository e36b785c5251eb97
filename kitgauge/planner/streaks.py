"""Share of streaks under a limit, for the distributions that blur fits choose from.

The same families and parameters as `fit.streak_families`, in the standard library alone, so that a plan needs
no array library: u is a streak over its scale, z = ln u, k the shape. Incomplete gamma function by its series
and continued fraction (Abramowitz and Stegun, 6.5.29 and 6.5.31, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

_TERMS = 2000
_TINY = 1e-300


def _rayleigh(z: float, _k: float) -> float:
    return -math.expm1(-0.5 * math.exp(min(2 * z, 600.0)))


def _weibull(z: float, k: float) -> float:
    return -math.expm1(-math.exp(min(k * z, 600.0)))


def _lognormal(z: float, k: float) -> float:
    return 0.5 * math.erfc(-z / (k * math.sqrt(2.0)))


def _gamma(z: float, k: float) -> float:
    """Return the regularised lower incomplete gamma function P(k, exp(z))."""
    x = math.exp(min(z, 600.0))
    head = math.exp(k * z - x - math.lgamma(k)) if x < 700.0 + k else 0.0
    if head == 0.0:
        return 1.0 if x > k else 0.0
    if x < k + 1.0:
        term = total = 1.0 / k
        for n in range(1, _TERMS):
            term *= x / (k + n)
            total += term
            if term < total * 1e-15:
                break
        return head * total
    b = x + 1.0 - k  # Lentz's method for the continued fraction of the upper function
    c, d = 1.0 / _TINY, 1.0 / b
    fraction = d
    for n in range(1, _TERMS):
        a = -n * (n - k)
        b += 2.0
        d = 1.0 / (a * d + b or _TINY)
        c = b + a / c or _TINY
        fraction *= d * c
        if abs(d * c - 1.0) < 1e-15:
            break
    return 1.0 - head * fraction


FAMILIES: dict[str, Callable[[float, float], float]] = {
    "rayleigh": _rayleigh,
    "weibull": _weibull,
    "gamma": _gamma,
    "lognormal": _lognormal,
}


def share_below(family: str, shape: float, z: float) -> float:
    """Return P(ln U <= z) of one of FAMILIES; `shape` > 0 is ignored by rayleigh."""
    return FAMILIES[family](z, shape)


@lru_cache(maxsize=1024)
def log_quantile(family: str, shape: float, share: float) -> float:
    """Return z with P(ln U <= z) = `share`, by halving. Raises ValueError unless 0 < `share` < 1."""
    if not 0 < share < 1:
        raise ValueError(f"a share between 0 and 1 (both excluded) was needed, got {share}")
    low, high = -60.0, 60.0
    while share_below(family, shape, low) >= share:
        low *= 2
    while share_below(family, shape, high) < share:
        high *= 2
    for _ in range(200):
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        if share_below(family, shape, middle) < share:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
