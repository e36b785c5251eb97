"""Curves of MTF50 against f-number: the physical one, and a smooth one for an unknown pixel pitch.

Physical: MTF(nu) = diffraction(lambda N nu / pitch) x pixel sinc x exp(-2 pi^2 sigma^2 nu^2) with
sigma(N)^2 = floor^2 + (a (N / N0)^-p)^2, N0 the geometric mean of the measured f-numbers: what does not change with
the aperture (focus, sensor cover, vibration) and what stopping down takes away (aberrations). Third-order spherical
aberration falls with N^-3, defocus and field curvature with N^-1 (Born and Wolf, Principles of Optics, ch. 5, from
memory), so p carries a normal prior of 2 +- 1, which decides nothing where the points tell p. The wavelength is
that of the light as the sensor's green filter passes it, which nobody measures: it is a parameter too, with a prior of
3 % (common practice, no source). It also takes up a pitch that is slightly off.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import OptimizeResult, least_squares
from scipy.stats import chi2

from kitgauge.fit.result import FitResult
from kitgauge.fit.sharpness.sharpness_draws import walk
from kitgauge.measure.edges.diffraction import diffraction_px, system_mtf50

Array = NDArray[np.float64]

_POWER_PRIOR = (2.0, 1.0)
_WAVELENGTH_SPREAD = 0.03  # share of the wavelength
_WAVELENGTH_SCALES = (0.9, 1.0, 1.1)  # the model is tabulated here, and bounded to here
_MISFIT_PROBABILITY = 1e-3
_MISFIT_SIZE = 0.03
_ERROR_ALLOWANCE = 1.2  # errors of real frames may be a fifth too small (common practice, no source)
_LARGEST_SIGMA_PX = 50.0
_DRAWS = 600
_WALK_STEPS = 120
_LONG_WALK_STEPS = 720  # where few f-numbers leave a long narrow ridge


@dataclass(frozen=True)
class ApertureCurve:
    """A fitted curve with draws of it, all at `f_number` (grid, rising; within the measured range)."""

    result: FitResult
    f_number: Array  # (grid,)
    mtf50: Array  # (grid,) [cy/px]
    draws: Array  # (draw, grid) [cy/px], equally likely curves


@dataclass(frozen=True)
class _Table:
    """ln MTF50 at `sigma` (sigma,) as parabolas of the wavelength, x = 0 as expected and -1, 1 at the outer scales.

    `coefficients` (3, f-number x (sigma - 1)) are those of 1, x, x^2, `rises` by how much they rise to the next sigma.
    """

    sigma: Array
    coefficients: Array
    rises: Array


@lru_cache(maxsize=32)  # the regions of a run share their f-numbers
def _cached_table(f_numbers: tuple[float, ...], pitch_um: float, wavelength_um: float) -> _Table:
    sigma = np.concatenate([[0.0], np.geomspace(0.02, 1.5 * _LARGEST_SIGMA_PX, 160)])
    cutoff = diffraction_px(np.array(f_numbers), pitch_um, wavelength_um)
    scaled = np.array(_WAVELENGTH_SCALES)[:, None, None] * cutoff[:, None]
    short, middle, long = np.log(system_mtf50(scaled, sigma))  # each (f-number, sigma)
    # ln MTF50 is smooth enough in the wavelength for a parabola through three of them
    logs = np.stack([middle, 0.5 * (long - short), 0.5 * (long + short) - middle])
    return _Table(sigma, logs[..., :-1].reshape(3, -1), np.diff(logs).reshape(3, -1))


def _sigma_table(f_number: Array, pitch_um: float, wavelength_um: float) -> _Table:
    """Return the model's table so that the fit interpolates instead of solving."""
    return _cached_table(tuple(f_number.tolist()), pitch_um, wavelength_um)


def _log_mtf50(table: _Table, parameters: Array, relative: Array) -> Array:
    """Return (..., f-number) ln MTF50 for parameters (..., 4) = floor, a, p, wavelength scale, at N / N0."""
    grid = table.sigma
    sigma = _sigma(parameters, relative)
    k = grid[1:-1].searchsorted(sigma)
    low = grid.take(k)
    part = (sigma - low) / (grid.take(k + 1) - low)
    place = k + np.arange(relative.size) * (grid.size - 1)
    level, slope, bend = table.coefficients.take(place, axis=1) + table.rises.take(place, axis=1) * part
    x = (parameters[..., 3, None] - 1.0) / (_WAVELENGTH_SCALES[2] - 1.0)
    return np.asarray(level + x * (slope + x * bend))


def _sigma(parameters: Array, relative: Array) -> Array:
    """Return (..., f-number) sigma [px] for parameters (..., 3 or more) = floor, a, p at N / N0."""
    floor, a, p = (parameters[..., k, None] for k in range(3))
    return np.asarray(np.hypot(floor, a * relative**-p))


def wavelength_error(scale: Array) -> Array:
    """Return by how many standard errors the wavelength, as a share of the expected one, is off."""
    return np.asarray((scale - 1.0) / _WAVELENGTH_SPREAD)


def fit_physical(
    f_number: Array, mtf50: Array, stderr: Array, pitch_um: float, wavelength_um: float, grid: Array, seed: int
) -> ApertureCurve:
    """Fit the physical model to MTF50 [cy/px] with standard errors at three or more f-numbers.

    Errors of the parameters are widened by the root of the reduced chi-square where that exceeds 1 (and the result
    says so): the model is simpler than a lens. Draws are of the likelihood, not of its normal approximation:
    near zero blur it is far from normal.
    """
    reference = float(np.exp(np.mean(np.log(f_number))))
    relative = f_number / reference
    table = _sigma_table(f_number, pitch_um, wavelength_um)
    error = stderr / mtf50
    freedom = f_number.size - 3
    starts = [np.array([0.3, a, p, 1.0]) for p in (1.0, 3.0) for a in (0.1, 0.5)]
    best = _best(starts, table, relative, mtf50, error)
    chi_square = _chi_square(best.x, table, relative, mtf50, error)
    scale = max(1.0, chi_square / freedom) if freedom > 0 else 1.0
    if scale > 1.0:  # errors that were too small must not overrule the priors
        best = _best([best.x], table, relative, mtf50, error * math.sqrt(scale))
        chi_square = _chi_square(best.x, table, relative, mtf50, error)
    reduced = chi_square / freedom if freedom > 0 else math.nan
    names = ("floor_px", "aberration_px", "power", "wavelength_um")
    at_bound = tuple(name for name, value in zip(names[:2], best.x[:2], strict=True) if value < 1e-3)
    jacobian = np.asarray(best.jac, dtype=np.float64)
    information = jacobian.T @ jacobian
    covariance = np.asarray(np.linalg.pinv(information, rcond=1e-12, hermitian=True), dtype=np.float64)
    units = np.array([1.0, 1.0, 1.0, wavelength_um])
    covariance = covariance * np.outer(units, units)
    spread = np.sqrt(np.diag(covariance))
    stderr_out = np.where([name in at_bound for name in names], math.nan, spread)
    fit = FitResult(
        model="MTF50 = diffraction x pixel x normal blur, sigma^2 = floor^2 + (a (N / N0)^-p)^2",
        names=names,
        values=best.x * units,
        units=("px", "px", "", "um"),
        stderr=stderr_out,
        covariance=covariance,
        degrees_of_freedom=freedom,
        reduced_chi_square=reduced,
        points_used=int(f_number.size),
        converged=bool(best.success),
        at_bound=at_bound,
        message=str(best.message),
        errors_rescaled=scale > 1.0,
        evidence={"reference_f_number": reference, "wavelength_expected_um": wavelength_um, "pitch_um": pitch_um},
    )

    def log_likelihood(thetas: Array) -> Array:
        misfit = (np.log(mtf50) - _log_mtf50(table, thetas, relative)) / error
        power = (thetas[:, 2] - _POWER_PRIOR[0]) / _POWER_PRIOR[1]
        wavelength = (thetas[:, 3] - 1.0) / _WAVELENGTH_SPREAD
        return np.asarray(-0.5 * np.sum(misfit**2, axis=1) / scale - 0.5 * power**2 - 0.5 * wavelength**2)

    bounds = (
        np.array([-_LARGEST_SIGMA_PX, -_LARGEST_SIGMA_PX, 0.2, _WAVELENGTH_SCALES[0]]),
        np.array([_LARGEST_SIGMA_PX, _LARGEST_SIGMA_PX, 6.0, _WAVELENGTH_SCALES[2]]),
    )
    ridge = np.array([1.0, 1.0, 0.1, 1.0])  # directions the points say nothing about begin with a width of order one
    root = np.linalg.cholesky(np.linalg.inv(information + np.diag(ridge)))
    steps = _LONG_WALK_STEPS if freedom <= 1 else _WALK_STEPS
    thetas = walk(best.x, root, bounds, steps, np.random.default_rng(seed), log_likelihood)
    fine = _sigma_table(grid, pitch_um, wavelength_um)
    curve = np.exp(_log_mtf50(fine, best.x, grid / reference))
    draws = np.exp(_log_mtf50(fine, thetas, grid / reference))
    return ApertureCurve(result=fit, f_number=grid, mtf50=curve, draws=draws)


def _best(starts: Sequence[Array], table: _Table, relative: Array, mtf50: Array, error: Array) -> OptimizeResult:
    """Return the best parameters (floor, a, p, wavelength scale) from several starts."""

    def residual(theta: Array) -> Array:
        misfit = (np.log(mtf50) - _log_mtf50(table, theta, relative)) / error
        power = (theta[2] - _POWER_PRIOR[0]) / _POWER_PRIOR[1]
        return np.append(misfit, [power, (theta[3] - 1.0) / _WAVELENGTH_SPREAD])

    tried = [
        least_squares(
            residual,
            start,
            bounds=(
                [0.0, 0.0, 0.2, _WAVELENGTH_SCALES[0]],
                [_LARGEST_SIGMA_PX, _LARGEST_SIGMA_PX, 6.0, _WAVELENGTH_SCALES[2]],
            ),
            x_scale=[0.1, 0.1, 1.0, _WAVELENGTH_SPREAD],
            diff_step=np.full(4, 1e-4),
        )
        for start in starts
    ]
    return min(tried, key=lambda found: float(found.cost))


def _chi_square(theta: Array, table: _Table, relative: Array, mtf50: Array, error: Array) -> float:
    """Return the misfit of the points and of the wavelength in standard errors, squared and summed."""
    misfit = (np.log(mtf50) - _log_mtf50(table, theta, relative)) / error
    return float(misfit @ misfit + ((theta[3] - 1.0) / _WAVELENGTH_SPREAD) ** 2)


def physics_refuted(curve: ApertureCurve, f_number: Array, mtf50: Array, stderr: Array) -> bool:
    """Tell whether the points refute a curve of `fit_physical`.

    They do where they miss it by more than 3 % (root mean square) and noise, with errors a fifth larger than stated,
    does that in fewer than 1 of 1000 sweeps. Smaller misfits are what a model simpler than a lens leaves, and only
    widen its errors.
    """
    misfit = np.log(mtf50) - np.interp(np.log(f_number), np.log(curve.f_number), np.log(curve.mtf50))
    chi_square = float(np.sum((misfit * mtf50 / (stderr * _ERROR_ALLOWANCE)) ** 2))
    by_chance = float(chi2.sf(chi_square, max(f_number.size - 3, 1)))
    return bool(np.sqrt(np.mean(misfit**2)) > _MISFIT_SIZE and by_chance < _MISFIT_PROBABILITY)


def fit_smooth(f_number: Array, mtf50: Array, stderr: Array, grid: Array, seed: int) -> ApertureCurve:
    """Fit ln MTF50 as a polynomial of log2 N: a parabola, or a cubic where five or more points ask for it (AICc)."""
    x = np.log2(f_number)
    middle = float(x.mean())
    y, error = np.log(mtf50), stderr / mtf50
    best: tuple[float, int, Array, Array, float] | None = None
    evidence: dict[str, float] = {}
    for degree in (2, 3):
        if degree == 3 and f_number.size < 6:
            break
        design = np.vander(x - middle, degree + 1, increasing=True) / error[:, None]
        information = design.T @ design
        coefficients = np.asarray(np.linalg.solve(information, design.T @ (y / error)), dtype=np.float64)
        misfit = y / error - design @ coefficients
        chi_square = float(misfit @ misfit)
        count, k = f_number.size, degree + 1
        penalty = 2.0 * k + (2.0 * k * (k + 1) / (count - k - 1) if count > k + 1 else 0.0)
        evidence[f"aicc_degree_{degree}"] = chi_square + penalty
        if best is None or chi_square + penalty < best[0]:
            inverse = np.asarray(np.linalg.inv(information), dtype=np.float64)
            best = chi_square + penalty, degree, coefficients, inverse, chi_square
    assert best is not None
    _, degree, chosen, covariance, chi_square = best
    freedom = f_number.size - degree - 1
    reduced = chi_square / freedom if freedom > 0 else math.nan
    scale = max(1.0, reduced) if freedom > 0 else 1.0
    covariance = covariance * scale
    names = tuple(f"log_mtf50_c{k}" for k in range(degree + 1))
    fit = FitResult(
        model="ln MTF50 = polynomial of log2(N / N0)",
        names=names,
        values=chosen,
        units=("",) * (degree + 1),
        stderr=np.sqrt(np.diag(covariance)),
        covariance=covariance,
        degrees_of_freedom=freedom,
        reduced_chi_square=reduced,
        points_used=int(f_number.size),
        errors_rescaled=scale > 1.0,
        evidence={**evidence, "reference_f_number": 2.0**middle},
    )
    rng = np.random.default_rng(seed)
    thetas = rng.multivariate_normal(chosen, covariance, size=_DRAWS)
    columns = np.vander(np.log2(grid) - middle, degree + 1, increasing=True)
    return ApertureCurve(fit, grid, np.exp(columns @ chosen), np.exp(thetas @ columns.T))
