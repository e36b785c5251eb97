"""How much more than chance a set of measurements may scatter before their errors are widened."""

from __future__ import annotations

import math

_SIGMAS = 4.0  # 3 of 100 000 sets by chance


def scatter_limit(degrees_of_freedom: float) -> float:
    """Return the reduced chi-square that chance exceeds as rarely as a Gaussian 4 standard deviations.

    Wilson and Hilferty's approximation (cube root of chi-square over its freedom is nearly Gaussian with mean 1 - 2 /
    (9 n) and variance 2 / (9 n); from memory): good from 1 degree of freedom on, where 4 sqrt(2 / n) would be exceeded
    far too often.
    """
    share = 2.0 / (9.0 * max(degrees_of_freedom, 1.0))
    return (1.0 - share + _SIGMAS * math.sqrt(share)) ** 3
