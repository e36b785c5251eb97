"""Curves of MTF50 against f-number: the physical one, and a smooth one for an unknown pixel pitch.

Physical: MTF(nu) = diffraction(lambda N nu / pitch) x pixel sinc x exp(-2 pi^2 sigma^2 nu^2) with
sigma(N)^2 = floor^2 + (a (N / N0)^-p)^2, N0 the geometric mean of the measured f-numbers: what does not change with
the aperture (focus, sensor cover, vibration) and what stopping down takes away (aberrations). Third-order spherical
aberration falls with N^-3, defocus and field curvature with N^-1 (Born and Wolf, Principles of Optics, ch. 5, from
memory), so p carries a normal prior of 2 +- 1, which decides nothing where the points tell p.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from kitgauge.fit.result import FitResult
from kitgauge.measure.diffraction import diffraction_px, system_mtf50

Array = NDArray[np.float64]

_POWER_PRIOR = (2.0, 1.0)
_LARGEST_SIGMA_PX = 50.0
_DRAWS = 600
_WALKERS = 60
_WALK_STEPS = 100


@dataclass(frozen=True)
class ApertureCurve:
    """A fitted curve with draws of it, all at `f_number` (grid, rising; within the measured range)."""

    result: FitResult
    f_number: Array  # (grid,)
    mtf50: Array  # (grid,) [cy/px]
    draws: Array  # (draw, grid) [cy/px], equally likely curves


@lru_cache(maxsize=32)  # the regions of a run share their f-numbers
def _cached_table(f_numbers: tuple[float, ...], pitch_um: float, wavelength_um: float) -> tuple[Array, Array]:
    sigma = np.concatenate([[0.0], np.geomspace(0.02, 1.5 * _LARGEST_SIGMA_PX, 160)])
    cutoff = diffraction_px(np.array(f_numbers), pitch_um, wavelength_um)
    return sigma, system_mtf50(cutoff[:, None], sigma[None, :])


def _sigma_table(f_number: Array, pitch_um: float, wavelength_um: float) -> tuple[Array, Array]:
    """Return (sigma grid, MTF50 (f-number, sigma)) so that the fit interpolates instead of solving."""
    return _cached_table(tuple(f_number.tolist()), pitch_um, wavelength_um)


def _interpolated(table: tuple[Array, Array], sigma: Array) -> Array:
    """Return (..., f-number) MTF50 for sigma (..., f-number)."""
    grid, values = table
    out = np.empty(sigma.shape)
    for k in range(values.shape[0]):
        out[..., k] = np.interp(sigma[..., k], grid, values[k])
    return out


def _sigma(parameters: Array, relative: Array) -> Array:
    """Return (..., f-number) sigma [px] for parameters (..., 3) = floor, a, p at N / N0."""
    floor, a, p = (parameters[..., k, None] for k in range(3))
    return np.asarray(np.hypot(floor, a * relative**-p))


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

    def residual(theta: Array) -> Array:
        model = _interpolated(table, _sigma(theta, relative))
        misfit = (np.log(mtf50) - np.log(model)) / error
        return np.append(misfit, (theta[2] - _POWER_PRIOR[0]) / _POWER_PRIOR[1])

    best = None
    for p in (1.0, 3.0):
        for a in (0.1, 0.5):
            tried = least_squares(
                residual,
                np.array([0.3, a, p]),
                bounds=([0.0, 0.0, 0.2], [_LARGEST_SIGMA_PX, _LARGEST_SIGMA_PX, 6.0]),
                x_scale=[0.1, 0.1, 1.0],
                diff_step=np.full(3, 1e-4),
            )
            if best is None or tried.cost < best.cost:
                best = tried
    assert best is not None
    misfit = best.fun[:-1]
    freedom = f_number.size - 3
    chi_square = float(misfit @ misfit)
    reduced = chi_square / freedom if freedom > 0 else math.nan
    scale = max(1.0, reduced) if freedom > 0 else 1.0
    names = ("floor_px", "aberration_px", "power")
    at_bound = tuple(name for name, value in zip(names[:2], best.x[:2], strict=True) if value < 1e-3)
    jacobian = np.asarray(best.jac, dtype=np.float64)
    information = jacobian.T @ jacobian
    covariance = np.asarray(np.linalg.pinv(information, rcond=1e-12) * scale, dtype=np.float64)
    spread = np.sqrt(np.diag(covariance))
    stderr_out = np.where([name in at_bound for name in names], math.nan, spread)
    fit = FitResult(
        model="MTF50 = diffraction x pixel x normal blur, sigma^2 = floor^2 + (a (N / N0)^-p)^2",
        names=names,
        values=best.x,
        units=("px", "px", ""),
        stderr=stderr_out,
        covariance=covariance,
        degrees_of_freedom=freedom,
        reduced_chi_square=reduced,
        points_used=int(f_number.size),
        converged=bool(best.success),
        at_bound=at_bound,
        message=str(best.message),
        errors_rescaled=scale > 1.0,
        evidence={"reference_f_number": reference, "wavelength_um": wavelength_um, "pitch_um": pitch_um},
    )

    def log_likelihood(thetas: Array) -> Array:
        model = _interpolated(table, _sigma(thetas, relative))
        misfit = (np.log(mtf50) - np.log(model)) / error
        prior = (thetas[:, 2] - _POWER_PRIOR[0]) / _POWER_PRIOR[1]
        return np.asarray(-0.5 * np.sum(misfit**2, axis=1) / scale - 0.5 * prior**2)

    thetas = _draws(best.x, information / scale, np.random.default_rng(seed), log_likelihood)
    fine = _sigma_table(grid, pitch_um, wavelength_um)
    curve = _interpolated(fine, _sigma(best.x, grid / reference))
    draws = _interpolated(fine, _sigma(thetas, grid / reference))
    return ApertureCurve(result=fit, f_number=grid, mtf50=curve, draws=draws)


def _draws(
    best: Array, information: Array, rng: np.random.Generator, log_likelihood: Callable[[Array], Array]
) -> Array:
    """Return (draw, 3) parameters of the likelihood by random walks from its peak (Metropolis and others 1953)."""
    ridge = np.diag([1.0, 1.0, 0.1])  # directions the points say nothing about are walked in steps of order one
    root = np.linalg.cholesky(np.linalg.inv(information + ridge))
    theta = np.tile(best, (_WALKERS, 1))
    value = log_likelihood(theta)
    kept: list[Array] = []
    for step in range(_WALK_STEPS):
        trial = theta + 1.4 * rng.standard_normal(theta.shape) @ root.T
        trial[:, :2] = np.abs(trial[:, :2])  # the walk reflects at zero blur
        allowed = (trial[:, 2] >= 0.2) & (trial[:, 2] <= 6.0) & (trial[:, :2].max(axis=1) < _LARGEST_SIGMA_PX)
        trial = np.where(allowed[:, None], trial, theta)
        new = log_likelihood(trial)
        moves = allowed & (np.log(rng.uniform(size=_WALKERS)) < new - value)
        theta, value = np.where(moves[:, None], trial, theta), np.where(moves, new, value)
        if step >= _WALK_STEPS // 2 and step % 5 == 0:
            kept.append(theta)
    return np.concatenate(kept)


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
