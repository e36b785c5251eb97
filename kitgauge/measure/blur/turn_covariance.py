"""Translation and rotation of a flat target during the exposure, told apart by what the edges in several places see.

A point r of the target, counted from its middle, is displaced by p(t) + q(t) J r, with p the translation of the
middle, q the turn about the viewing axis (small) and J the quarter turn (x, y) -> (-y, x). Its displacement has the
covariance

    C(r) = C_pp + c_pq (J r)^T + (J r) c_pq^T + V_q (J r)(J r)^T.

An edge sees n^T C n along its normal n. Points along it lie at r0 + s e, where n^T J (r0 + s e) = n^T J r0 +- s: its
mean variance is n^T C(r0) n + V_q l^2 / 12, with l its length (variance of a place drawn evenly along it). The
variances of all edges are linear in the six numbers C_pp, c_pq and V_q; they follow by weighted least squares. What
edges hardly see (C12 of edges at right angles; c_pq of squares in one row) is held by Cauchy-Schwarz, taken as the
standard deviation of a Gaussian around 0. The same holds for a camera that rolls about the lens axis in front of a
still target.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_SEEN_SIGMA = 3.0  # a turn is told where its variance is above this many standard errors
_KNOWN = 0.5  # V_q is seen where its error is under this share of what the edges' variances allow anyway
_OUTLIER_SIGMA = 6.0
_ROUNDS = 3


@dataclass(frozen=True)
class EdgeVariance:
    """What one edge saw: its middle [px], unit normal, length [px], variance along the normal and its error [px^2]."""

    x_px: float
    y_px: float
    normal_x: float
    normal_y: float
    length_px: float
    variance_px2: float
    stderr_px2: float


@dataclass(frozen=True)
class TurnCovariance:
    """Translation and turn of the target in one frame.

    `streak_px` is that of the mean variance over the edges' middles (what the target shows as a whole),
    `translation_px` that of the target's middle alone; `turn_rad` = sqrt(12 V_q), the angle of an even turn of the same
    variance: over the exposure time it is the mean rotation rate. Each has a standard error; where the turn is not told
    from none it is NaN, and under `turn_bound_rad` in 97 % of cases and more. `translation_px2` is the variance that
    `translation_px` is the root of, negative by noise at times, `translation_axes` its parts (C11, C22,
    C12) with their (3, 3) covariance. All NaN where the edges cannot tell them
    apart.
    """

    trace_px2: float
    trace_px2_stderr: float
    streak_px: float
    streak_px_stderr: float
    translation_px: float
    translation_px_stderr: float
    turn_rad: float
    turn_rad_stderr: float
    turn_bound_rad: float
    turn_variance_rad2: float
    turn_variance_rad2_stderr: float
    reduced_chi_square: float
    translation_px2: float = math.nan
    translation_px2_stderr: float = math.nan
    translation_axes: tuple[Array, Array] | None = None

    @property
    def turned(self) -> bool:
        """Tell whether the target clearly turned in the frame during the exposure."""
        return math.isfinite(self.turn_rad)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {name: value for name, value in vars(self).items() if name != "translation_axes"}


UNKNOWN = TurnCovariance(*(math.nan,) * 12)


def turn_covariance(edges: Sequence[EdgeVariance], origin: tuple[float, float] | None = None) -> TurnCovariance:
    """Return translation and turn from the variances of the edges of one frame; `UNKNOWN` where they do not tell.

    `translation_px` is that of `origin` (x, y) [px], the middle of the edges where it is not given.

    At least seven edges in two directions, spread over more than two squares, are needed: the four edges of a single
    square see a turn as they see any round blur, and those of two as a translation across the line between them.
    """
    if len(edges) < 7:
        return UNKNOWN
    table = np.array([list(vars(edge).values()) for edge in edges], dtype=np.float64)
    table = table[np.all(np.isfinite(table), axis=1) & (table[:, 6] > 0)]
    if len(table) < 7 or not _two_directions(table[:, 2:4]):
        return UNKNOWN
    middle_of_edges = table[:, :2].mean(axis=0)
    reach = math.sqrt(float(np.mean(np.sum((table[:, :2] - middle_of_edges) ** 2, axis=1))))
    place = table[:, :2] - (middle_of_edges if origin is None else np.array(origin))
    design = _design(place / reach, table[:, 2:4], table[:, 4] / reach)
    value, error = table[:, 5], table[:, 6]
    # what any of the numbers can be, with the turn counted in pixels at the target's typical reach
    most = max(float(np.average(np.maximum(value, 0.0))), 0.0) + float(np.median(error))
    weight = np.ones_like(value)
    for _ in range(_ROUNDS):
        solved, covariance, chi2 = _solve(design, value, error, weight, most)
        residual = np.abs(value - design @ solved) / error
        scale = max(1.0, 1.4826 * float(np.median(residual)))
        weight = (residual <= _OUTLIER_SIGMA * scale).astype(np.float64)
    if not math.sqrt(covariance[5, 5]) < _KNOWN * most:
        return UNKNOWN
    mean = _trace_over(place / reach)
    trace, trace_error = float(mean @ solved), math.sqrt(float(mean @ covariance @ mean))
    middle = np.array([1.0, 1.0, 0.0, 0.0, 0.0, 0.0])
    own, own_error = float(middle @ solved), math.sqrt(float(middle @ covariance @ middle))
    turn, turn_error = float(solved[5]) / reach**2, math.sqrt(covariance[5, 5]) / reach**2
    seen = turn > _SEEN_SIGMA * turn_error
    return TurnCovariance(
        trace,
        trace_error,
        *_streak(trace, trace_error),
        *_streak(own, own_error),
        *(_streak(turn, turn_error) if seen else (math.nan, math.nan)),
        turn_bound_rad=math.nan if seen else math.sqrt(12.0 * (max(turn, 0.0) + 2.0 * turn_error)),
        turn_variance_rad2=turn,
        turn_variance_rad2_stderr=turn_error,
        reduced_chi_square=chi2,
        translation_px2=own,
        translation_px2_stderr=own_error,
        translation_axes=(solved[:3], covariance[:3, :3]),
    )


def _two_directions(normals: Array) -> bool:
    tensor = normals.T @ normals / len(normals)
    return bool(np.linalg.eigvalsh(tensor)[0] > 0.05)


def _design(place: Array, normal: Array, length: Array) -> Array:
    """Return the rows of the linear model (edge, 6): C11, C22, C12, c1, c2, V, with places in units of the reach."""
    n1, n2 = normal.T
    turned = -n1 * place[:, 1] + n2 * place[:, 0]  # n . J r
    return np.stack(
        [n1**2, n2**2, 2.0 * n1 * n2, 2.0 * n1 * turned, 2.0 * n2 * turned, turned**2 + length**2 / 12.0], axis=1
    )


def _trace_over(place: Array) -> Array:
    """Return the mean over places of trace C(r) as a row of the model."""
    mean_x, mean_y = place.mean(axis=0)
    square = float(np.mean(np.sum(place**2, axis=1)))
    return np.array([1.0, 1.0, 0.0, -2.0 * mean_y, 2.0 * mean_x, square])


def _solve(design: Array, value: Array, error: Array, weight: Array, most: float) -> tuple[Array, Array, float]:
    """Return the six numbers, their covariance, widened where the edges scatter by more than noise, and chi-square."""
    matrix = design * (np.sqrt(weight) / error)[:, None]
    information = matrix.T @ matrix + np.diag([0.0, 0.0, 1.0, 1.0, 1.0, 0.0]) / most**2 + 1e-6 * np.eye(6) / most**2
    covariance = np.linalg.inv(information)
    solved = covariance @ (matrix.T @ (value * np.sqrt(weight) / error))
    freedom = int(weight.sum()) - 6
    residual = (value - design @ solved) * np.sqrt(weight) / error
    chi2 = float(residual @ residual) / freedom if freedom > 0 else math.nan
    if chi2 > 1.0:
        covariance = covariance * chi2
    return solved, np.asarray(covariance, dtype=np.float64), chi2


def _streak(variance: float, error: float) -> tuple[float, float]:
    """Return sqrt(12 variance) and its error, d L = 6 dV / L; NaN where the variance is not above twice its error."""
    if not variance > 2.0 * error:
        return math.nan, math.nan
    streak = math.sqrt(12.0 * variance)
    return streak, 6.0 * error / streak
