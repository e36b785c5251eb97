"""Extra blur of one edge against the same edge from a tripod: the variance of the motion along its normal.

An edge spread function E_h of a frame that moved is the still one convolved with the motion's projection K on
the edge normal, and variances add under convolution for any K: var(E_h') = var(E_r') + var(K). So var(K) is
estimated in two steps, both on the forward model (no division of spectra, no window that cuts the tails of
the still edge):

1. K is taken as uniform of variance v, and E_h = a + b (K * E_r)(x - x0) is fitted by least squares. This is the
   most precise estimate, and the shape of K does not matter while it is narrow against the still edge:
   K * E = E + (v/2) E'' + O(fourth moment). The model goes on to v < 0 as 2 E - K(|v|) * E, so that noise
   scatters the estimate evenly around zero instead of being clamped.
2. For a wide K the shape matters. The residual r = E_h - K * E_r of the fit, normalised by the plateaus, holds
   the rest: integrating by parts, the true kernel's first two moments exceed the uniform one's by
   m1 = -integral r dx and m2 = -2 integral x r dx, so var(K) = v + m2 - m1^2 for any kernel in the window.

The second step costs precision, so both parts are returned: how much of the second to use is decided over all
edges of a direction together (`streak`). Sources: additivity of cumulants under convolution (Kendall's
Advanced Theory of Statistics vol. 1, ch. 3, from memory); edge spread function and its derivative, ISO 12233.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.blur.still_edge import PLATEAU_PX, StillEdge, clean_bins

Array = NDArray[np.float64]

_SMALL_VARIANCE_PX2 = 0.003  # below this (streak 0.19 px) the model is linear in v to 1e-5 of the contrast
# Plateaus are needed beyond the kernel: the shortest one, or this share of its half width where that is more.
_PLATEAU_SHARE = 0.15
# A fit with less modulation than this share of the still edge's has taken a part of a long ramp for the edge.
_LEAST_MODULATION = 0.7
_OUTSIDE_SIGNIFICANCE = 3.0
_TRIALS = 10
_TRIAL_BINS = 3
_ENOUGH = 0.005  # of its standard error: a step below this ends the fit


@dataclass(frozen=True)
class EdgeBlur:
    """Motion variance seen by one edge.

    `variance_px2`: v of a uniform kernel along the edge normal (negative by noise at times), `shape_px2`:
    what the true kernel has beyond it; each with its standard error (that of the sum is `shape_stderr_px2`).
    `reach` is "ok", or "beyond" where the blur does not leave plateaus in the window: then both are NaN and
    `bound_px2` is a variance that the kernel exceeds; else `bound_px2` is the largest one the window could
    have held. `offset_px`: shift of the edge.
    """

    variance_px2: float
    variance_stderr_px2: float
    shape_px2: float
    shape_stderr_px2: float
    bound_px2: float
    offset_px: float
    still_sigma_px: float
    reach: Literal["ok", "beyond", "unusable"]
    reduced_chi_square: float


def _beyond(bound_px2: float, offset_px: float = math.nan, chi2: float = math.nan) -> EdgeBlur:
    nan = math.nan
    return EdgeBlur(nan, nan, nan, nan, bound_px2, offset_px, nan, "beyond", chi2)


_UNUSABLE = EdgeBlur(*(math.nan,) * 7, "unusable", math.nan)


def uniform_blur(edge: StillEdge, x: Array, variance_px2: float) -> tuple[Array, Array, Array]:
    """Return K * E, its derivative in x, and its derivative in v, at `x` [px], K uniform of variance
    `variance_px2`.

    Negative variances continue the model evenly: 2 E - K(|v|) * E.
    """
    size = max(abs(variance_px2), _SMALL_VARIANCE_PX2)
    half = math.sqrt(3.0 * size)  # a uniform kernel of full width w has variance w^2 / 12
    (upper, lower), (upper_area, lower_area) = edge.value_and_area(np.stack([x + half, x - half]))
    blurred = (upper_area - lower_area) / (2.0 * half)
    slope = (upper - lower) / (2.0 * half)
    per_variance = (0.5 * (upper + lower) - blurred) / half * 1.5 / half
    if abs(variance_px2) >= _SMALL_VARIANCE_PX2 and variance_px2 > 0:
        return blurred, slope, per_variance
    still = edge.value(x)
    if abs(variance_px2) < _SMALL_VARIANCE_PX2:
        share = variance_px2 / size
        return still + share * (blurred - still), slope, (blurred - still) / size
    return 2.0 * still - blurred, slope, per_variance


def _first_guess(edge: StillEdge, x: Array, y: Array, weight: Array, longest_px2: float) -> tuple[float, float] | None:
    """Return (variance, shift) of the best of some trial streaks, all tried at once on every third bin."""
    x, y, weight = x[::_TRIAL_BINS], y[::_TRIAL_BINS], weight[::_TRIAL_BINS]
    streaks = np.geomspace(1.0, max(math.sqrt(12.0 * longest_px2), 2.0), _TRIALS - 1)
    streaks = np.concatenate([[math.sqrt(12.0 * _SMALL_VARIANCE_PX2)], streaks])
    half = 0.5 * streaks[:, None]
    (upper, lower), (upper_area, lower_area) = edge.value_and_area(np.stack([x + half, x - half]))
    width = 2.0 * half
    blurred, slope = (upper_area - lower_area) / width, (upper - lower) / width
    same = np.broadcast_to(y, blurred.shape)
    columns = np.stack([np.ones_like(blurred), blurred, slope, same], axis=1) * weight
    products = columns @ np.swapaxes(columns, 1, 2)
    normal, right = products[:, :3, :3], products[:, :3, 3:]
    diagonal = np.einsum("mii->mi", normal)
    diagonal *= 1.0 + 1e-12  # keeps a fit solvable whose blur leaves no edge in the window
    diagonal += 1e-30
    values = np.linalg.solve(normal, right)[:, :, 0]
    chi2 = products[:, 3, 3] - np.sum(values * right[:, :, 0], axis=1)
    chi2 = np.where(values[:, 1] > 0, chi2, math.inf)
    best = int(np.argmin(chi2))
    if not math.isfinite(chi2[best]):
        return None
    # a shift larger than the blur is not what a first-order term can tell
    reach = half[best, 0] + 1.0
    shift = float(np.clip(-values[best, 2] / values[best, 1], -reach, reach))
    return (0.0 if best == 0 else float(streaks[best] ** 2 / 12.0)), shift


def _fit_uniform(
    edge: StillEdge, x: Array, y: Array, weight: Array, longest_px2: float
) -> tuple[float, float, float, float, float, float] | None:
    """Fit a, b, x0, v; return (a, b, x0, v, stderr of v, chi-square), None where the fit fails.

    Gauss-Newton in x0 and v, a and b being solved for at each (variable projection: Golub and Pereyra, SIAM J. Numer.
    Anal. 10 (1973) 413); all products of the columns 1, K * E, its derivatives, and y come from one multiplication.
    """
    guess = _first_guess(edge, x, y, weight, longest_px2)
    if guess is None:
        return None
    variance, shift = guess
    gain, offset, chi2, damping = math.nan, math.nan, math.inf, 0
    inverse = np.full((4, 4), math.nan)
    last = (shift, variance)
    level = float(np.average(y, weights=weight**2))  # products of deviations keep the digits of chi-square
    columns = np.empty((5, x.size))
    for _ in range(25):
        columns[0] = 1.0
        columns[1:4] = uniform_blur(edge, x - shift, variance)
        columns[4] = y - level
        columns *= weight
        products = columns @ columns.T
        (one, cross), (_, two) = products[:2, :2]
        determinant = one * two - cross**2
        if not determinant > 1e-12 * one * two:
            return None
        low = float((two * products[0, 4] - cross * products[1, 4]) / determinant)
        gain_now = float((one * products[1, 4] - cross * products[0, 4]) / determinant)
        chi2_now = float(products[4, 4] - low * products[0, 4] - gain_now * products[1, 4])
        if chi2_now > chi2 * (1.0 + 1e-9) and damping < 8:
            shift, variance = 0.5 * (shift + last[0]), 0.5 * (variance + last[1])
            damping += 1
            continue
        offset, gain = low + level, gain_now
        scale = np.array([1.0, 1.0, -gain, gain])
        normal = products[:4, :4] * np.outer(scale, scale)
        try:
            inverse = np.linalg.inv(normal)
        except np.linalg.LinAlgError:
            return None
        step = inverse @ (scale * (products[:4, 4] - low * products[:4, 0] - gain * products[:4, 1]))
        enough = max(1e-4 * (abs(variance) + 0.01), _ENOUGH * math.sqrt(max(inverse[3, 3], 0.0)))
        converged = abs(step[3]) < enough and abs(step[2]) < max(1e-4, _ENOUGH * math.sqrt(max(inverse[2, 2], 0.0)))
        chi2, last, damping = chi2_now, (shift, variance), 0
        if converged:
            break
        limit = 0.5 * abs(variance) + 0.3 * edge.sigma_px**2 + 0.05
        variance = float(
            np.clip(variance + np.clip(step[3], -limit, limit), -0.9 * edge.sigma_px**2, 4.0 * longest_px2)
        )
        shift += float(np.clip(step[2], -0.5 * (edge.sigma_px + 1.0), 0.5 * (edge.sigma_px + 1.0)))
    if not inverse[3, 3] > 0:
        return None
    return offset, gain, shift, variance, math.sqrt(inverse[3, 3]), chi2


def edge_blur(edge: StillEdge, position_px: Array, esf: Array, esf_stderr: Array) -> EdgeBlur:
    """Return the motion variance of one edge of a frame against the still edge.

    `position_px`, `esf` [DN], `esf_stderr` [DN] of shape (n,): bins along the normal from dark to bright, any
    light level and offset. Valid from streak 0 to about 1.4 times the shorter half of the window.
    """
    x, y, error = clean_bins(position_px, esf, esf_stderr)
    if x.size < 16 or not np.all(np.isfinite(error)):
        return _UNUSABLE
    margin = 2.5 * edge.sigma_px + 0.5
    holds = _longest_half_px(0.5 * float(x[-1] - x[0]), margin)
    if holds <= 0:
        return _UNUSABLE
    longest = holds**2 / 3.0
    # the noise of the still edge enters every bin as well
    tail = max(4, x.size // 8)
    contrast = float(np.mean(y[-tail:]) - np.mean(y[:tail]))
    spacing = float(x[-1] - x[0]) / (x.size - 1)
    total = np.hypot(error, max(contrast, 0.0) * edge.noise / math.sqrt(spacing))
    fitted = _fit_uniform(edge, x, y, 1.0 / total, longest)
    if fitted is None:
        return _beyond(longest)
    offset, gain, shift, variance, stderr, chi2 = fitted
    if not (math.isfinite(variance) and math.isfinite(stderr)):
        return _UNUSABLE
    if not gain / (gain + 2.0 * offset) > _LEAST_MODULATION * edge.modulation or not x[0] < shift < x[-1]:
        # much of the light went beyond the window; half the streak that it holds is a safe lower bound
        return _beyond(0.25 * longest)
    half = math.sqrt(3.0 * max(variance, 0.0))
    freedom = max(x.size - 4, 1)
    corrected = _shape_corrected(edge, x - shift, y, total, variance, margin)
    if not corrected.inside:
        # the variance gathered so far is all that is known: the kernel reaches farther than the window
        least = min(longest, max(variance, 0.0) + max(corrected.moment_px2, 0.0)) if half <= holds else longest
        return _beyond(least, shift, chi2 / freedom)
    return EdgeBlur(
        variance,
        stderr,
        corrected.moment_px2,
        corrected.stderr_px2,
        longest,
        shift,
        edge.sigma_px,
        "ok",
        chi2 / freedom,
    )


def _longest_half_px(free_px: float, margin_px: float) -> float:
    """Return the largest half width of a kernel that leaves plateaus in a window of half width `free_px`."""
    return min(free_px - margin_px - PLATEAU_PX, (free_px - margin_px) / (1.0 + _PLATEAU_SHARE))


@dataclass(frozen=True)
class _Correction:
    """m2 - m1^2 of the residual with its standard error; `inside` False where the kernel's support leaves the
    window."""

    moment_px2: float
    stderr_px2: float
    inside: bool


def _shape_corrected(edge: StillEdge, x: Array, y: Array, error: Array, variance: float, margin: float) -> _Correction:
    """Return the moments that the uniform kernel of `variance` misses, `x` counted from the edge."""
    blurred, _, _ = uniform_blur(edge, x, variance)
    width = np.gradient(x)
    free = min(float(x[-1]), -float(x[0]))
    support = math.sqrt(3.0 * max(variance, 0.0)) + margin
    found = _Correction(math.nan, math.nan, False)
    while support + max(PLATEAU_PX, _PLATEAU_SHARE * (support - margin)) <= free:
        levels = []
        for side in (x < -support, x > support):
            weight = 1.0 / error[side] ** 2
            total = float(np.sum(weight))
            levels.append(
                (
                    float(np.sum(weight * y[side])) / total,
                    float(np.sum(weight * blurred[side])) / total,
                    1.0 / total,
                )
            )
        (dark, dark_model, dark_noise), (bright, bright_model, bright_noise) = levels
        gain = (bright - dark) / (bright_model - dark_model)
        if not gain > 0:
            break
        residual = (y - dark) / gain + dark_model - blurred
        noise = error / gain
        inside = np.abs(x) <= support
        moment_1 = -float(np.sum(residual[inside] * width[inside]))
        moment_2 = -2.0 * float(np.sum(x[inside] * residual[inside] * width[inside]))
        # noise of the bins, and of the two plateau levels (a level error d acts over half the window: d * support^2)
        bins = 4.0 * float(np.sum((x[inside] * width[inside] * noise[inside]) ** 2))
        plateaus = support**4 * (dark_noise + bright_noise) / gain**2
        first = float(np.sum((width[inside] * noise[inside]) ** 2))
        stderr = math.sqrt(bins + plateaus + 4.0 * moment_1**2 * first)
        # noise in m1 makes its square too large on average
        moment = moment_2 - moment_1**2 + first
        if not _leaves(x, residual, noise, support, free):
            return _Correction(moment, stderr, True)
        found = _Correction(moment, stderr, False)
        support *= 1.2
    return found


def _leaves(x: Array, residual: Array, noise: Array, support: float, free: float) -> bool:
    """Tell whether the residual just outside `support` differs from the plateau farther out on either
    side."""
    split = support + 0.4 * (min(free, 4.0 * support) - support)
    for sign in (-1.0, 1.0):
        distance = sign * x
        near, far = (distance > support) & (distance <= split), distance > split
        if not (near.any() and far.any()):
            continue
        weights = [1.0 / noise[part] ** 2 for part in (near, far)]
        means = [float(np.sum(w * residual[p]) / np.sum(w)) for w, p in zip(weights, (near, far), strict=True)]
        spread = math.sqrt(sum(1.0 / float(np.sum(w)) for w in weights))
        # motion makes the bright side darker and the dark side brighter: only that direction is a longer kernel
        if -sign * (means[0] - means[1]) > _OUTSIDE_SIGNIFICANCE * spread:
            return True
    return False
