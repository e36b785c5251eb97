"""Focus shift by the shape of the curve: spherical aberration moves the best focus as the lens is stopped down.

The curve of the centre is fitted twice: with blur that only fades (`sharpness_model`) and with a wavefront whose best
focus moves (`sharpness_spherical`). Where the second is surely needed, it also says what sharpness the best focus at
each f-number would have given. What nobody measures is allowed for: 4 % in the true f-number at a marked one, 0.5 % of
MTF50 that all frames of an f-number share. Vibration in one direction is told by the other direction.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from kitgauge.exposure import format_f_number
from kitgauge.fit.sharpness.excess_blur import F_NUMBER_SPREAD, slope_in_cutoff, slope_in_mtf50
from kitgauge.fit.sharpness.sharpness_contrasts import ERROR_ALLOWANCE, FAMILY_PROBABILITY, Finding
from kitgauge.fit.sharpness.sharpness_model import fit_physical
from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint
from kitgauge.fit.sharpness.sharpness_series import region_series
from kitgauge.fit.sharpness.sharpness_spherical import curves_of, fit_spherical, refocused
from kitgauge.measure.edges.diffraction import diffraction_px

Array = NDArray[np.float64]

_FEWEST_F_NUMBERS = 5
_COMMON_ERROR = 0.005  # of MTF50 at one f-number, the same in all frames of it
_SMALLEST_SIZE = 0.05
_SMALLEST_Z = 3.0
_LEAST_GAIN = 4.0  # of chi-square, in each edge direction
_DRAWS = 100
_WALK_STEPS = 72
_ORIENTATIONS = ("vertical", "horizontal")


def moving_focus(points: Sequence[SharpnessPoint], pitch_um: float, wavelength_um: float) -> Finding | None:
    """Return the finding that the centre's best focus moves, None where the points do not ask for it.

    points : of the centre, focused once for all f-numbers, in both edge directions. wavelength_um : times (1 +
    magnification), so that it acts at the marked f-numbers.
    """
    series = region_series("centre", points)
    f_number, mtf50 = series.f_number, series.mtf50
    if f_number.size < _FEWEST_F_NUMBERS:
        return None
    cutoff = diffraction_px(f_number, pitch_um, wavelength_um)
    with np.errstate(divide="ignore", invalid="ignore"):
        aperture = F_NUMBER_SPREAD * slope_in_cutoff(mtf50, cutoff) / slope_in_mtf50(mtf50, cutoff)
    if not np.isfinite(aperture).all():
        return None
    error = np.sqrt((ERROR_ALLOWANCE * series.stderr / mtf50) ** 2 + aperture**2 + _COMMON_ERROR**2)
    simple = fit_physical(f_number, mtf50, error * mtf50, pitch_um, wavelength_um, f_number, 0)
    freedom = f_number.size - 3
    without = float(simple.result.reduced_chi_square) * freedom
    if float(stats.chi2.sf(without, 2)) > FAMILY_PROBABILITY:  # the wavefront cannot gain more
        return None
    fit = fit_spherical(f_number, mtf50, error * mtf50, pitch_um, wavelength_um, 0, _WALK_STEPS)
    probability = float(stats.chi2.sf((without - fit.chi_square) / fit.scale, 2))
    if probability >= FAMILY_PROBABILITY:
        return None
    drawn = np.vstack([fit.best, fit.thetas[:: max(1, len(fit.thetas) // _DRAWS)]])
    with_wavefront = curves_of(fit, drawn, f_number)
    if not _both_directions(points, f_number, error, np.log(simple.mtf50), np.log(with_wavefront[0])):
        return None
    lost = 1.0 - with_wavefront / refocused(fit, drawn, f_number)
    pairs = [(i, k) for i in range(f_number.size) for k in range(i + 1, f_number.size)]
    wide, narrow = max(pairs, key=lambda pair: lost[0, pair[1]] - lost[0, pair[0]])
    rise = lost[:, narrow] - lost[:, wide]
    size, stderr = float(lost[0, narrow]), float(lost[1:, narrow].std(ddof=1))
    z = float(rise[0] / rise[1:].std(ddof=1))
    if rise[0] < _SMALLEST_SIZE or z < _SMALLEST_Z:
        return None
    narrowed, opened = format_f_number(float(f_number[narrow])), format_f_number(float(f_number[wide]))
    return Finding(
        "focus-shift",
        "centre",
        100.0 * size,
        "%",
        z,
        f"In the centre {narrowed} is {100.0 * size:.0f} % (± {100.0 * stderr:.1f}) softer than it would be focused "
        f"anew; at {opened} focusing anew would gain {100.0 * max(float(lost[0, wide]), 0.0):.0f} %. The best focus "
        "moves as the lens is stopped down, as spherical aberration makes it, or the focus was touched in between. "
        "Focus at the f-number you take the picture with.",
        probability,
        float(f_number[narrow]),
        size_stderr=100.0 * stderr,
    )


def _both_directions(
    points: Sequence[SharpnessPoint], f_number: Array, error: Array, without: Array, with_wavefront: Array
) -> bool:
    """Tell whether the points of each edge direction alone prefer the wavefront's curve, whatever their level."""
    for orientation in _ORIENTATIONS:
        series = region_series("centre", [p for p in points if p.orientation == orientation])
        at = [int(np.argmin(np.abs(np.log(f_number / n)))) for n in series.f_number]
        weight = error[at] ** -2.0
        chi_square = []
        for curve in (without, with_wavefront):
            misfit = np.log(series.mtf50) - curve[at]
            misfit = misfit - float(weight @ misfit) / float(weight.sum())
            chi_square.append(float(weight @ misfit**2))
        if math.isnan(chi_square[0]) or chi_square[0] - chi_square[1] < _LEAST_GAIN:
            return False
    return True
