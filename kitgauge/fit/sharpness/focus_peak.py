"""Where along the focus one set of edges is sharpest, from frames at stepped focus.

Model: at focus position z the blur disc has the diameter k |z - z0| (geometry of the cone of light), diffraction and
disc act together as in wave optics (`measure.defocus`), and every edge has its own blur sigma in focus. In units of
squared blur that is sigma^2 + (k (z - z0) / 4)^2 while it is small: the variance of a disc of diameter c is c^2 / 16.
z0, k and the sigmas are fitted by least squares to ln MTF50.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.stats import t as student_t

from kitgauge.measure.edges.defocus import LARGEST_DISC_PX, LARGEST_SIGMA_PX, DefocusTable

Array = NDArray[np.float64]

FEWEST_POSITIONS = 5
_FRAME_ERROR = 0.004  # of MTF50: what frames differ by without any focusing (sampling phase; own simulations)
_SOFTEST = 0.3  # of the sharpest: softer frames say little about the peak, and lenses leave the model there
_SEEN_FALL = 0.05  # of ln MTF50 by which both ends must fall for a peak between them


@dataclass(frozen=True)
class EdgeSeries:
    """MTF50 of one edge through the focus: positions [steps], ln MTF50, its standard error; all (frame,)."""

    position: Array
    log_mtf50: Array
    error: Array


@dataclass(frozen=True)
class FocusPeak:
    """The peak: `best` position with its error and 95 % interval, in steps; `disc_px_per_step` = k with its error.

    `mtf50_cy_per_px` is that in focus (geometric mean of the edges). `bracketed` is False where the edges are sharpest
    at an end of the positions: then only that end is known, and errors are NaN.
    """

    best: float
    stderr: float
    ci: tuple[float, float]
    disc_px_per_step: float
    disc_px_per_step_stderr: float
    mtf50_cy_per_px: float
    mtf50_stderr: float
    edges: int
    points: int
    degrees_of_freedom: int
    reduced_chi_square: float
    bracketed: bool


def fit_peak(series: Sequence[EdgeSeries], table: DefocusTable) -> FocusPeak | None:
    """Fit one peak to the edges of a region; None where they show fewer than five positions.

    Errors are widened by the root of the reduced chi-square where that exceeds 1: steps are never quite equal, and no
    lens is this simple. The interval uses Student's t.
    """
    kept = [found for item in series if (found := _near_peak(item)) is not None]
    positions = np.unique(np.concatenate([item.position for item in kept])) if kept else np.empty(0)
    if positions.size < FEWEST_POSITIONS:
        return None
    count = sum(item.position.size for item in kept)
    mean = np.array([np.mean([np.interp(z, item.position, item.log_mtf50) for item in kept]) for z in positions])
    top = int(np.argmax(mean))
    falls = min(mean[top] - mean[0], mean[top] - mean[-1])
    bracketed = 0 < top < positions.size - 1 and falls > _SEEN_FALL
    if not bracketed:
        nan = math.nan
        value = float(np.exp(mean[top]))
        return FocusPeak(
            float(positions[top]), nan, (nan, nan), nan, nan, value, nan, len(kept), count, 0, nan, bracketed=False
        )
    sigmas = np.array([float(table.sigma_of(float(item.log_mtf50.max()))) for item in kept])
    starts = [
        np.concatenate([[positions[top] + shift, math.log(k)], np.maximum(sigmas, 0.05)])
        for shift in (-0.5, 0.5)
        for k in _scales(kept, positions[top], sigmas, table)
    ]
    weights = [1.0 / np.hypot(item.error, _FRAME_ERROR) for item in kept]

    def residual(theta: Array) -> Array:
        parts = [
            (item.log_mtf50 - table.log_mtf50(theta[2 + i], math.exp(theta[1]) * (item.position - theta[0])))
            * weights[i]
            for i, item in enumerate(kept)
        ]
        return np.concatenate(parts)

    span = float(positions[-1] - positions[0])
    low = [positions[0], math.log(1e-3 / span), *[0.0] * len(kept)]
    high = [positions[-1], math.log(LARGEST_DISC_PX), *[LARGEST_SIGMA_PX] * len(kept)]
    start = min((np.clip(start, low, high) for start in starts), key=lambda theta: float(np.sum(residual(theta) ** 2)))
    best = least_squares(residual, start, bounds=(low, high), x_scale="jac")
    jacobian = np.asarray(best.jac, dtype=np.float64)
    freedom = count - best.x.size
    reduced = 2.0 * float(best.cost) / freedom if freedom > 0 else math.nan
    scale = math.sqrt(max(1.0, reduced)) if freedom > 0 else 1.0
    errors = scale * np.sqrt(np.diag(np.linalg.pinv(jacobian.T @ jacobian, rcond=1e-12, hermitian=True)))
    z0, stderr = float(best.x[0]), float(errors[0])
    reach = float(student_t.ppf(0.975, max(freedom, 1))) * stderr
    k = math.exp(float(best.x[1]))
    peaks = table.log_mtf50(best.x[2:], 0.0)
    slope = (table.log_mtf50(best.x[2:] + 1e-3, 0.0) - peaks) / 1e-3
    value = math.exp(float(peaks.mean()))
    return FocusPeak(
        best=z0,
        stderr=stderr,
        ci=(z0 - reach, z0 + reach),
        disc_px_per_step=k,
        disc_px_per_step_stderr=k * float(errors[1]),
        mtf50_cy_per_px=value,
        mtf50_stderr=value * float(np.sqrt(np.sum((slope * errors[2:]) ** 2))) / len(kept),
        edges=len(kept),
        points=count,
        degrees_of_freedom=freedom,
        reduced_chi_square=reduced,
        bracketed=True,
    )


def _near_peak(series: EdgeSeries) -> EdgeSeries | None:
    """Return the frames about the peak, None where fewer than four of the edge are left."""
    known = np.isfinite(series.log_mtf50) & np.isfinite(series.error)
    if not known.any():
        return None
    top = float(series.log_mtf50[known].max())
    near = known & (series.log_mtf50 > top + math.log(_SOFTEST))
    if near.sum() < FEWEST_POSITIONS - 1:
        return None
    return EdgeSeries(series.position[near], series.log_mtf50[near], series.error[near])


def _scales(series: Sequence[EdgeSeries], top: float, sigmas: Array, table: DefocusTable) -> list[float]:
    """Return first guesses of the blur disc per step, from how far the ends of each edge have fallen."""
    guesses = []
    discs = np.geomspace(0.05, LARGEST_DISC_PX, 200)
    for item, sigma in zip(series, sigmas, strict=True):
        far = int(np.argmax(np.abs(item.position - top)))
        fall = float(item.log_mtf50.max() - item.log_mtf50[far])
        losses = table.log_mtf50(sigma, 0.0) - table.log_mtf50(sigma, discs)
        guesses.append(float(np.interp(fall, losses, discs)) / max(abs(float(item.position[far]) - top), 0.5))
    middle = float(np.median(guesses))
    return [0.7 * middle, middle, 1.4 * middle]
