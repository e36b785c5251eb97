"""Draws of the parameters of a fit, for a likelihood that is far from normal."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_WALKERS = 200
_INSET = 0.02  # of the width of the bounds: where walkers begin


def walk(
    best: Array,
    root: Array,
    bounds: tuple[Array, Array],
    steps: int,
    rng: np.random.Generator,
    log_likelihood: Callable[[Array], Array],
) -> Array:
    """Return (draw, parameter) parameters of the likelihood, 600 of them.

    Walkers move towards and away from one another (Goodman and Weare 2010, Comm. App. Math. Comp. Sci. 5, 65): few
    f-numbers leave a narrow bent ridge that steps of a fixed shape do not follow. They start around `best`, with the
    covariance of which `root` is a root, and stay inside `bounds`. `log_likelihood` takes (walker, parameter).
    """
    low, high = bounds
    inset = _INSET * (high - low)
    theta = best + rng.standard_normal((_WALKERS, best.size)) @ root.T
    theta = np.clip(theta, low + inset, high - inset)
    value = log_likelihood(theta)
    half = _WALKERS // 2
    kept: list[Array] = []
    for step in range(steps):
        for own, others in ((slice(0, half), slice(half, None)), (slice(half, None), slice(0, half))):
            stretch = (rng.uniform(size=half) + 1.0) ** 2 / 2.0  # density 1 / sqrt(z) from 1/2 to 2
            partner = theta[others][rng.integers(half, size=half)]
            trial = partner + stretch[:, None] * (theta[own] - partner)
            allowed = np.all((trial >= low) & (trial <= high), axis=1)
            trial = np.where(allowed[:, None], trial, theta[own])
            new = log_likelihood(trial)
            odds = (best.size - 1) * np.log(stretch) + new - value[own]
            moves = allowed & (np.log(rng.uniform(size=half)) < odds)
            theta[own] = np.where(moves[:, None], trial, theta[own])
            value[own] = np.where(moves, new, value[own])
        if step >= steps // 2 and step % (steps // 6) == steps // 6 - 1:
            kept.append(theta.copy())
    return np.concatenate(kept)
