"""From a fitted edge spread to the MTF along the edge normal, its standard error, and MTF50."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edge_spread import POOLING_PX, EdgeSpread

Array = NDArray[np.float64]

FREQUENCIES_CY_PER_PX: Array = np.linspace(0.0, 1.0, 101)


def mtf_of(spread: EdgeSpread, frequency: Array) -> tuple[Array, Array]:
    """Return (mtf, standard error) at `frequency` [cy/px].

    The modulus of a noisy transform is too large by the noise across its phase; that variance is taken off the
    square (Rice distribution).
    """
    matrix = spread.model.transform(frequency) / np.sinc(frequency * POOLING_PX)[:, None]
    transform = matrix @ spread.coefficients / spread.contrast_dn
    # d(transform / C): the contrast is itself a fitted coefficient
    jacobian = matrix / spread.contrast_dn
    jacobian[:, 1] -= transform / spread.contrast_dn
    modulus = np.abs(transform)
    turned = jacobian * (np.conj(transform) / np.maximum(modulus, 1e-12))[:, None]
    along = np.sum((turned.real @ spread.covariance) * turned.real, axis=1)
    across = np.sum((turned.imag @ spread.covariance) * turned.imag, axis=1)
    mtf = np.sqrt(np.maximum(modulus**2 - across, 0.0))
    return mtf, np.sqrt(np.maximum(along, 0.0))


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
