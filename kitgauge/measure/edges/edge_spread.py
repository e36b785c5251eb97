"""The edge spread of one tilted edge: samples projected on the edge normal and fitted by weighted least squares.

Why a fit and not bins and a Fourier transform of differences. A mosaic sample sees the edge spread function exactly at
the distance of its centre from the edge, so a curve through (distance, value) needs neither the correction for the
width of bins nor the one for a finite difference (ISO 12233 needs both), uneven filling of bins cannot bias it, and its
transform is known in closed form. A window that ends, or tapers, inside the 1/distance tail that any aperture leaves
reads MTF50 percents too high at small apertures; here the tail belongs to the model.

Model, d = distance along the normal [px], u = position along the edge:
    y = [D + C (R(d; q, s) + sum_k c_k B_k(d))] (1 + g d + h u + h2 u^2)
R: step through diffraction, pixel and normal blur (`edge_model`); B_k: splines around the edge, with a prior
(`edge_deviation`). The standard errors include what the prior leaves open.

Order of work: the course of the edge comes from pieces of it, then from the few samples that see the rise
(`edge_line`); all else is solved on means in fine bins, each at the mean distance of its samples (`edge_pool`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.edge_deviation import choose_prior
from kitgauge.measure.edges.edge_fit import EdgeFit, finished_fit
from kitgauge.measure.edges.edge_knots import knots_for, prior_precision
from kitgauge.measure.edges.edge_line import EdgeLine, first_line, legendre, light_along, sums_of_products
from kitgauge.measure.edges.edge_model import FIXED_COLUMNS, EdgeModel
from kitgauge.measure.edges.edge_noise import EdgeNoise, alike, first_scatter, judge_samples, raggedness_px
from kitgauge.measure.edges.edge_pool import Pool, look_up, pool_samples
from kitgauge.measure.edges.edge_samples import EdgeSamples, rough_profile

Array = NDArray[np.float64]

_SHAPE_ITERATIONS = 12  # at most, for q, s and the edge's position, without deviation
_DEVIATION_ITERATIONS = 5  # at most; two but for spreads far from the reference
_CUTOFF_RANGE_PX = (0.15, 12.0)
_CUTOFF_PRIOR_PX = (0.8, 2.0)  # mean and spread where the f-number or the pixel pitch is not known
_KNOWN_CUTOFF_SPREAD = 0.08  # marked f-numbers are off by a few per cent (common practice, no source)
_SMALLEST_VARIANCE_PX2 = 0.0025


@dataclass(frozen=True)
class EdgeSpread:
    """The fitted edge spread: `coefficients` [DN] of the model's columns and their covariance, and what came with it.

    `gradient_covariance` is that of the light gradient across with the coefficients. `d` [px], `along` (-1 to 1) and
    `normalised` [DN, light gradient taken out] are the samples; `grid` [px] and `curve` [DN] the fitted spread; the
    half-level is at 0. `line` is the edge's course, `light` the brightness along it (P1, P2).
    """

    model: EdgeModel
    coefficients: Array
    covariance: Array
    gradient_covariance: Array
    pooling_px: float
    d: Array
    along: Array
    normalised: Array
    grid: Array
    curve: Array
    noise: EdgeNoise
    blur_px: float
    line: EdgeLine
    light: tuple[float, float]
    offset_stderr_px: float
    unsteady: float  # variance of places of the edge over that of independent samples (`edge_noise.alike`)
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

    @property
    def offset_px(self) -> float:
        """Place of the half-level along the candidate's normal [px]."""
        return self.line.offset_px

    @property
    def slope(self) -> float:
        """Tilt against the candidate's line [radian, small]."""
        return float(self.line.shape[0] / self.line.half_length_px)

    @property
    def sagitta_px(self) -> float:
        """Bow of the edge [px]."""
        return float(1.5 * abs(self.line.shape[1]))


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
    u, v = samples.u, samples.v
    dark, bright, half, blur = rough_profile(v, samples.value)
    if not (math.isfinite(half) and math.isfinite(blur)):
        return None
    reach = float(min(-v.min(), v.max()))
    beside = min(1.5 + 1.2 * blur, 0.5 * reach)
    light = light_along(samples, 0.5 * length_px, half, beside, dark, bright)
    along = u / (0.5 * length_px)
    value = samples.value / (1.0 + light[0] * along + light[1] * (1.5 * along * along - 0.5))
    line = first_line(u, v, value, length_px, (dark, bright), half, blur)
    d = line.distance(u, v)
    # the course is known now: a bowed edge no longer passes for a blurred one
    dark, bright, half, blur = rough_profile(d, value)
    if not (math.isfinite(half) and math.isfinite(blur)):
        return None
    noise = EdgeNoise(first_scatter(value[d < half - beside], dark), first_scatter(value[d > half + beside], bright))
    cutoff = min(max(diffraction_px or _CUTOFF_PRIOR_PX[0], _CUTOFF_RANGE_PX[0]), _CUTOFF_RANGE_PX[1])
    model = EdgeModel(
        cutoff_px=cutoff,
        variance_px2=max((blur / 2.563) ** 2 - 1.0 / 6.0 - 0.1 * cutoff**2, 0.04),
        tilt=math.radians(tilt_deg),
        patch_px=patch_px,
        patch_sign=1.0 if patch_is_dark else -1.0,
    )
    keep = np.ones(d.size, dtype=bool)
    fit = _fit_shape(pool_samples(d, value, blur), model, (half, dark, bright), reach, noise, diffraction_px)
    for _ in range(_DEVIATION_ITERATIONS):
        if fit is None:
            return None
        before = fit
        line, d = _follow(line, samples, value, keep, d, fit, noise)
        noise, keep = judge_samples(value, d, fit, reach, noise)
        pool = pool_samples(d[keep], value[keep], fit.rise_px)
        noise = replace(noise, ragged_px=raggedness_px(pool, fit, noise))
        fit = _fit_deviation(pool, fit, reach, noise, diffraction_px)
        if fit is not None and before.prior is not None and _same_shape(before.model, fit.model):
            break
    if fit is None:
        return None
    near = np.flatnonzero(keep & (np.abs(d) < 1.5 + 1.5 * fit.rise_px))
    slope = look_up(fit.grid, fit.slope, d[near])
    sigma = np.sqrt(noise.variance(fit.share(d[near]), slope))
    residual = value[near] / (1.0 + fit.gradient * d[near]) - look_up(fit.grid, fit.curve, d[near])
    # a cubic has been fitted to the course of the edge
    unsteady = alike(residual * slope / sigma**2, along[near], spent=4)
    gaps = np.diff(np.sort(d[np.abs(d) < min(3.0, reach)]))
    d = d[keep] - fit.half_px
    return EdgeSpread(
        model=fit.model,
        coefficients=fit.coefficients,
        covariance=fit.covariance,
        gradient_covariance=fit.gradient_covariance,
        pooling_px=pool.width_px,
        d=d,
        along=along[keep],
        normalised=value[keep] / (1.0 + fit.gradient * d),
        grid=fit.grid - fit.half_px,
        curve=fit.curve,
        noise=noise,
        blur_px=fit.rise_px,
        line=line.moved(fit.half_px),
        light=light,
        offset_stderr_px=math.sqrt(unsteady / float(np.sum((slope / sigma) ** 2))),
        unsteady=unsteady,
        gradient_per_px=fit.gradient,
        largest_gap_px=float(gaps.max()) if gaps.size else math.inf,
        deviation=fit.prior[0] if fit.prior else 0.0,
        dropped=int((~keep).sum()),
    )


def _fit_shape(
    pool: Pool,
    model: EdgeModel,
    start: tuple[float, float, float],
    reach: float,
    noise: EdgeNoise,
    diffraction_px: float | None,
) -> EdgeFit | None:
    """Fit levels, light across, place, and the reference's q and s, without deviation, by Gauss-Newton steps.

    `start` is (place of the half-level [px], dark, bright level [DN]).
    """
    shift, dark, bright = start
    contrast, gradient = bright - dark, 0.0
    for _ in range(_SHAPE_ITERATIONS):
        x = pool.centre - shift
        y = pool.mean / (1.0 + gradient * x)
        grid, spreads = model.spreads()
        columns = np.empty((7, x.size))
        columns[:4] = model.columns(x, grid, spreads).T
        share = columns[1]
        slope = (look_up(grid, spreads[0], x + 0.05) - look_up(grid, spreads[0], x - 0.05)) * (10.0 * contrast)
        columns[2:4] *= contrast
        columns[4] = x * (dark + contrast * share)
        columns[5] = -slope
        columns[6] = y
        columns *= np.sqrt(pool.count / noise.variance(share, slope))
        products = sums_of_products(columns)
        normal, right = products[:6, :6], products[:6, 6]
        _add_shape_prior(normal, right, model, diffraction_px)
        values, covariance = _solved(normal, right)
        dark, contrast = float(values[0]), float(values[1])
        if not contrast > 0:
            return None
        step = min(max(float(values[5]), -1.0), 1.0)
        shift += step
        gradient += float(values[4])
        before, model = model, _moved(model, values[2:4])
        if _same_shape(before, model) and abs(step) < 0.01:
            break
    grid, spreads = _within(model, reach)
    coefficients = np.array([dark, contrast, 0.0, 0.0])
    curve = model.spread(grid, spreads, coefficients)
    return finished_fit(model, coefficients, covariance[:4, :4], covariance[4, :4], gradient, shift, grid, curve, reach)


def _moved(model: EdgeModel, step: Array) -> EdgeModel:
    """Return the model with its q and s moved by `step`, or by as much of it as the straight line can tell."""
    cutoff = min(max(model.cutoff_px + min(max(float(step[0]), -1.0), 1.0), _CUTOFF_RANGE_PX[0]), _CUTOFF_RANGE_PX[1])
    most = max(0.2, model.variance_px2)
    variance = model.variance_px2 + min(max(float(step[1]), -0.5 * most), most)
    return replace(model, cutoff_px=cutoff, variance_px2=max(variance, _SMALLEST_VARIANCE_PX2))


def _within(model: EdgeModel, reach: float) -> tuple[Array, Array]:
    """Return the model's grid and spreads out to a little more than `reach` [px]."""
    grid, spreads = model.spreads()
    first, last = np.searchsorted(grid, (-reach - 2.0, reach + 2.0))
    return grid[first:last], spreads[:, first:last]


def _same_shape(one: EdgeModel, other: EdgeModel) -> bool:
    """Tell whether two references differ by less than matters before the deviation is fitted."""
    return (
        abs(one.cutoff_px - other.cutoff_px) < 0.03 * one.cutoff_px + 0.01
        and abs(one.variance_px2 - other.variance_px2) < 0.02 * one.variance_px2 + 0.003
    )


def _follow(
    line: EdgeLine,
    samples: EdgeSamples,
    value: Array,
    keep: NDArray[np.bool_],
    d: Array,
    fit: EdgeFit,
    noise: EdgeNoise,
) -> tuple[EdgeLine, Array]:
    """Return the line moved to where the samples that see the rise want it, and the distances of all samples from it.

    One step along the slope of the fitted spread; `d` are the distances from `line` as it was.
    """
    line = line.moved(fit.shift_px)
    core = np.flatnonzero(keep & (np.abs(d - fit.shift_px) < 1.5 + fit.rise_px))
    u, v = samples.u[core], samples.v[core]
    at = line.distance(u, v)
    fitted, slope = look_up(fit.grid, fit.curve, at), look_up(fit.grid, fit.slope, at)
    columns = np.empty((5, core.size))
    columns[0] = 1.0
    columns[1:4] = legendre(u / line.half_length_px)
    columns[:4] *= -slope
    columns[4] = value[core] / (1.0 + fit.gradient * at) - fitted
    columns /= np.sqrt(noise.variance((fitted - fit.dark) / fit.contrast, slope))
    products = sums_of_products(columns)
    step = np.linalg.solve(products[:4, :4] + 1e-9 * np.diag(np.diag(products)[:4]), products[:4, 4])
    line = line.moved(float(step[0]), step[1:])
    return line, line.distance(samples.u, samples.v)


def _fit_deviation(
    pool: Pool, fit: EdgeFit, reach: float, noise: EdgeNoise, diffraction_px: float | None
) -> EdgeFit | None:
    """Solve for levels, shape, deviation and light across at a fixed course of the edge.

    The size and smoothness of the deviation are those of `fit` if it has any and its q and s stay, else the samples
    choose them.
    """
    blur = fit.rise_px
    steep = min(fit.contrast / float(fit.slope.max()), _steepness(pool, fit.contrast, blur))
    knots = knots_for(blur, steep, reach)
    model = _moved(fit.model, fit.coefficients[2:4] / fit.contrast)
    prior = fit.prior if _same_shape(fit.model, model) else None
    model = replace(fit.model if prior else model, knots=knots)
    x = pool.centre
    y = pool.mean / (1.0 + fit.gradient * x)
    grid, spreads = _within(model, reach)
    columns = model.columns(x, grid, spreads).T
    share = columns[1].copy()
    columns[2:] *= fit.contrast
    fixed = FIXED_COLUMNS + 1
    columns = np.concatenate(
        [columns[:FIXED_COLUMNS], (x * (fit.dark + fit.contrast * share))[None], columns[FIXED_COLUMNS:], y[None]]
    )
    columns *= np.sqrt(pool.count / (noise.variance(share, look_up(fit.grid, fit.slope, x))))
    products = sums_of_products(columns)
    normal, right = products[:-1, :-1], products[:-1, -1]
    _add_shape_prior(normal, right, model, diffraction_px)
    prior = prior or choose_prior(normal, right, fixed, knots)
    normal[fixed:, fixed:] += prior_precision(knots, prior[1]) / prior[0] ** 2
    values, covariance = _solved(normal, right)
    # in DN, as multiples of the contrast's columns
    amount = np.full(values.size, fit.contrast)
    amount[[0, 1, FIXED_COLUMNS]] = 1.0
    values, covariance = values * amount, covariance * amount[:, None] * amount[None, :]
    kept = np.r_[0:FIXED_COLUMNS, fixed : values.size]
    if not values[1] > 0:
        return None
    coefficients = values[kept]
    return finished_fit(
        model, coefficients, covariance[np.ix_(kept, kept)],
        covariance[FIXED_COLUMNS, kept], fit.gradient + float(values[FIXED_COLUMNS]), 0.0,
        grid, model.spread(grid, spreads, coefficients), knots.core_px, prior,
    )  # fmt: skip


def _steepness(pool: Pool, contrast: float, blur: float) -> float:
    """Return contrast over the steepest slope between means in bins of a quarter of the 10-90 % distance [px]."""
    width = max(0.5, 0.25 * blur)
    near = np.abs(pool.centre) < 1.0 + blur
    index = np.floor(pool.centre[near] / width).astype(np.intp)
    index -= int(index.min())
    count = np.maximum(np.bincount(index, pool.count[near]), 1e-9)
    mean = np.bincount(index, (pool.mean * pool.count)[near]) / count
    return contrast * width / max(float(np.diff(mean).max()), 1e-3 * contrast)


def _add_shape_prior(normal: Array, right: Array, model: EdgeModel, diffraction_px: float | None) -> None:
    """Add what is known of q (column 2), and next to nothing of s (column 3), to normal equations in their steps."""
    mean, spread = _CUTOFF_PRIOR_PX
    if diffraction_px is not None:
        mean, spread = diffraction_px, _KNOWN_CUTOFF_SPREAD * diffraction_px
    normal[2, 2] += 1.0 / spread**2
    right[2] += (mean - model.cutoff_px) / spread**2
    normal[3, 3] += 1e-4


def _solved(normal: Array, right: Array) -> tuple[Array, Array]:
    """Return (solution, inverse) of normal equations, scaled for the sake of their digits."""
    scale = 1.0 / np.sqrt(np.diag(normal))
    inverse = np.linalg.inv(normal * scale[:, None] * scale[None, :]) * scale[:, None] * scale[None, :]
    inverse = 0.5 * (inverse + inverse.T)
    return inverse @ right, inverse
