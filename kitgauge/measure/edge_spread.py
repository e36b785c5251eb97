"""The edge spread of one tilted edge: samples projected on the edge normal and fitted by weighted least squares.

Why a fit and not bins and a Fourier transform of differences. A mosaic sample sees the edge spread function exactly at
the distance of its centre from the edge, so a curve through (distance, value) needs neither the correction for the
width of bins nor the one for a finite difference (ISO 12233 needs both), uneven filling of bins cannot bias it, and its
transform is known in closed form. A window that ends, or tapers, inside the 1/distance tail that any aperture leaves
reads MTF50 percents too high at small apertures; here the tail belongs to the model.

Model, d = distance along the normal [px], u = position along the edge:
    y = [D + C (R(d; q, s) + sum_k c_k B_k(d))] (1 + g d + h u + h2 u^2)
R: step through diffraction, pixel and normal blur (`edge_model`); B_k: splines around the edge. The splines' deviation
has a smooth normal prior whose size and smoothness the samples choose (largest marginal likelihood; Rasmussen and
Williams, Gaussian Processes for Machine Learning, ch. 5): with little noise the curve follows the samples, with much
noise it leans on R instead of fitting the noise. The standard errors include what the prior leaves open.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh

from kitgauge.measure.edge_model import FIXED_COLUMNS, EdgeModel, core_knots, spline_centres
from kitgauge.measure.edge_samples import EdgeSamples, rough_profile

Array = NDArray[np.float64]

POOLING_PX = 1.0 / 16.0  # samples are pooled this finely for the solution; the transform is corrected for it
_SHAPE_ITERATIONS = 10  # at most, for q, s and the edge's position, without deviation
_DEVIATION_ITERATIONS = 3
_OUTLIER_SIGMA = 6.0
_DEVIATION_SIZES = 10.0 ** np.linspace(-4.5, -0.5, 17)  # share of the contrast
_SMOOTHNESS_PER_RISE = (0.125, 0.25, 0.5)  # correlation length of the deviation over the 10-90 % distance
NO_DEVIATION = (0.0, 0.0)
_CUTOFF_RANGE_PX = (0.15, 12.0)
_CUTOFF_PRIOR_PX = (0.8, 2.0)  # mean and spread where the f-number or the pixel pitch is not known
_KNOWN_CUTOFF_SPREAD = 0.08  # marked f-numbers are off by a few per cent (common practice, no source)
_SMALLEST_VARIANCE_PX2 = 0.0025


@dataclass(frozen=True)
class EdgeSpread:
    """The fitted edge spread: `coefficients` [DN] of the model's columns and their covariance, and what came with it.

    `d` [px] and `normalised` [DN, light gradient taken out] are the samples. `offset_px` is where the half-level lies
    from the candidate's line along the normal, `slope` the tilt of the edge against that line, `sagitta_px` its bow.
    """

    model: EdgeModel
    coefficients: Array
    covariance: Array
    d: Array
    normalised: Array
    noise_dark_dn: float
    noise_bright_dn: float
    blur_px: float
    offset_px: float
    offset_stderr_px: float
    slope: float
    sagitta_px: float
    gradient_per_px: float
    largest_gap_px: float
    deviation: float  # size of the prior of the deviation from the reference, share of the contrast
    dropped: int

    @property
    def dark_dn(self) -> float:
        """Level of the dark side [DN]."""
        return float(self.coefficients[0])

    @property
    def contrast_dn(self) -> float:
        """Bright minus dark level [DN]."""
        return float(self.coefficients[1])


@dataclass(frozen=True)
class _Solution:
    model: EdgeModel
    coefficients: Array
    covariance: Array
    gradient: float
    half_px: float
    blur_px: float
    grid: Array
    spread: Array  # on the grid
    line: Array
    prior: tuple[float, float]  # size and smoothness of the deviation


def fit_edge_spread(
    samples: EdgeSamples,
    length_px: float,
    tilt_deg: float,
    patch_px: float = math.nan,
    patch_is_dark: bool = True,
    diffraction_px: float | None = None,
) -> EdgeSpread | None:
    """Fit the edge spread to the samples of one edge; None where no edge can be seen in them.

    `tilt_deg` is the edge's angle to the nearest axis. `diffraction_px` = wavelength x f-number / pixel pitch, where
    known, is a prior of 8 % for q: aberrations do not change the aperture's own share.
    """
    dark, bright, half, blur = rough_profile(samples)
    if not (math.isfinite(half) and math.isfinite(blur)):
        return None
    reach = float(min(-samples.v.min(), samples.v.max()))
    half_length = 0.5 * length_px
    u = samples.u / half_length
    legendre = np.stack([u, 1.5 * u * u - 0.5, 2.5 * u**3 - 1.5 * u], axis=1)
    shape, shape_used = np.zeros(3), np.zeros(3)
    offset, gradient, along, along2 = half, 0.0, 0.0, 0.0
    noise = 0.02 * (bright - dark), 0.02 * (bright - dark)
    roughness = 0.0  # of the printed edge, or of samples that are not all alike [px]
    keep = np.ones(u.size, dtype=bool)
    cutoff = diffraction_px or _CUTOFF_PRIOR_PX[0]
    model = EdgeModel(
        cutoff_px=min(max(cutoff, _CUTOFF_RANGE_PX[0]), _CUTOFF_RANGE_PX[1]),
        variance_px2=max((blur / 2.563) ** 2 - 1.0 / 12.0 - 0.1 * cutoff**2, 0.04),
        tilt=math.radians(tilt_deg),
        knots=np.empty(0),
        patch_px=patch_px,
        patch_sign=1.0 if patch_is_dark else -1.0,
    )
    solution: _Solution | None = None
    settled_at = _SHAPE_ITERATIONS  # from this iteration on the deviation is fitted too
    iteration = -1
    while iteration < settled_at + _DEVIATION_ITERATIONS - 1:
        iteration += 1
        bend = (shape[0] + shape[1] * 3.0 * u + shape[2] * (7.5 * u * u - 1.5)) / half_length
        d = (samples.v - offset - np.einsum("ni,i->n", legendre, shape)) / np.sqrt(1.0 + bend**2)
        value = samples.value / (1.0 + gradient * d + along * u + along2 * legendre[:, 1])
        if iteration < settled_at:
            prior: tuple[float, float] | None = NO_DEVIATION
        else:
            prior = solution.prior if solution is not None and iteration > settled_at + 1 else None
        jitter = None if solution is None or roughness == 0 else (solution.grid, (roughness * solution.line) ** 2)
        solution = _solve(d[keep], value[keep], model, blur, reach, noise, jitter, diffraction_px, prior)
        if solution is None:
            return None
        blur, shape_used = solution.blur_px, shape
        fitted = np.interp(d, solution.grid, solution.spread)
        line = np.interp(d, solution.grid, solution.line)
        residual = value - fitted
        contrast = float(solution.coefficients[1])
        share = np.clip((fitted - solution.coefficients[0]) / contrast, 0.0, 1.0)
        sigma = np.sqrt(noise[0] ** 2 + (noise[1] ** 2 - noise[0] ** 2) * share)
        if iteration > 0:
            # while the splines are left out, the misfit of the reference must not pass for outliers
            misfit = 0.25 * contrast if iteration <= settled_at else 0.2 * np.abs(line)
            keep = np.abs(residual) < _OUTLIER_SIGMA * sigma + misfit
        if iteration >= settled_at:
            excess = float(np.sum((residual**2 - sigma**2)[keep] * line[keep] ** 2)) / float(np.sum(line[keep] ** 4))
            roughness = math.sqrt(max(excess, 0.0))
        beside = keep & (np.abs(d) > min(1.5 + 1.2 * blur, 0.5 * reach))
        noise = _noise(residual[beside & (d < 0)], noise[0]), _noise(residual[beside & (d > 0)], noise[1])
        if iteration == settled_at + _DEVIATION_ITERATIONS - 1:
            break
        columns = np.column_stack([-line[:, None] * legendre, fitted * u, fitted * legendre[:, 1], -line])
        step = np.linalg.solve(*_normal_equations(columns, keep / sigma**2, residual))
        shape = shape + step[:3]
        along, along2 = along + step[3], along2 + step[4]
        gradient += solution.gradient
        # the reference alone is even about 0, so only the misfit tells where the edge lies; splines move the half-level
        shift = float(step[5]) if iteration < settled_at else solution.half_px
        offset += shift
        if iteration < settled_at:
            # afterwards the splines follow what q and s do not: moving q and s as well would chase them
            if iteration >= 2 and _same_shape(model, solution.model) and abs(shift) < 0.01:
                settled_at = iteration + 1
            model = solution.model
    assert solution is not None
    gaps = np.diff(np.sort(d[np.abs(d) < min(3.0, reach)]))
    return EdgeSpread(
        model=solution.model,
        coefficients=solution.coefficients,
        covariance=solution.covariance,
        d=d[keep],
        normalised=value[keep],
        noise_dark_dn=noise[0],
        noise_bright_dn=noise[1],
        blur_px=blur,
        offset_px=offset + solution.half_px,
        offset_stderr_px=float(1.0 / np.sqrt(np.sum((line / sigma)[keep] ** 2))),
        slope=float(shape_used[0] / half_length),
        sagitta_px=float(1.5 * abs(shape_used[1])),
        gradient_per_px=gradient,
        largest_gap_px=float(gaps.max()) if gaps.size else math.inf,
        deviation=solution.prior[0],
        dropped=int((~keep).sum()),
    )


def _same_shape(one: EdgeModel, other: EdgeModel) -> bool:
    """Tell whether two references differ by less than matters before the deviation is fitted."""
    return (
        abs(one.cutoff_px - other.cutoff_px) < 0.03 * one.cutoff_px + 0.01
        and abs(one.variance_px2 - other.variance_px2) < 0.02 * one.variance_px2 + 0.003
    )


def _noise(residual: Array, fallback: float) -> float:
    """Return the standard deviation of residuals after one pass of 4-sigma clipping."""
    if residual.size < 20:
        return fallback
    first = 1.4826 * float(np.median(np.abs(residual)))
    inside = residual[np.abs(residual) <= 4.0 * first] if first > 0 else residual
    # a floor of a hundredth of a DN keeps noise-free synthetic frames solvable
    return max(float(inside.std()), 0.01)


def _pool(d: Array, value: Array) -> tuple[Array, Array, Array]:
    """Return (mean distance, mean value, count) of samples in sixteenths of a pixel."""
    index = np.floor(d / POOLING_PX).astype(np.intp)
    index -= int(index.min())
    count = np.bincount(index)
    good = count > 0
    n = count[good].astype(np.float64)
    return np.bincount(index, d)[good] / n, np.bincount(index, value)[good] / n, n


def _solve(
    d: Array,
    value: Array,
    model: EdgeModel,
    blur: float,
    reach: float,
    noise: tuple[float, float],
    jitter: tuple[Array, Array] | None,
    diffraction_px: float | None,
    prior: tuple[float, float] | None,
) -> _Solution | None:
    """Solve for levels, shape, deviation and light gradient at a fixed edge position.

    `noise` [DN] of one sample on the dark and the bright side; `jitter` a further variance over distance.
    """
    core = min(10.0 + 3.0 * blur, reach)
    model = replace(model, knots=core_knots(core, blur))
    centre, mean, count = _pool(d, value)
    low, high = mean[centre < 0.6 * centre[0]], mean[centre > 0.6 * centre[-1]]
    if low.size == 0 or high.size == 0:
        return None
    dark, bright = float(np.median(low)), float(np.median(high))
    contrast = bright - dark
    if not contrast > 0:
        return None
    grid, spreads = model.spreads()
    design = model.columns(centre, grid, spreads)
    reference = dark + contrast * design[:, 1]
    variance = noise[0] ** 2 + (noise[1] ** 2 - noise[0] ** 2) * np.clip(design[:, 1], 0.0, 1.0)
    if jitter is not None:
        variance = variance + np.interp(centre, *jitter)
    weight = count / variance
    design[:, 2:] *= contrast
    design = np.column_stack([design, centre * reference])
    normal, right = _normal_equations(design, weight, mean)
    precision, target = _shape_prior(model, diffraction_px)
    normal[2, 2] += precision[0]
    normal[3, 3] += precision[1]
    right[2] += precision[0] * target
    fixed = np.r_[0:FIXED_COLUMNS, design.shape[1] - 1]
    splines = np.arange(FIXED_COLUMNS, design.shape[1] - 1)
    if prior is None:
        prior = _choose_prior(normal, right, fixed, splines, model.knots, blur)
    if prior == NO_DEVIATION:
        kept = np.r_[fixed]
        design, normal, right = design[:, kept], normal[np.ix_(kept, kept)], right[kept]
        model = replace(model, knots=np.empty(0))
    else:
        covariance = _deviation_covariance(model.knots, blur, prior[1])
        normal[np.ix_(splines, splines)] += np.linalg.solve(covariance, np.eye(splines.size)) / prior[0] ** 2
    system = normal
    scale = 1.0 / np.sqrt(np.diag(system))
    covariance = np.linalg.solve(system * scale[:, None] * scale[None, :], np.diag(scale)) * scale[:, None]
    covariance = 0.5 * (covariance + covariance.T)
    solution = np.einsum("ij,j->i", covariance, right)
    # in DN, as multiples of the fitted contrast's columns
    amount = np.ones(design.shape[1])
    amount[2:-1] = contrast
    coefficients = solution * amount
    covariance = covariance * amount[:, None] * amount[None, :]
    cutoff = float(np.clip(model.cutoff_px + np.clip(solution[2], -0.5, 0.5), *_CUTOFF_RANGE_PX))
    # half to double the variance in one step: farther out the straight line no longer tells
    most = max(0.2, model.variance_px2)
    blur_variance = model.variance_px2 + float(np.clip(solution[3], -0.5 * most, most))
    on_grid = np.abs(grid) <= reach + 2.0
    grid = grid[on_grid]
    spread = model.spread(grid, spreads[:, on_grid], coefficients[:-1])
    half, rise = _half_and_rise(grid, (spread - coefficients[0]) / coefficients[1], core)
    if not coefficients[1] > 0:
        return None
    if prior == NO_DEVIATION:
        model = replace(model, cutoff_px=cutoff, variance_px2=max(blur_variance, _SMALLEST_VARIANCE_PX2))
    return _Solution(
        model=model,
        coefficients=coefficients[:-1],
        covariance=covariance[:-1, :-1],
        gradient=float(coefficients[-1]),
        half_px=half if math.isfinite(half) else 0.0,
        blur_px=rise if rise > 0 else blur,
        grid=grid,
        spread=spread,
        line=np.gradient(spread, grid),
        prior=prior,
    )


def _normal_equations(design: Array, weight: Array, value: Array) -> tuple[Array, Array]:
    """Return (design' W design, design' W value), in blocks of rows small enough that BLAS starts no threads.

    Threads cost more than they save on systems this small, and stall when the machine is busy.
    """
    weighted = design * weight[:, None]
    rows = max(16, 200_000 // design.shape[1] ** 2)
    normal, right = np.zeros((design.shape[1], design.shape[1])), np.zeros(design.shape[1])
    for first in range(0, design.shape[0], rows):
        normal += weighted[first : first + rows].T @ design[first : first + rows]
        right += weighted[first : first + rows].T @ value[first : first + rows]
    return normal, right


def _shape_prior(model: EdgeModel, diffraction_px: float | None) -> tuple[tuple[float, float], float]:
    """Return (precisions of the steps in q and s, wanted step in q)."""
    if diffraction_px is not None:
        spread = _KNOWN_CUTOFF_SPREAD * diffraction_px
        return (1.0 / spread**2, 1e-4), diffraction_px - model.cutoff_px
    return (1.0 / _CUTOFF_PRIOR_PX[1] ** 2, 1e-4), _CUTOFF_PRIOR_PX[0] - model.cutoff_px


def _deviation_covariance(knots: Array, blur: float, smoothness: float) -> Array:
    """Return the prior covariance of the spline coefficients for a deviation of size 1: smooth, and dying out."""
    centre = spline_centres(knots)
    envelope = 1.0 / (1.0 + (centre / (2.0 * blur + 3.0)) ** 2)
    length = smoothness * max(blur, 1.0)
    kernel = np.exp(-0.5 * ((centre[:, None] - centre[None, :]) / length) ** 2)
    return kernel * envelope[:, None] * envelope[None, :] + 1e-4 * np.diag(envelope**2)


def _choose_prior(
    normal: Array, right: Array, fixed: NDArray[np.intp], splines: NDArray[np.intp], knots: Array, blur: float
) -> tuple[float, float]:
    """Return the size and smoothness of the deviation with the largest marginal likelihood."""
    between = normal[np.ix_(splines, fixed)]
    solved = np.linalg.solve(normal[np.ix_(fixed, fixed)], np.column_stack([between.T, right[fixed]]))
    rest = normal[np.ix_(splines, splines)] - between @ solved[:, :-1]
    pull = right[splines] - between @ solved[:, -1]
    best = (-math.inf, float(_DEVIATION_SIZES[0]), _SMOOTHNESS_PER_RISE[0])
    for smoothness in _SMOOTHNESS_PER_RISE:
        root = np.linalg.cholesky(_deviation_covariance(knots, blur, smoothness))
        values, vectors = eigh(root.T @ rest @ root)
        values = np.maximum(values, 0.0)
        power = (vectors.T @ (root.T @ pull)) ** 2
        square = _DEVIATION_SIZES[:, None] ** 2
        gain = 1.0 + square * values
        likelihood = 0.5 * np.sum(power * square / gain - np.log(gain), axis=1)
        k = int(np.argmax(likelihood))
        if likelihood[k] > best[0]:
            best = float(likelihood[k]), float(_DEVIATION_SIZES[k]), smoothness
    return best[1], best[2]


def _half_and_rise(grid: Array, share: Array, core: float) -> tuple[float, float]:
    """Return the position of the half-level and the 10-90 % distance, NaN where there is no such crossing."""
    inside = np.abs(grid) <= core
    at, share = grid[inside], share[inside]

    def crossing(level: float) -> float:
        above = np.flatnonzero((share[:-1] < level) & (share[1:] >= level))
        if above.size == 0:
            return math.nan
        k = int(above[np.argmin(np.abs(at[above]))])
        return float(at[k] + (level - share[k]) / (share[k + 1] - share[k]) * (at[k + 1] - at[k]))

    return crossing(0.5), crossing(0.9) - crossing(0.1)
