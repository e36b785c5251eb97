"""The still edge: a smooth edge spread function from the tripod frames, ready to be convolved with a
motion."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import make_lsq_spline

Array = NDArray[np.float64]

_GRID_STEP_PX = 0.02  # linear interpolation on it errs by 0.02^2 / 8 * |E''| < 2e-5 of the contrast
PLATEAU_PX = 2.0  # shortest plateau on each side that still gives a level


@dataclass(frozen=True)
class StillEdge:
    """A smooth still edge spread function on a fine grid, dark plateau 0, bright plateau 1, half level at 0.

    `grid_px` (n,) is regular; `level` (n,) and `integral` (n,) are E and its running integral; `sigma_px` is
    the spread of the core (from the 16 to 84 % distance); `noise` the standard error of E in a bin one pixel
    wide; `low_px` and `high_px` bound the measured part.
    """

    grid_px: Array
    level: Array
    integral: Array
    sigma_px: float
    noise: float
    low_px: float
    high_px: float
    dark_dn: float
    contrast_dn: float
    centre_px: float  # where the half level lay in the measured positions
    modulation: float  # (bright - dark) / (bright + dark)

    def value(self, x: Array) -> Array:
        """Return E at `x` [px]."""
        return self.value_and_area(x)[0]

    def value_and_area(self, x: Array) -> tuple[Array, Array]:
        """Return E at `x` [px] and its integral up to `x`, plateaus continued.

        Linear between grid points, found by division since the grid is regular: this is the innermost loop of a fit.
        """
        first, last, step = self._regular
        place = (x - first) / step
        index = np.minimum(np.maximum(place, 0.0), self.grid_px.size - 2).astype(np.intp)
        part = np.minimum(np.maximum(place - index, 0.0), 1.0)
        level, rise, area, growth = np.take(self._steps, index, axis=1)
        value = level + part * rise
        area += part * growth
        area += np.minimum(x - first, 0.0) * self.level[0] + np.maximum(x - last, 0.0) * self.level[-1]
        return value, area

    @cached_property
    def _regular(self) -> tuple[float, float, float]:
        return float(self.grid_px[0]), float(self.grid_px[-1]), float(self.grid_px[1] - self.grid_px[0])

    @cached_property
    def _steps(self) -> Array:
        """Level, its step to the next point, integral, its step (4, n - 1)."""
        return np.stack([self.level[:-1], np.diff(self.level), self.integral[:-1], np.diff(self.integral)])


def clean_bins(position_px: Array, esf: Array, esf_stderr: Array) -> tuple[Array, Array, Array]:
    """Drop empty bins, replace unknown or zero standard errors by the median, sort."""
    keep = np.isfinite(position_px) & np.isfinite(esf)
    x, y, error = position_px[keep], esf[keep], esf_stderr[keep].astype(np.float64)
    known = np.isfinite(error) & (error > 0)
    if not np.any(known):
        error = np.full(x.shape, math.nan)
    else:
        typical = float(np.median(error[known]))
        # a bin with very few samples can have a standard error near zero by chance
        error = np.where(known, np.maximum(error, 0.3 * typical), typical)
    order = np.argsort(x)
    return x[order].astype(np.float64), y[order].astype(np.float64), error[order]


def _knots(low: float, high: float, sigma: float) -> Array:
    """Inner knots: fine in the core, coarser outward."""
    step = max(0.5, 0.8 * sigma)
    sides = []
    for end in (-low, high):
        points, at, gap = [], 0.5 * step, step
        while at < end - gap:
            points.append(at)
            if at > 3.0 * sigma + 1.0:
                gap *= 1.35
            at += gap
        sides.append(points)
    return np.array([-p for p in reversed(sides[0])] + sides[1])


def still_edge(position_px: Array, esf: Array, esf_stderr: Array) -> StillEdge | None:
    """Return the smooth still edge of a measured (n,) edge spread function, None where it has no two
    plateaus.

    `position_px` along the normal from dark to bright, `esf` and `esf_stderr` in DN. A least-squares cubic
    spline keeps the noise of the reference out of the model that handheld edges are compared with: with the
    raw bins, noise in the reference would look like sharpness and read as streak.
    """
    x, y, error = clean_bins(position_px, esf, esf_stderr)
    if x.size < 16:
        return None
    if not np.all(np.isfinite(error)):
        error = np.full(x.shape, max(float(np.std(np.diff(y[: x.size // 5]))) / math.sqrt(2.0), 1e-9))
    tail = max(4, x.size // 8)
    dark, bright = float(np.mean(y[:tail])), float(np.mean(y[-tail:]))
    contrast = bright - dark
    if not contrast > 5.0 * float(np.median(error)) / math.sqrt(tail):
        return None
    level = (y - dark) / contrast
    smooth = np.convolve(level, np.ones(3) / 3.0, mode="same")
    smooth[0], smooth[-1] = level[0], level[-1]
    crossings = [_crossing(x, smooth, part) for part in (0.16, 0.5, 0.84)]
    if any(math.isnan(value) for value in crossings):
        return None
    centre = crossings[1]
    sigma = max(0.5 * (crossings[2] - crossings[0]), 0.25)
    x = x - centre
    low, high = float(x[0]), float(x[-1])
    if min(-low, high) < 2.0 * sigma + PLATEAU_PX:
        return None
    inner = _knots(low, high, sigma)
    knots = np.concatenate([[low] * 4, inner, [high] * 4])
    try:
        spline = make_lsq_spline(x, level, knots, k=3, w=contrast / error)
    except (ValueError, np.linalg.LinAlgError):
        return None  # bins missing over a whole knot span
    count = math.ceil((high - low) / _GRID_STEP_PX) + 1
    grid = np.linspace(low, high, count)
    values = np.asarray(spline(grid), dtype=np.float64)
    step = grid[1] - grid[0]
    # outward of the measured part the plateau goes on at its mean: the spline's very end is its noisiest point
    end = min(PLATEAU_PX, 0.25 * min(-low, high))
    ends = (float(np.mean(level[x < low + end])), float(np.mean(level[x > high - end])))
    grid = np.concatenate([[low - step], grid, [high + step]])
    values = np.concatenate([[ends[0]], values, [ends[1]]])
    integral = np.concatenate([[0.0], np.cumsum(0.5 * (values[1:] + values[:-1]) * np.diff(grid))])
    spacing = (high - low) / (x.size - 1)
    noise = float(np.sqrt(np.mean((error / contrast) ** 2) * spacing))
    return StillEdge(
        grid, values, integral, sigma, noise, low, high, dark, contrast, centre, contrast / (bright + dark)
    )


def _crossing(x: Array, level: Array, part: float) -> float:
    """Return where a rising, slightly noisy curve crosses `part`: the middle of its first and last
    crossing."""
    above = level >= part
    changes = np.flatnonzero(above[1:] & ~above[:-1])
    if changes.size == 0:
        return math.nan
    places = [
        x[i] + (part - level[i]) / (level[i + 1] - level[i]) * (x[i + 1] - x[i]) for i in (changes[0], changes[-1])
    ]
    return float(0.5 * (places[0] + places[1]))
