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
_MIX_NODES = 15  # as the fit of burst spread uses
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


# (weight, rate) of the exponentials that -ln |cos a| of an even phase a is a mixture of (`fit.blur.turning_streaks`)
_TURNING = (
    (0.6366197724, 1),
    (0.1061032954, 3),
    (0.04774648293, 5),
    (0.06200483094, 8.262974267),
    (0.04350269931, 16.3612049),
    (0.03835807614, 35.43937222),
    (0.03286555333, 102.8358082),
    (0.03279928959, 719.7851442),
)


def _turning(z: float, k: float) -> float:
    """Return P(ln (|cos a| exp(k n)) <= z), n standard normal: exponentially modified Gaussians."""
    total = 0.5 * math.erfc(-z / k / math.sqrt(2.0))
    for weight, rate in _TURNING:
        away = (z / k + rate * k) / math.sqrt(2.0)
        if away < 20.0:
            total += weight * 0.5 * math.erfc(away) * math.exp(min(rate * z + 0.5 * (rate * k) ** 2, 700.0))
        else:  # erfc(x) ~ exp(-x^2) / (x sqrt(pi)), Abramowitz and Stegun 7.1.23
            total += weight * 0.5 * math.exp(-0.5 * (z / k) ** 2) / (away * math.sqrt(math.pi))
    return min(total, 1.0)


FAMILIES: dict[str, Callable[[float, float], float]] = {
    "rayleigh": _rayleigh,
    "weibull": _weibull,
    "gamma": _gamma,
    "lognormal": _lognormal,
    "turning": _turning,
}


@lru_cache(maxsize=1)
def normal_rule() -> tuple[tuple[float, float], ...]:
    """Return (node, weight) pairs with which a sum stands for the mean over a standard normal variable.

    Gauss-Hermite quadrature, its nodes by Newton's method.
    """
    count = _MIX_NODES
    rule: list[tuple[float, float]] = []
    x = 0.0
    for k in range(count):
        # from the largest root downward; start values of Press et al., Numerical Recipes, section 4.5 (from memory)
        if k == 0:
            x = math.sqrt(2.0 * count + 1) - 1.85575 * (2.0 * count + 1) ** (-1 / 6)
        elif k == 1:
            x -= 1.14 * count**0.426 / x
        elif k == 2:
            x = 1.86 * x - 0.86 * rule[0][0] / math.sqrt(2)
        elif k == 3:
            x = 1.91 * x - 0.91 * rule[1][0] / math.sqrt(2)
        else:
            x = 2.0 * x - rule[k - 2][0] / math.sqrt(2)
        slope = 1.0
        for _ in range(50):
            before, value = 0.0, math.pi**-0.25
            for n in range(count):
                before, value = value, x * math.sqrt(2 / (n + 1)) * value - math.sqrt(n / (n + 1)) * before
            slope = math.sqrt(2.0 * count) * before
            step = value / slope
            x -= step
            if abs(step) < 1e-14:
                break
        rule.append((x * math.sqrt(2), 2 / (slope * slope) / math.sqrt(math.pi)))
    return tuple(rule)


def share_below(family: str, shape: float, z: float, burst_spread: float = 0.0) -> float:
    """Return P(ln U + r <= z), U of one of FAMILIES, r normal with standard deviation `burst_spread`; `shape` > 0 is
    ignored by rayleigh.
    """
    below = FAMILIES[family]
    if burst_spread <= 0:
        return below(z, shape)
    return min(sum(weight * below(z - burst_spread * node, shape) for node, weight in normal_rule()), 1.0)


@lru_cache(maxsize=1024)
def log_quantile(family: str, shape: float, share: float, burst_spread: float = 0.0) -> float:
    """Return z with P(ln U + r <= z) = `share`, by halving. Raises ValueError unless 0 < `share` < 1."""
    if not 0 < share < 1:
        raise ValueError(f"a share between 0 and 1 (both excluded) was needed, got {share}")
    low, high = -60.0, 60.0
    while share_below(family, shape, low, burst_spread) >= share:
        low *= 2
    while share_below(family, shape, high, burst_spread) < share:
        high *= 2
    for _ in range(200):
        middle = 0.5 * (low + high)
        if middle in (low, high) or high - low < 1e-13 * max(abs(middle), 1e-3):
            break
        if share_below(family, shape, middle, burst_spread) < share:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
