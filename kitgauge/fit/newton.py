"""Row-wise Newton steps: many small maximisations at once, derivatives by differences.

A function maps parameter sets (q, d) to values (q,) in one call, so that starts, families' profiles and difference
quotients share the cost of array operations (damped Newton: Nocedal and Wright, Numerical Optimization, 2006, section
3.4, from memory).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_STEP = 3e-4
_MAX_ITERATIONS = 60
_CLOSE = 0.01  # of the roughness of the values: what a further step may still gain

RowFunction = Callable[[Array], Array]
# value (m,), gradient (m, d) and Hessian (m, d, d) in all columns of (m, d)
RowDerivatives = Callable[[Array], tuple[Array, Array, Array]]


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
    hessian = np.empty((rows, p, p))
    with np.errstate(invalid="ignore"):  # rows without finite derivatives are given up by who asks
        gradient = (plus - minus) / (2.0 * _STEP)
        for i in range(p):
            hessian[:, i, i] = (plus[:, i] - 2.0 * middle + minus[:, i]) / _STEP**2
        for number, (i, j) in enumerate(pairs):
            both, neither = values[:, 1 + 2 * p + 2 * number], values[:, 2 + 2 * p + 2 * number]
            mixed = both - plus[:, i] - plus[:, j] + 2.0 * middle - minus[:, i] - minus[:, j] + neither
            hessian[:, i, j] = hessian[:, j, i] = mixed / (2.0 * _STEP**2)
    return middle, gradient, hessian


def maximise(
    function: RowFunction,
    start: Array,
    free: NDArray[np.intp],
    lower: Array,
    upper: Array,
    slopes: RowDerivatives | None = None,
    slack: float = 1e-10,
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Maximise a row-wise function from each row of `start` by damped Newton steps within bounds.

    `function` maps (q, d) to (q,); `start` (m, d); `free` the columns that vary; `lower`, `upper` (d,)
    bounds, on which a parameter rests while the gradient points outward. Returns the places (m, d), the
    values (m,) and whether each converged (not where a derivative is not finite). `slopes` gives the derivatives
    in place of differences. A step that loses no more than `slack` is taken, as values may be rough by that much.
    """
    place = np.clip(start.astype(np.float64), lower, upper)
    p = free.size
    damping = np.full(place.shape[0], 1e-3)
    done = np.zeros(place.shape[0], dtype=bool)
    lost = np.zeros(place.shape[0], dtype=bool)
    best = function(place)
    for _ in range(_MAX_ITERATIONS):
        active = np.flatnonzero(~done & ~lost)
        if active.size == 0:
            break
        if slopes is None:
            _, gradient, hessian = derivatives(function, place[active], free)
        else:
            _, gradient, hessian = slopes(place[active])
            gradient, hessian = gradient[:, free], hessian[:, free[:, None], free]
        known = np.isfinite(gradient).all(axis=1) & np.isfinite(hessian).all(axis=(1, 2))
        if not known.all():  # nobody can tell which way is up there: the row stays where it is, not converged
            lost[active[~known]] = True
            active, gradient, hessian = active[known], gradient[known], hessian[known]
            if active.size == 0:
                break
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
        better = reached >= best[active] - slack
        moved = active[better]
        place[moved], best[moved] = trial[better], reached[better]
        damping[active] = np.where(better, damping[active] * 0.1, np.minimum(damping[active] * 10.0 + 1e-3, 1e8))
        small = np.max(np.abs(gradient * step), axis=1) < max(1e-8, _CLOSE * slack)
        done[active] |= small | (damping[active] >= 1e8)
    return place, best, done
