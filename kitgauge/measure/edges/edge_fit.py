"""One state of the fit of an edge: reference, deviation, and the edge spread that they make."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.edge_model import EdgeModel
from kitgauge.measure.edges.edge_pool import look_up

Array = NDArray[np.float64]


@dataclass(frozen=True)
class EdgeFit:
    """One state of the fit: reference and deviation, light across, and the spread [DN] and its slope on a grid."""

    model: EdgeModel
    coefficients: Array  # [DN]
    covariance: Array
    gradient_covariance: Array  # of the light across with the coefficients
    gradient: float
    shift_px: float  # of the edge against the distances fitted
    grid: Array
    curve: Array
    slope: Array
    half_px: float
    rise_px: float
    prior: tuple[float, float] | None = None

    @property
    def dark(self) -> float:
        """Level of the dark side [DN]."""
        return float(self.coefficients[0])

    @property
    def contrast(self) -> float:
        """Bright minus dark level [DN]."""
        return float(self.coefficients[1])

    def share(self, d: Array) -> Array:
        """Return the share of the contrast at `d`."""
        return (look_up(self.grid, self.curve, d) - self.dark) / self.contrast


def finished_fit(
    model: EdgeModel,
    coefficients: Array,
    covariance: Array,
    gradient_covariance: Array,
    gradient: float,
    shift: float,
    grid: Array,
    curve: Array,
    core: float,
    prior: tuple[float, float] | None = None,
) -> EdgeFit:
    """Return the fit with its curve's slope, half-level and rise."""
    half, rise = _half_and_rise(grid, (curve - coefficients[0]) / coefficients[1], core)
    slope = np.empty_like(curve)
    slope[1:-1] = (curve[2:] - curve[:-2]) / (2.0 * (grid[1] - grid[0]))
    slope[0] = slope[-1] = 0.0
    return EdgeFit(
        model=model,
        coefficients=coefficients,
        covariance=covariance,
        gradient_covariance=gradient_covariance,
        gradient=gradient,
        shift_px=shift,
        grid=grid,
        curve=curve,
        slope=slope,
        half_px=half if math.isfinite(half) else 0.0,
        rise_px=rise if rise > 0 else 1.0,
        prior=prior,
    )


def _half_and_rise(grid: Array, share: Array, core: float) -> tuple[float, float]:
    """Return the position of the half-level and the 10-90 % distance, NaN where there is no such crossing."""
    first, last = np.searchsorted(grid, (-core, core))
    at, share = grid[first:last], share[first:last]

    def crossing(level: float) -> float:
        above = np.flatnonzero((share[:-1] < level) & (share[1:] >= level))
        if above.size == 0:
            return math.nan
        k = int(above[np.argmin(np.abs(at[above]))])
        return float(at[k] + (level - share[k]) / (share[k + 1] - share[k]) * (at[k + 1] - at[k]))

    return crossing(0.5), crossing(0.9) - crossing(0.1)
