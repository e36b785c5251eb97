"""How far the edge spread may depart from the reference: a prior of the splines, chosen by the samples.

A normal prior whose size and smoothness have the largest marginal likelihood (Rasmussen and Williams, Gaussian
Processes for Machine Learning, ch. 5): with little noise the curve follows the samples, with much noise it leans on the
reference.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh

from kitgauge.measure.edges.edge_knots import Knots, prior_root

Array = NDArray[np.float64]

_SIZES = 10.0 ** np.linspace(-4.5, -0.5, 17)  # share of the contrast
_SMOOTHNESS = (0.15, 0.3, 0.6, 1.2)  # correlation length over the root of the edge's width


def choose_prior(normal: Array, right: Array, fixed: int, knots: Knots) -> tuple[float, float]:
    """Return the size (share of the contrast) and smoothness of the deviation with the largest marginal likelihood.

    `normal` (n, n) and `right` (n,): the weighted normal equations, the `fixed` columns without such a prior first.
    """
    between = normal[fixed:, :fixed]
    solved = np.linalg.solve(normal[:fixed, :fixed], np.column_stack([between.T, right[:fixed]]))
    rest = normal[fixed:, fixed:] - between @ solved[:, :-1]
    pull = right[fixed:] - between @ solved[:, -1]
    square = _SIZES[:, None] ** 2
    best = (-math.inf, float(_SIZES[0]), _SMOOTHNESS[0])
    for smoothness in _SMOOTHNESS:
        root = prior_root(knots, smoothness)
        values, vectors = eigh(root.T @ rest @ root, check_finite=False)
        values = np.maximum(values, 0.0)
        power = (vectors.T @ (root.T @ pull)) ** 2
        gain = 1.0 + square * values
        likelihood = 0.5 * np.sum(power * square / gain - np.log(gain), axis=1)
        k = int(np.argmax(likelihood))
        if likelihood[k] > best[0]:
            best = float(likelihood[k]), float(_SIZES[k]), smoothness
    return best[1], best[2]
