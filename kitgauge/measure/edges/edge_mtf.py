"""From a fitted edge spread to the MTF along the edge normal, its standard error, and MTF50."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.edge_model import EdgeModel
from kitgauge.measure.edges.edge_noise import alike
from kitgauge.measure.edges.edge_pool import look_up
from kitgauge.measure.edges.edge_spread import EdgeSpread

Array = NDArray[np.float64]

FREQUENCIES_CY_PER_PX: Array = np.linspace(0.0, 1.0, 101)


def mtf_of(spread: EdgeSpread, frequency: Array) -> tuple[Array, Array]:
    """Return (mtf, standard error) at evenly spaced `frequency` [cy/px].

    The modulus of a noisy transform is too large by the noise across its phase; that variance is taken off the
    square (Rice distribution).
    """
    modulus, radial, tangential = _parts(spread, frequency)
    mtf = np.sqrt(np.maximum(modulus**2 - _variance(tangential, spread.covariance), 0.0))
    return mtf, np.sqrt(np.maximum(_variance(radial, spread.covariance), 0.0))


def _parts(spread: EdgeSpread, frequency: Array) -> tuple[Array, Array, Array]:
    """Return the modulus of the transform and the derivatives of it, and of what is across it, by the coefficients."""
    contrast = spread.contrast_dn
    response = (np.sinc(frequency * spread.pooling_px) * contrast)[:, None]
    parts = [part / response for part in spread.model.transform(frequency)]
    real, imaginary = (np.einsum("fc,c->f", part, spread.coefficients) for part in parts)
    # d(transform / C): the contrast is itself a fitted coefficient
    for part, value in zip(parts, (real, imaginary), strict=True):
        part[:, 1] -= value / contrast
    modulus = np.hypot(real, imaginary)
    cosine, sine = (part / np.maximum(modulus, 1e-12) for part in (real, imaginary))
    radial = parts[0] * cosine[:, None] + parts[1] * sine[:, None]
    return modulus, radial, parts[1] * cosine[:, None] - parts[0] * sine[:, None]


def alike_for(spread: EdgeSpread, mtf50_cy_per_px: float) -> float:
    """Return how much larger the variance of MTF50 is than independent samples would make it (see `alike`)."""
    _, radial, _ = _parts(spread, np.array([1.0, 1.01]) * mtf50_cy_per_px)
    grid, spreads = spread.model.spreads()
    d = np.arange(spread.d.min(), spread.d.max() + 0.25, 0.125)
    wanted = np.einsum("ij,j->i", spread.covariance, radial[0])
    influence = np.einsum("nc,c->n", spread.model.columns(d, grid, spreads), wanted)
    fitted = look_up(spread.grid, spread.curve, d)
    influence += float(spread.gradient_covariance @ radial[0]) * d * fitted
    share = (fitted - spread.dark_dn) / spread.contrast_dn
    influence /= spread.noise.variance(share, np.gradient(fitted, d))
    residual = spread.normalised - look_up(spread.grid, spread.curve, spread.d)
    # light along the edge and its course have taken some of the freedom
    return alike(residual * look_up(d, influence, spread.d), spread.along, spent=2)


def _variance(columns: Array, covariance: Array) -> Array:
    """Return diag(columns covariance columns'), in pieces small enough that BLAS starts no threads for them."""
    pieces = np.array_split(columns, max(1, columns.size * covariance.shape[0] // 100_000))
    return np.concatenate([np.sum((piece @ covariance) * piece, axis=1) for piece in pieces])


def mtf50_of(spread: EdgeSpread, mtf: Array, error: Array) -> tuple[float, float]:
    """Return (MTF50, standard error) [cy/px] of the first fall through one half; NaN where it lies beyond 1 cy/px.

    `mtf` and `error` as from `mtf_of` at FREQUENCIES_CY_PER_PX.
    """
    frequency = FREQUENCIES_CY_PER_PX
    while True:
        below = np.nonzero((mtf[:-1] >= 0.5) & (mtf[1:] < 0.5))[0]
        if below.size == 0:
            return math.nan, math.nan
        k = int(below[0])
        step = frequency[k + 1] - frequency[k]
        fall = (mtf[k] - mtf[k + 1]) / step
        if step < 1e-3:
            value = frequency[k] + (mtf[k] - 0.5) / fall
            return float(value), float(0.5 * (error[k] + error[k + 1]) / fall)
        frequency = np.linspace(frequency[k], frequency[k + 1], 13)
        mtf, error = mtf_of(spread, frequency)


def mtf50_near(
    spread: EdgeSpread, other: EdgeModel, variance_stderr_px2: float, mtf50_cy_per_px: float
) -> tuple[float, float]:
    """Return (MTF50, standard error) [cy/px] of an edge with the deviation of `spread` and another reference.

    `mtf50_cy_per_px` is that of `spread`; `variance_stderr_px2` the standard error of the other reference's blur.
    """
    frequency = np.linspace(0.25, 2.5, 46) * mtf50_cy_per_px
    parts = [np.einsum("fc,c->f", part, spread.coefficients) for part in spread.model.transform(frequency)]
    response = np.sinc(frequency * spread.pooling_px) * spread.contrast_dn
    real, imaginary = (part / response for part in parts)
    mine, theirs = (model.reference_mtf(frequency) for model in (spread.model, other))
    real = real + theirs[0] - mine[0]
    mtf = np.hypot(real, imaginary)
    below = np.nonzero((mtf[:-1] >= 0.5) & (mtf[1:] < 0.5))[0]
    if below.size == 0:
        return math.nan, math.nan
    k = int(below[0])
    fall = (mtf[k] - mtf[k + 1]) / (frequency[k + 1] - frequency[k])
    by_variance = float(abs(theirs[2][k] * real[k] / mtf[k]))
    return float(frequency[k] + (mtf[k] - 0.5) / fall), by_variance * variance_stderr_px2 / float(fall)
