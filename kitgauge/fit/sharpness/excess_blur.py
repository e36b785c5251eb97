"""The blur that diffraction and pixel leave unexplained, from MTF50.

At nu = MTF50 the model diffraction x pixel x exp(-2 pi^2 v nu^2) is one half, so that
v = ln(2 diffraction(cutoff nu) sinc(nu)) / (2 pi^2 nu^2), in closed form. v [px^2] is negative where an edge is sharper
than diffraction and pixel allow.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kitgauge.measure.edges.diffraction import diffraction_mtf, system_mtf50

Array = NDArray[np.float64]

WAVELENGTH_SPREAD = 0.03  # of the mean wavelength of a colour (common practice, no source)
F_NUMBER_SPREAD = 0.04  # of the true f-number at a marked one (common practice, no source)
_STEP = 1e-4


def excess_variance(mtf50: ArrayLike, cutoff_px: ArrayLike) -> Array:
    """Return v [px^2] for MTF50 [cy/px] and wavelength x f-number / pitch [px]; NaN beyond what diffraction passes."""
    nu, cutoff = np.asarray(mtf50, dtype=np.float64), np.asarray(cutoff_px, dtype=np.float64)
    passed = 2.0 * diffraction_mtf(cutoff * nu) * np.sinc(nu)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(passed > 0, np.log(passed) / (2.0 * (math.pi * nu) ** 2), math.nan))


def mtf50_of(variance: ArrayLike, cutoff_px: ArrayLike) -> Array:
    """Return MTF50 [cy/px] for v [px^2]: the inverse of `excess_variance`, straight in ln MTF50 below v = 0."""
    v, cutoff = np.asarray(variance, dtype=np.float64), np.asarray(cutoff_px, dtype=np.float64)
    value = system_mtf50(cutoff, np.sqrt(np.maximum(v, 0.0)))
    return np.asarray(value * np.exp(np.minimum(v, 0.0) / slope_in_mtf50(value, cutoff)))


def slope_in_mtf50(mtf50: ArrayLike, cutoff_px: ArrayLike) -> Array:
    """Return dv / dln MTF50 [px^2] (negative)."""
    nu = np.asarray(mtf50, dtype=np.float64)
    up, down = (excess_variance(nu * math.exp(step), cutoff_px) for step in (_STEP, -_STEP))
    return np.asarray((up - down) / (2.0 * _STEP))


def slope_in_cutoff(mtf50: ArrayLike, cutoff_px: ArrayLike) -> Array:
    """Return dv / dln(wavelength x f-number) [px^2] (negative)."""
    cutoff = np.asarray(cutoff_px, dtype=np.float64)
    up, down = (excess_variance(mtf50, cutoff * math.exp(step)) for step in (_STEP, -_STEP))
    return np.asarray((up - down) / (2.0 * _STEP))
