"""Limits of several sessions: what they share, and how much a person differs from day to day.

The limit of a session, in stops, is y = X beta + d + e: e with the standard error of that run's own fit, d the
scatter from day to day (rest, light, coffee) with an unknown standard deviation tau that no single run can tell.
tau^2 is found from the scatter of the sessions about the line (R. C. Paule and J. Mandel, J. Res. Natl. Bur. Stand. 87
(1982) 377), beta by weights 1 / (stderr^2 + tau^2). The covariance is scaled by the weighted mean square of the
residuals, and the quantiles are those of Student's t with n - p degrees of freedom, since tau is known from few
sessions only (G. Knapp and J. Hartung, Statistics in Medicine 22 (2003) 2693).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from scipy.optimize import brentq

from kitgauge.errors import FitError

Array = NDArray[np.float64]
_LARGEST_SCATTER_STOPS = 20.0
_POWER_95_80 = 2.8  # standard errors that an effect must have to be noticed at p < 0.05 in 80 of 100 tries


@dataclass(frozen=True)
class Effect:
    """One number of stops, or of stops per month, with its 95 % interval and two-sided p; NaN where not known.

    `noticeable` is the size that would have been noticed in 80 of 100 tries.
    """

    value: float
    stderr: float
    low: float
    high: float
    p: float
    noticeable: float


@dataclass(frozen=True)
class SessionsFit:
    """Coefficients beta (p,), their covariance (p, p), the scatter from day to day [stops], and n - p."""

    beta: Array
    covariance: Array
    scatter_stops: float
    degrees_of_freedom: int

    def effect(self, contrast: Sequence[float]) -> Effect:
        """Return contrast @ beta with its interval; `contrast` (p,)."""
        row = np.asarray(contrast, dtype=np.float64)
        value, variance = float(row @ self.beta), float(row @ self.covariance @ row)
        error = math.sqrt(max(variance, 0.0))
        freedom = self.degrees_of_freedom
        reach = float(stats.t.ppf(0.975, freedom)) * error
        p = float(2.0 * stats.t.sf(abs(value) / error, freedom)) if error > 0 else math.nan
        power = float(stats.t.ppf(0.975, freedom) + stats.t.ppf(0.8, freedom)) if freedom < 30 else _POWER_95_80
        return Effect(value, error, value - reach, value + reach, p, power * error)


def fit_sessions(
    stops: Sequence[float], stderr_stops: Sequence[float], design: Sequence[Sequence[float]]
) -> SessionsFit:
    """Fit the limits of n sessions, (n,) stops with standard errors (n,), by a design (n, p).

    Raises FitError where there are no more sessions than coefficients, where an error is not known, or where the
    sessions do not tell the coefficients apart.
    """
    y, error = np.asarray(stops, dtype=np.float64), np.asarray(stderr_stops, dtype=np.float64)
    matrix = np.asarray(design, dtype=np.float64).reshape(y.size, -1)
    freedom = y.size - matrix.shape[1]
    if freedom < 1 or np.linalg.matrix_rank(matrix) < matrix.shape[1]:
        raise FitError(
            "too few sessions to tell days apart",
            got=f"{y.size} session(s) for {matrix.shape[1]} number(s)",
            needed=f"at least {matrix.shape[1] + 1}, on several days",
            fix="shoot the protocol again on another day",
        )
    if not (np.all(np.isfinite(y)) and np.all(error > 0) and np.all(np.isfinite(error))):
        raise FitError(
            "a session has no limit with a standard error",
            got=", ".join(f"{a:.3g} ± {b:.3g}" for a, b in zip(y, error, strict=True)),
            needed="a limit within the measured shutter times, with an interval closed on both sides",
            fix="leave that session out, or add frames at the speeds that its report names",
        )

    def solved(scatter2: float) -> tuple[Array, Array, float]:
        weight = 1.0 / (error**2 + scatter2)
        inverse: Array = np.asarray(np.linalg.inv(matrix.T @ (weight[:, None] * matrix)), dtype=np.float64)
        beta = inverse @ (matrix.T @ (weight * y))
        return beta, inverse, float(np.sum(weight * (y - matrix @ beta) ** 2))

    scatter2 = 0.0
    if solved(0.0)[2] > freedom:
        scatter2 = float(brentq(lambda value: solved(value)[2] - freedom, 0.0, _LARGEST_SCATTER_STOPS**2))
    beta, inverse, chi_square = solved(scatter2)
    return SessionsFit(beta, inverse * (chi_square / freedom), math.sqrt(scatter2), freedom)
