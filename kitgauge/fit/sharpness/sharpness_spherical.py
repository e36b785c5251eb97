"""The curve of MTF50 against f-number of a lens whose best focus moves: spherical aberration and defocus, and blur.

The model of `sharpness_wavefront` with sigma(N)^2 = floor^2 + (a N0 / N)^2, N0 the lowest f-number: four parameters and
the wavelength. Blur that only fades, as in `sharpness_model`, is simpler and is preferred unless the points ask for
this one: by Akaike's criterion for known errors, taken a fifth larger than stated or as large as this model's own
misfit makes them (Akaike 1974, IEEE Trans. Autom. Control 19, 716; Burnham and Anderson 2002, Model Selection and
Multimodel Inference, ch. 2). Where neither is sure, draws are of both, each by its Akaike weight.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.optimize import OptimizeResult, least_squares

from kitgauge.fit.result import FitResult
from kitgauge.fit.sharpness.sharpness_draws import walk
from kitgauge.fit.sharpness.sharpness_model import ApertureCurve, wavelength_error
from kitgauge.fit.sharpness.sharpness_wavefront import (
    LARGEST_SIGMA_PX,
    LARGEST_WAVES,
    WAVELENGTH_SCALES,
    spherical_mtf50,
    spherical_table,
)
from kitgauge.measure.edges.diffraction import diffraction_px

Array = NDArray[np.float64]

MODEL = "MTF50 = diffraction with W20 (N0 / N)^2, W40 (N0 / N)^4 x pixel x normal blur"
_NAMES = ("floor_px", "aberration_px", "defocus_waves", "spherical_waves", "wavelength_um")
_UNITS = ("px", "px", "waves", "waves", "um")
_PARAMETERS = 4
_LARGEST_BLUR_PX = LARGEST_SIGMA_PX / math.sqrt(2.0)  # of each of two that add up
_WAVES_SPREAD = 1.5  # a weak prior of zero: without it a few points leave large waves that cancel
_WALK_STEPS = 360
_PER_STOP = 8
_STARTS = 3
_LEAST_MISFIT = 1.5  # reduced chi-square of the simpler model from which this one is tried
_IS_BLUR = np.array([True, True, False, False, False])  # its sign means nothing: a walk may pass through zero
_LEAST_WEIGHT = 0.01
_FEWEST_F_NUMBERS = 5
_FARTHEST_FOCUS, _FOCUS_STEPS = 1.2, 33  # of W20 + W40 [waves], where the best focus is looked for
_ERROR_ALLOWANCE = 1.2  # errors of real frames may be a fifth too small (common practice, no source)
_AKAIKE_COST = 4.0  # two parameters more; the power of the simpler model is held by its prior


@dataclass(frozen=True)
class Spherical:
    """The fit at the measured f-numbers: parameters (floor, a, W20 + W40, W40, wavelength scale) and draws of them."""

    best: Array
    thetas: Array  # (draw, 5)
    chi_square: float
    scale: float
    converged: bool
    message: str
    lowest: float
    cutoff_px: float  # at f/1


def _sigma(theta: Array, stopped: Array) -> Array:
    return np.asarray(np.hypot(theta[..., 0, None], theta[..., 1, None] / stopped))


def _wavefront(theta: Array, stopped: Array) -> tuple[Array, Array]:
    """Return (..., f-number) W20 + W40 and W40 of the pupil that is left."""
    waves = theta[..., 3, None] / stopped**4
    return np.asarray((theta[..., 2, None] - theta[..., 3, None]) / stopped**2 + waves), np.asarray(waves)


def _log_tabulated(theta: Array, f_number: Array, cutoff_px: float) -> Array:
    """Return (..., f-number) ln MTF50 by the tables of the f-numbers."""
    stopped = f_number / f_number[0]
    sigma = _sigma(theta, stopped)
    offset, waves = _wavefront(theta, stopped)
    columns = [
        spherical_table(round(cutoff_px * float(n), 12), round(float(n / f_number[0]), 12)).log_mtf50(
            np.atleast_1d(sigma[..., k]),
            np.atleast_1d(offset[..., k]),
            np.atleast_1d(waves[..., k]),
            np.atleast_1d(theta[..., 4]),
        )
        for k, n in enumerate(f_number)
    ]
    return np.stack(columns, axis=-1).reshape(sigma.shape)


def fit_spherical(
    f_number: Array,
    mtf50: Array,
    stderr: Array,
    pitch_um: float,
    wavelength_um: float,
    seed: int,
    walk_steps: int = _WALK_STEPS,
) -> Spherical:
    """Fit the model to MTF50 [cy/px] with standard errors at five or more f-numbers that rise."""
    cutoff = float(diffraction_px(1.0, pitch_um, wavelength_um))
    log, error = np.log(mtf50), stderr / mtf50
    freedom = f_number.size - _PARAMETERS
    limit = np.array([_LARGEST_BLUR_PX, _LARGEST_BLUR_PX, LARGEST_WAVES, LARGEST_WAVES, WAVELENGTH_SCALES[1]])
    bounds = np.where([False, False, False, True, True], [0.0, 0.0, 0.0, 0.0, WAVELENGTH_SCALES[0]], -limit), limit

    def prior(theta: Array) -> Array:
        return np.stack(
            [theta[..., 2] / _WAVES_SPREAD, theta[..., 3] / _WAVES_SPREAD, wavelength_error(theta[..., 4])], axis=-1
        )

    def solve(start: Array, factor: float) -> OptimizeResult:
        def residual(theta: Array) -> Array:
            return np.append((log - _log_tabulated(theta, f_number, cutoff)) / (error * factor), prior(theta))

        return least_squares(
            residual,
            start,
            bounds=(np.where(_IS_BLUR, 0.0, bounds[0]), bounds[1]),
            x_scale=[0.1, 0.1, 0.2, 0.2, 0.03],
            diff_step=np.full(5, 1e-4),
            max_nfev=40,
        )

    mesh = np.meshgrid(0.15, [0.05, 0.3, 0.8], np.linspace(-1.5, 1.5, 9), [0.1, 0.4, 0.8, 1.5, 2.5], 1.0)
    starts = np.stack([axis.ravel() for axis in mesh], axis=-1)
    misfits = np.sum(((log - _log_tabulated(starts, f_number, cutoff)) / error) ** 2, axis=1)
    nearest = starts[np.argsort(misfits + np.sum(prior(starts) ** 2, axis=1))[:_STARTS]]
    best = min((solve(start, 1.0) for start in nearest), key=lambda found: float(found.cost))

    def chi_square_of(theta: Array) -> float:
        misfit = (log - _log_tabulated(theta, f_number, cutoff)) / error
        return float(misfit @ misfit + wavelength_error(theta[4]) ** 2)

    chi_square = chi_square_of(best.x)
    scale = max(1.0, chi_square / freedom) if freedom > 0 else 1.0
    if scale > 1.0:  # errors that were too small must not overrule the priors
        best = solve(best.x, math.sqrt(scale))
        chi_square = chi_square_of(best.x)
    jacobian = np.asarray(best.jac, dtype=np.float64)
    information = jacobian.T @ jacobian

    def log_likelihood(thetas: Array) -> Array:
        positive = np.where(_IS_BLUR, np.abs(thetas), thetas)
        misfit = (log - _log_tabulated(positive, f_number, cutoff)) / error
        return np.asarray(-0.5 * np.sum(misfit**2, axis=1) / scale - 0.5 * np.sum(prior(thetas) ** 2, axis=1))

    root = np.linalg.cholesky(np.linalg.inv(information + np.diag([1.0, 1.0, 0.1, 0.1, 1.0])))
    thetas = walk(best.x, root, bounds, walk_steps, np.random.default_rng(seed), log_likelihood)
    thetas[:, :2] = np.abs(thetas[:, :2])
    return Spherical(
        best.x, thetas, chi_square, scale, bool(best.success), str(best.message), float(f_number[0]), cutoff
    )


def curves_of(fit: Spherical, thetas: Array, f_number: Array) -> Array:
    """Return (..., f-number) MTF50 [cy/px] of parameters (..., 5)."""
    stopped = f_number / fit.lowest
    offset, waves = _wavefront(thetas, stopped)
    cutoff = fit.cutoff_px * f_number * thetas[..., 4, None]
    return spherical_mtf50(cutoff, _sigma(thetas, stopped), offset, waves)


def followed(
    simple: ApertureCurve,
    f_number: Array,
    mtf50: Array,
    stderr: Array,
    pitch_um: float,
    wavelength_um: float,
    seed: int,
) -> tuple[ApertureCurve, Spherical | None]:
    """Return the curve that follows the points, and the fit with a wavefront where that is it.

    `simple` is the fit of blur that fades; it is returned as it is where the points do not ask for more. Five f-numbers
    are needed.
    """
    freedom = f_number.size - 3
    if f_number.size < _FEWEST_F_NUMBERS or simple.result.reduced_chi_square < _LEAST_MISFIT:
        return simple, None
    fit = fit_spherical(f_number, mtf50, stderr, pitch_um, wavelength_um, seed)
    unit = max(_ERROR_ALLOWANCE**2, fit.scale)
    gain = (simple.result.reduced_chi_square * freedom - fit.chi_square) / unit - _AKAIKE_COST
    weight = 1.0 / (1.0 + math.exp(-0.5 * min(max(gain, -100.0), 100.0)))
    if weight < _LEAST_WEIGHT:
        return simple, None
    grid = simple.f_number
    count = max(int(2.0 * math.log2(grid[-1] / grid[0]) * _PER_STOP), 8) + 1
    coarse = np.geomspace(grid[0], grid[-1], count)
    rows = np.log(curves_of(fit, np.vstack([fit.best, fit.thetas]), coarse))
    fine = np.exp(CubicSpline(np.log(coarse), rows, axis=1)(np.log(grid)))
    own = round(weight * len(fine[1:]))
    rng = np.random.default_rng(seed)
    picked = rng.permutation(len(fine) - 1)[:own] + 1
    others = rng.permutation(len(simple.draws))[: len(simple.draws) - own]
    draws = np.vstack([fine[picked], simple.draws[others]])
    evidence = {"akaike_weight": weight, "reduced_chi_square_without": simple.result.reduced_chi_square}
    if weight < 0.5:
        result = replace(simple.result, evidence={**simple.result.evidence, "akaike_weight_of_focus_shift": weight})
        return replace(simple, result=result, draws=draws), None
    return ApertureCurve(_result(fit, f_number, wavelength_um, pitch_um, evidence), grid, fine[0], draws), fit


def refocused(fit: Spherical, thetas: Array, f_number: Array) -> Array:
    """Return (..., f-number) MTF50 [cy/px] that the best focus at each f-number would give."""
    stopped = f_number / fit.lowest
    _, waves = _wavefront(thetas, stopped)
    cutoff = fit.cutoff_px * f_number * thetas[..., 4, None]
    offsets = np.linspace(-_FARTHEST_FOCUS, _FARTHEST_FOCUS, _FOCUS_STEPS)
    sigma = _sigma(thetas, stopped)
    values = spherical_mtf50(cutoff[..., None], sigma[..., None], offsets, waves[..., None])
    return np.asarray(values.max(axis=-1))


def _result(
    fit: Spherical, f_number: Array, wavelength_um: float, pitch_um: float, evidence: dict[str, float]
) -> FitResult:
    units = np.array([1.0, 1.0, 1.0, 1.0, wavelength_um])
    turn = np.eye(5)
    turn[2, 3] = -1.0  # W20 of W20 + W40
    turn = units[:, None] * turn
    covariance = np.cov(fit.thetas.T)
    covariance = turn @ covariance @ turn.T
    at_bound = tuple(name for name, value in zip(_NAMES[:2], fit.best[:2], strict=True) if value < 1e-3)
    freedom = f_number.size - _PARAMETERS
    return FitResult(
        model=MODEL,
        names=_NAMES,
        values=turn @ fit.best,
        units=_UNITS,
        stderr=np.where([name in at_bound for name in _NAMES], math.nan, np.sqrt(np.diag(covariance))),
        covariance=covariance,
        degrees_of_freedom=freedom,
        reduced_chi_square=fit.chi_square / freedom if freedom > 0 else math.nan,
        points_used=int(f_number.size),
        converged=fit.converged,
        at_bound=at_bound,
        message=fit.message,
        errors_rescaled=fit.scale > 1.0,
        evidence={
            "reference_f_number": fit.lowest,
            "wavelength_expected_um": wavelength_um,
            "pitch_um": pitch_um,
            **evidence,
        },
    )
