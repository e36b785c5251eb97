"""Covariance of the camera's motion from variances along edge normals: sigma_n^2 = n^T C n."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_OUTLIER_SIGMA = 5.0
_DIRECTION_ERROR_DEG = 10.0  # an axis known no better than this is not given
_OBSERVED = 0.5  # C12 is seen where its error is under this share of what Cauchy-Schwarz allows anyway
_DOMINANT_SIGMA = 4.0  # without C12: the longer axis must be this clear, and the shorter one no clearer than the next
_ABSENT_SIGMA = 2.0
_NORMAL_ERROR_RAD = math.radians(0.1)  # how well the direction of an edge is known
# Tilts that differ by less than this (standard deviation) differ by measurement: taken as real, they would pull C12
# to 0 with false precision.
_LEAST_TILT_SPREAD_RAD = math.radians(0.3)


def in_axes(normal: tuple[float, float], axis: tuple[float, float]) -> tuple[float, float]:
    """Return `normal` in the axes turned so that x lies along `axis`."""
    return normal[0] * axis[0] + normal[1] * axis[1], normal[1] * axis[0] - normal[0] * axis[1]


Row = tuple[tuple[float, float], float, float]  # normal, variance, stderr
Solution = tuple[Array, Array, float]


def robust_covariance(rows: Sequence[Row], axes: int) -> tuple[list[Row], Solution]:
    """Solve for C, leaving out edges that disagree by more than `_OUTLIER_SIGMA` with the rest of their
    direction."""
    kept = []
    for axis in (0, 1):
        group = [row for row in rows if (0 if abs(row[0][0]) > abs(row[0][1]) else 1) == axis]
        if len(group) < 4:
            kept += group
            continue
        values = np.array([row[1] for row in group])
        errors = np.array([row[2] for row in group])
        middle = float(np.median(values))
        spread = 1.4826 * float(np.median(np.abs(values - middle)))
        kept += [
            row
            for row, value, error in zip(group, values, errors, strict=True)
            if abs(value - middle) <= _OUTLIER_SIGMA * max(spread, float(error))
        ]
    return kept, solve_covariance(kept, axes)


def solve_covariance(rows: Sequence[Row], axes: int) -> Solution:
    """Return C = (C11, C22, C12) in the edges' axes, its (3, 3) covariance and the reduced chi-square of the
    edges.

    Edges at right angles do not see C12 at all; it is held by |C12| <= sqrt(C11 C22) (Cauchy-Schwarz), taken
    as the standard deviation of a Gaussian prior around 0, so that small differences of tilt add what they
    can and no more. With edges in one direction only, the other variance is left at 0 with no error.
    """
    normal = np.array([row[0] for row in rows])
    value = np.array([row[1] for row in rows])
    error = np.array([row[2] for row in rows])
    design = np.stack([normal[:, 0] ** 2, normal[:, 1] ** 2, 2.0 * normal[:, 0] * normal[:, 1]], axis=1)
    along = [i for i in (0, 1) if np.any(design[:, i] > 0.5)]
    levels = [float(np.average(value[design[:, i] > 0.5], weights=error[design[:, i] > 0.5] ** -2.0)) for i in along]
    spreads = [float(np.sum(error[design[:, i] > 0.5] ** -2.0)) ** -0.5 for i in along]
    # what the variances may be within their errors: one that came out at or below 0 does not rule the covariance out
    widest = [max(level, 0.0) + spread for level, spread in zip(levels, spreads, strict=True)]
    limit = math.sqrt(widest[0] * widest[-1]) if axes == 2 else 0.0
    tilts = np.arctan2(normal[:, 1], normal[:, 0])
    tilts = np.arctan(np.tan(2.0 * tilts)) / 2.0  # from the nearest axis
    if float(np.std(tilts)) < _LEAST_TILT_SPREAD_RAD:
        design[:, 2] = 0.0
    else:
        error = np.hypot(error, 2.0 * limit * _NORMAL_ERROR_RAD)
    columns = [*along, 2] if limit > 0 else along
    matrix = design[:, columns] / error[:, None]
    information = matrix.T @ matrix
    if limit > 0:
        information[-1, -1] += 1.0 / limit**2
    small = np.linalg.inv(information)
    solved = small @ (matrix.T @ (value / error))
    residual = value / error - matrix @ solved
    freedom = len(rows) - len(along)
    chi2 = float(residual @ residual) / freedom if freedom > 0 else math.nan
    if freedom >= 3 and chi2 > 1.0:
        small = small * chi2  # edges scatter more than their noise: roll of the camera, or shape
    values, covariance = np.zeros(3), np.zeros((3, 3))
    values[columns] = solved
    covariance[np.ix_(columns, columns)] = small
    if limit == 0:
        covariance[2, 2] = math.inf
    return values, covariance, chi2


def principal_direction(values: Array, covariance: Array, tilt: float) -> tuple[Array, float, float]:
    """Return (C in x and y, direction of its principal axis and standard error [degrees]).

    The angle is (1/2) atan2(2 C12, C11 - C22), its error follows by propagation. Edges near two perpendicular
    directions do not see C12, and the motion's mirror image looks the same to them: then the angle is NaN, unless one
    axis is clear and the other's variance compatible with 0. The motion then lies near that axis, and what C12 may
    be within the error of the other variance is part of the error stated.
    """
    c11, c22, c12 = (float(v) for v in values)
    turn = np.array([[math.cos(tilt), -math.sin(tilt)], [math.sin(tilt), math.cos(tilt)]])
    turned = turn @ np.array([[c11, c12], [c12, c22]]) @ turn.T
    difference, twice = c11 - c22, 2.0 * c12
    size2 = difference**2 + twice**2
    errors = [math.sqrt(covariance[0, 0]), math.sqrt(covariance[1, 1])]
    allowed = math.sqrt((max(c11, 0.0) + errors[0]) * (max(c22, 0.0) + errors[1]))
    c12_error = math.sqrt(covariance[2, 2])
    if not c12_error < _OBSERVED * allowed:
        long, short = (0, 1) if c11 > c22 else (1, 0)
        one_axis = values[long] > _DOMINANT_SIGMA * errors[long] and values[short] < _ABSENT_SIGMA * errors[short]
        if not one_axis:
            return turned, math.nan, math.nan
        c12_error = allowed
    difference_variance = covariance[0, 0] + covariance[1, 1] - 2.0 * covariance[0, 1]
    variance = 0.25 * (twice**2 * difference_variance + difference**2 * 4.0 * c12_error**2) / max(size2, 1e-300) ** 2
    error = math.degrees(math.hypot(math.sqrt(variance), _NORMAL_ERROR_RAD)) if size2 > 0 else math.inf
    if not error < _DIRECTION_ERROR_DEG:
        return turned, math.nan, math.nan
    angle = 0.5 * math.atan2(twice, difference) + tilt
    return turned, math.degrees(angle) % 180.0, error
