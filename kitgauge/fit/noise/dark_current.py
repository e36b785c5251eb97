"""Dark current from dark frames of several exposure times, by two routes.

Electrons that heat sets free come at a rate I [e-/s] and are Poisson distributed, so that over the time t

    level    = black + K I t            variance = sigma_d^2 + K^2 I t            (K [DN/e-], gain g = 1 / K)

(EMVA 1288 Release 4 Linear, section on dark current: from the mean, and from the variance where the camera
compensates the mean). A camera that subtracts the level of its masked pixels holds the level still; the noise of the
electrons stays. Where the two rates differ, that is why, or something else than heat moves the level.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.errors import FitError
from kitgauge.fit.result import NORMAL_95

LONGER_BY = 2.0  # the longest time over the shortest, at least
DIFFERENT_SIGMAS = 3.0
DIFFERENT_SHARE = 0.1  # ... and by this share of the larger rate
# The rate at the end of a series over that at its start, less 1, from which on the temperature is told to have
# changed: shutter times are 7 % off their marks (30 s may be 32 s), which looks the same.
CHANGED_SHARE = 0.2
CHANGED_SIGMAS = 4.0
_SHORTEST_SUBTRACTED_S = 0.2  # cameras do it from a second or so on (common practice, no source)
_JUMP_SHARE, _JUMP_SIGMAS = 0.6, 5.0  # a second frame doubles the variance


@dataclass(frozen=True)
class DarkPoint:
    """Two dark frames of one exposure time, averaged over all colours or of one colour.

    Levels of the two frames and their standard error from the samples alone [DN]; temporal variance of one frame with
    its standard error [DN^2]; `taken_s` when they were taken [s] after the first of the series, NaN unknown.
    """

    exposure_s: float
    level_a_dn: float
    level_b_dn: float
    level_stderr_dn: float
    variance_dn2: float
    variance_stderr_dn2: float
    taken_s: float = math.nan

    @property
    def level_dn(self) -> float:
        """Mean level of the two frames [DN]."""
        return 0.5 * (self.level_a_dn + self.level_b_dn)


@dataclass(frozen=True)
class DarkCurrentFit:
    """Dark current [e-/s per pixel] by level and by variance, NaN where the gain is unknown.

    `route` is the one to believe: "level" or "variance"; `frame_noise_dn` how much the level of single frames wanders
    [DN]; `level_stderr_dn` the error of each point's level, that included. `change` is the share by which the rate
    rose (fell) from the first frame of the series to the last, NaN if that cannot be told.
    """

    rate_e_per_s: float
    rate_stderr: float
    rate_from_variance_e_per_s: float
    rate_from_variance_stderr: float
    level_slope_dn_per_s: float
    level_slope_stderr: float
    variance_slope_dn2_per_s: float
    variance_slope_stderr: float
    frame_noise_dn: float
    level_stderr_dn: tuple[float, ...]
    route: str
    differ: bool
    change: float
    change_stderr: float
    text: str

    @property
    def best(self) -> tuple[float, float]:
        """Rate and standard error [e-/s] by the route to believe."""
        if self.route == "variance":
            return self.rate_from_variance_e_per_s, self.rate_from_variance_stderr
        return self.rate_e_per_s, self.rate_stderr

    @property
    def temperature_changed(self) -> bool:
        """Whether the rate changed significantly, and by more than wrong exposure times explain."""
        return _changed(self.change, self.change_stderr)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        best, stderr = self.best
        return {
            "rate_e_per_s": self.rate_e_per_s,
            "rate_stderr": self.rate_stderr,
            "rate_from_variance_e_per_s": self.rate_from_variance_e_per_s,
            "rate_from_variance_stderr": self.rate_from_variance_stderr,
            "route": self.route,
            "best_rate_e_per_s": best,
            "best_rate_stderr": stderr,
            "level_slope_dn_per_s": self.level_slope_dn_per_s,
            "level_slope_stderr": self.level_slope_stderr,
            "variance_slope_dn2_per_s": self.variance_slope_dn2_per_s,
            "variance_slope_stderr": self.variance_slope_stderr,
            "frame_noise_dn": self.frame_noise_dn,
            "rate_change": self.change,
            "rate_change_stderr": self.change_stderr,
        }


def fit_dark_current(points: Sequence[DarkPoint], gain_e_per_dn: float, gain_stderr: float) -> DarkCurrentFit:
    """Return dark current by level and by variance, each a weighted straight line against exposure time.

    The error of a level is that of its samples and what the levels of the two frames of each pair tell of how whole
    frames wander. Where points scatter about a line by more than their errors, its errors are widened by as much
    (root of chi-square over degrees of freedom, never below 1). `gain_e_per_dn` NaN leaves the rates in electrons
    unknown.

    Raises FitError if the points have not two exposure times, one at least twice the other.
    """
    times = np.array([point.exposure_s for point in points])
    if times.size == 0 or times.max() < LONGER_BY * times.min():
        raise FitError(
            "dark current needs dark frames of several exposure times",
            got=", ".join(f"{time:.3g} s" for time in sorted(set(times.tolist()))) or "no pair of dark frames",
            needed=f"two times or more, the longest {LONGER_BY:g} times the shortest or more",
            fix="shoot the dark frames of the missing times",
        )
    frame_noise = _frame_noise_dn(points)
    sampling = np.array([point.level_stderr_dn for point in points])
    level_errors = np.sqrt(0.5 * sampling**2 + 0.5 * frame_noise**2)
    levels = np.array([point.level_dn for point in points])
    variances = np.array([point.variance_dn2 for point in points])
    variance_errors = np.array([point.variance_stderr_dn2 for point in points])
    by_level, by_variance = _Route(points, levels, level_errors), _Route(points, variances, variance_errors)
    change, change_stderr = by_level.change()
    if math.isnan(change):  # where the level is held still, only the noise can tell
        change, change_stderr = by_variance.change()
    changed = _changed(change, change_stderr)
    slope, slope_stderr = by_level.slope(changed)
    v_slope, v_stderr = by_variance.slope(changed)
    gain, relative = gain_e_per_dn, gain_stderr / gain_e_per_dn
    level_rate, variance_rate = slope * gain, v_slope * gain**2
    level_stderr = gain * math.hypot(slope_stderr, slope * relative)
    variance_stderr = gain**2 * math.hypot(v_stderr, 2.0 * v_slope * relative)
    # both rates share the gain's error: it enters their difference once for the level, twice for the variance
    apart = level_rate - variance_rate
    apart_stderr = math.hypot(gain * slope_stderr, gain**2 * v_stderr, (level_rate - 2.0 * variance_rate) * relative)
    largest = max(abs(level_rate), abs(variance_rate))
    differ = abs(apart) > max(DIFFERENT_SIGMAS * apart_stderr, DIFFERENT_SHARE * largest)
    return DarkCurrentFit(
        rate_e_per_s=level_rate,
        rate_stderr=level_stderr,
        rate_from_variance_e_per_s=variance_rate,
        rate_from_variance_stderr=variance_stderr,
        level_slope_dn_per_s=slope,
        level_slope_stderr=slope_stderr,
        variance_slope_dn2_per_s=v_slope,
        variance_slope_stderr=v_stderr,
        frame_noise_dn=frame_noise,
        level_stderr_dn=tuple(level_errors.tolist()),
        route="variance" if differ else "level",
        differ=differ,
        change=change,
        change_stderr=change_stderr,
        text=_text(level_rate, level_stderr, variance_rate, variance_stderr, differ)
        if math.isfinite(gain)
        else _text_without_gain(slope, slope_stderr, v_slope, v_stderr),
    )


def subtracted_from_s(points: Sequence[DarkPoint]) -> float:
    """Return the exposure time [s] from which on the camera takes a dark frame away, infinity where it does not.

    Two frames have twice the variance at no exposure: that of the longer times, carried on to none by their straight
    line, then lies above that of the shorter ones by as much as they have; dark current alone leaves it where it is.
    """
    ordered = sorted(points, key=lambda point: point.exposure_s)
    times = sorted({point.exposure_s for point in ordered if point.exposure_s >= _SHORTEST_SUBTRACTED_S})
    for start in times[:-1]:
        shorter = [point for point in ordered if point.exposure_s < start]
        longer = [point for point in ordered if point.exposure_s >= start]
        if not shorter:
            continue
        before = shorter[-1]
        x, y, errors = np.array([(p.exposure_s, p.variance_dn2, p.variance_stderr_dn2) for p in longer]).T
        theta, covariance, misfit = _weighted(np.column_stack([np.ones_like(x), x - before.exposure_s]), y, errors)
        jump = float(theta[0]) - before.variance_dn2
        error = math.hypot(before.variance_stderr_dn2, math.sqrt(float(covariance[0, 0])) * misfit)
        if jump > max(_JUMP_SHARE * before.variance_dn2, _JUMP_SIGMAS * error):
            return start
    return math.inf


def _frame_noise_dn(points: Sequence[DarkPoint]) -> float:
    """Return how much the level of whole frames wanders [DN]: from the differences within pairs, less their noise.

    A sensor that warms up puts a difference into each pair as well, in proportion to exposure time and to the time
    between the two frames, which is the exposure time again: that part is fitted and taken out.
    """
    change = np.array([point.level_b_dn - point.level_a_dn for point in points])
    squared = np.array([point.exposure_s for point in points]) ** 2
    rest = change - float(change @ squared) / float(squared @ squared) * squared
    noise = 2.0 * float(np.mean([point.level_stderr_dn**2 for point in points]))
    return math.sqrt(max(float((rest**2).sum()) / (len(points) - 1) - noise, 0.0) / 2.0)


_Outcome = tuple[NDArray[np.float64], NDArray[np.float64], float]


def _weighted(design: NDArray[np.float64], y: NDArray[np.float64], errors: NDArray[np.float64]) -> _Outcome:
    """Return parameters, covariance, and by how much errors must be widened for the misfit."""
    scaled = design / errors[:, None]
    covariance = np.asarray(np.linalg.inv(scaled.T @ scaled), dtype=np.float64)
    theta = covariance @ (scaled.T @ (y / errors))
    freedom = len(y) - design.shape[1]
    chi_square = float((((y - design @ theta) / errors) ** 2).sum())
    return theta, covariance, math.sqrt(max(chi_square / freedom, 1.0)) if freedom > 0 else 1.0


def _changed(change: float, stderr: float) -> bool:
    return abs(change) > max(CHANGED_SHARE, CHANGED_SIGMAS * stderr)


class _Route:
    """Values against exposure time with a rate that may change through the series: v + rate t (1 + change x).

    x goes from 0 at the first frame to 1 at the last; to first order in the change.
    """

    def __init__(self, points: Sequence[DarkPoint], values: NDArray[np.float64], errors: NDArray[np.float64]) -> None:
        times = np.array([point.exposure_s for point in points])
        taken = np.array([point.taken_s for point in points])
        ones = np.ones_like(times)
        self.plain = _weighted(np.column_stack([ones, times]), values, errors)
        self.changing: _Outcome | None = None
        if len(points) >= 4 and np.all(np.isfinite(taken)) and float(np.ptp(taken)) > 0:
            along = (taken - taken.min()) / np.ptp(taken)
            design = np.column_stack([ones, times, times * along])
            if np.linalg.matrix_rank(design / np.abs(design).max(axis=0)) == 3:
                self.changing = _weighted(design, values, errors)

    def slope(self, changed: bool) -> tuple[float, float]:
        """Return the rate and its standard error; that in the middle of the series where it `changed`."""
        theta, covariance, misfit = self.plain
        weights = np.array([0.0, 1.0])
        if changed and self.changing is not None:
            theta, covariance, misfit = self.changing
            weights = np.array([0.0, 1.0, 0.5])
        return float(weights @ theta), math.sqrt(float(weights @ covariance @ weights)) * misfit

    def change(self) -> tuple[float, float]:
        """Return by which share the rate changed from the first frame to the last, and its error; NaN if unknown."""
        if self.changing is None:
            return math.nan, math.nan
        theta, covariance, misfit = self.changing
        if theta[1] <= DIFFERENT_SIGMAS * math.sqrt(covariance[1, 1]) * misfit:
            return math.nan, math.nan  # no rate at the start that it could be a share of
        return float(theta[2] / theta[1]), math.sqrt(float(covariance[2, 2])) * misfit / float(theta[1])


def _with_error(value: float, stderr: float) -> str:
    """Return both to two digits of the error, none of them in powers of ten."""
    if not (math.isfinite(value) and math.isfinite(stderr) and stderr > 0):
        return f"{value:.3g} (error unknown)"
    digits = min(max(1 - math.floor(math.log10(stderr)), 0), 9)
    return f"{value:.{digits}f} ± {stderr:.{digits}f}"


def rate_text(rate: float, stderr: float) -> str:
    """Return a rate with its error to two digits of the error: "0.0512 ± 0.0013 e-/s"."""
    if not (math.isfinite(rate) and math.isfinite(stderr) and stderr > 0):
        return "unknown"
    return f"{_with_error(rate, stderr)} e-/s"


def _text(level: float, level_stderr: float, variance: float, variance_stderr: float, differ: bool) -> str:
    routes = (
        f"by the level {rate_text(level, level_stderr)}, by the noise {rate_text(variance, variance_stderr)} per pixel"
    )
    if differ and level < variance:
        return (
            f"Dark current differs by route: {routes}. The level rises less than the noise: the camera subtracts the "
            "level of its masked pixels, so the noise tells the true rate."
        )
    if differ:
        return (
            f"Dark current differs by route: {routes}. The level rises more than the electrons' noise explains: its "
            "offset moves with temperature or time. The noise tells the rate more safely."
        )
    if level < NORMAL_95 * level_stderr:
        most = max(level, 0.0) + NORMAL_95 * level_stderr
        return f"Dark current is too small to see: below {most:.2g} e-/s per pixel (95 %); {routes}."
    return f"Dark current: {routes}. The two routes agree."


def _text_without_gain(slope: float, stderr: float, v_slope: float, v_stderr: float) -> str:
    return (
        f"The level rises by {_with_error(slope, stderr)} DN/s and the noise by "
        f"{_with_error(v_slope, v_stderr)} DN²/s. "
        "How many electrons these are is not known without the gain."
    )
