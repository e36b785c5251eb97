"""What to shoot next: the shutter times whose frames shrink the interval of the limit most.

Expected Fisher information of one more frame at each shutter time, censoring included, from the fit so far;
frames are added one by one where the variance of ln t_limit falls most (a sequential c-optimal design:
Atkinson, Donev and Tobias, Optimum Experimental Designs, with SAS, 2007, ch. 10, from memory). The variance
is g^T I^-1 g with g the gradient of ln t_limit in level, slope, shape and bend (delta method).
Few frames tell little of all these, and the best times follow from them. So what is made small is the mean of
ln variance over what the hands may be (Bayesian design: Chaloner and Verdinelli, Statistical Science 10 (1995) 273,
from memory): every family in the race with its Akaike weight, each at the points of a cubature rule of its normal
posterior (third degree: Arasaratnam and Haykin, IEEE Trans. Automatic Control 54 (2009) 1254, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.exposure import shutter_dial
from kitgauge.fit.blur.blur_likelihood import (
    BEND_PRIOR,
    FamilyFit,
    log_quantile,
    parameter_bounds,
    straightened,
    stretched,
)
from kitgauge.fit.blur.blur_shutter import BlurFit
from kitgauge.fit.blur.shutter_profile import family_weights, frames_worth
from kitgauge.fit.blur.streak_families import FAMILIES
from kitgauge.fit.newton import derivatives
from kitgauge.fit.result import NORMAL_95

Array = NDArray[np.float64]

_QUANTILES = np.asarray((np.arange(64) + 0.5) / 64.0, dtype=np.float64)
_STEP = 1e-4
_NEAR_STOPS = 2.0
_FARTHEST_STOPS = 3.0  # beyond the measured shutter times the model is a guess; no frame is asked for beyond this
_LEAST_WEIGHT = 0.05  # of a family, below which it changes nothing
_PLACES = np.arange(4)  # a, b, ln k and g of theta, in every family: without a shape, ln k is held
_LEAST_SLOPE = 0.1


@dataclass(frozen=True)
class NextShots:
    """Frames to add: (shutter_s exact, frames) from fast to slow, and the interval's width before and after
    [stops].

    Widths are those that the information promises on average, NaN where it cannot be computed.
    """

    shots: tuple[tuple[float, int], ...]
    width_now_stops: float
    width_then_stops: float

    def as_list(self) -> list[dict[str, Any]]:
        """Return `blur.next`."""
        return [{"shutter_s": time, "frames": frames} for time, frames in self.shots]


def next_shots(
    fit: BlurFit,
    keep: float,
    streak_limit_px: float,
    *,
    wanted_stops: float = 0.25,
    most_frames: int = 24,
    fastest_s: float = 1.0 / 8192.0,
    slowest_s: float = 32.0,
) -> NextShots:
    """Return the frames to shoot next, at whole-stop shutter times.

    Frames are added until the 95 % interval of the limit is expected to be `wanted_stops` wide, at most
    `most_frames`. `fastest_s` and `slowest_s` [s] are the camera's ends. Times stay within two stops of the limit
    found so far: farther out a frame may promise more information, but only if the model holds there as well.
    """
    low = max(fastest_s, fit.fastest_s * 2.0**-_FARTHEST_STOPS) * 0.99
    high = min(slowest_s, fit.slowest_s * 2.0**_FARTHEST_STOPS) * 1.01
    if not fit.result.at_bound and math.isfinite(found := fit.limit(keep, streak_limit_px).shutter_s):
        low = max(low, min(found * 2.0**-_NEAR_STOPS, high / 2.0))
        high = min(high, max(found * 2.0**_NEAR_STOPS, low * 2.0))
    times = np.array([time for time in shutter_dial("whole").exact if low <= time <= high])
    if fit.result.at_bound or times.size == 0:
        return NextShots(_spread(times, most_frames), math.nan, math.nan)
    guesses = _guesses(fit, keep, streak_limit_px, times)
    information, now = guesses.information, _width(guesses, guesses.information)
    counts = np.zeros(times.size, dtype=int)
    then = now
    while then > wanted_stops and counts.sum() < most_frames:
        widths = [_width(guesses, information + guesses.offered[:, place]) for place in range(times.size)]
        best = int(np.argmin(widths))
        information, then = information + guesses.offered[:, best], widths[best]
        counts[best] += 1
    shots = tuple((float(t), int(n)) for t, n in zip(times, counts, strict=True) if n)
    return NextShots(shots, now, then)


def _spread(times: Array, most_frames: int) -> tuple[tuple[float, int], ...]:
    """Return shots at and beyond both ends of the ladder: without a slope there is no limit to aim at."""
    if times.size == 0:
        return ()
    chosen: Sequence[float] = sorted({float(times[0]), float(times[-1])})
    return tuple((time, max(1, most_frames // (2 * len(chosen)))) for time in chosen)


@dataclass(frozen=True)
class _Guesses:
    """What the hands may be, by the fit so far, m guesses.

    `weight` (m,) adds up to 1; `gradient` (m, p) of ln t_limit; `information` (m, p, p) of the frames so far, with the
    bend's prior; `offered` (m, time, p, p) of one more frame at each time.
    """

    weight: Array
    gradient: Array
    information: Array
    offered: Array


def _guesses(fit: BlurFit, keep: float, streak_limit_px: float, times: Array) -> _Guesses:
    # frames of one burst tell less than frames alone, which are asked for
    worth = frames_worth(fit.families[0], fit.data) / fit.data.x.size
    bounds = _typical_bounds(fit)
    offered_x = np.log(times / fit.data.reference_s)
    weights, gradients, informations, offers = [], [], [], []
    for family, share in zip(fit.families, family_weights(fit.families), strict=True):
        if share < _LEAST_WEIGHT:
            continue
        places = _places(family, fit.data.x, worth, bounds)
        for theta in places:
            weights.append(float(share) / len(places))
            gradients.append(_limit_gradient(family.name, theta, keep, streak_limit_px))
            informations.append(_of_series(family.name, theta, fit.data.x, worth, bounds))
            offers.append(_frame_information(family.name, theta, offered_x, *bounds))
    weight = np.array(weights)
    return _Guesses(weight / weight.sum(), np.array(gradients), np.array(informations), np.array(offers))


def _places(family: FamilyFit, x: Array, worth: float, bounds: tuple[float, float]) -> list[Array]:
    """Return the points theta of the cubature rule: root p standard errors either way along p directions."""
    root = np.linalg.cholesky(np.linalg.inv(_of_series(family.name, family.theta, x, worth, bounds)))
    used = _PLACES if FAMILIES[family.name].has_shape else np.delete(_PLACES, 2)
    lower, upper = parameter_bounds()
    lower[1] = _LEAST_SLOPE
    places = []
    for column in used:
        for sign in (-1.0, 1.0):
            theta = family.theta.copy()
            theta[_PLACES] += sign * math.sqrt(used.size) * root[:, column]
            theta[_PLACES] = np.clip(theta[_PLACES], lower[_PLACES], upper[_PLACES])
            places.append(theta)
    return places


def _width(guesses: _Guesses, information: Array) -> float:
    """Return the width of the 95 % interval of the limit [stops] that the information (m, p, p) promises."""
    solved = np.linalg.solve(information, guesses.gradient[..., None])[..., 0]
    variance = np.sum(guesses.gradient * solved, axis=1)
    typical = math.exp(0.5 * float(guesses.weight @ np.log(variance)))
    return 2.0 * NORMAL_95 * typical / math.log(2.0)


def _limit_gradient(name: str, theta: Array, keep: float, streak_limit_px: float) -> Array:
    """Return the gradient of ln t_limit in a, b, ln k and g."""

    def place(rows: Array) -> Array:
        z = log_quantile(FAMILIES[name], keep, np.exp(rows[:, 2]), rows[:, 4])
        return straightened((math.log(streak_limit_px) - z - rows[:, 0]) / rows[:, 1], rows[:, 3])

    _, gradient, _ = derivatives(place, theta[None, :], _PLACES)
    return np.asarray(gradient[0], dtype=np.float64)


def _typical_bounds(fit: BlurFit) -> tuple[float, float]:
    """Return ln of the streak below and above which a frame is likely to be censored.

    The medians of the bounds met so far; where no frame was censored, just outside the measured streaks.
    """
    data = fit.data
    below, above, measured = (data.value[data.kind == kind] for kind in (-1, 1, 0))
    low = float(np.median(below)) if below.size else 0.5 * float(measured.min())
    high = float(np.median(above)) if above.size else 2.0 * float(measured.max())
    return math.log(low), math.log(high)


def _of_series(name: str, theta: Array, x: Array, worth: float, bounds: tuple[float, float]) -> Array:
    """Return the expected information (p, p) of frames at x, each counted for `worth`, with the bend's prior."""
    times, counts = np.unique(np.round(x, 6), return_counts=True)
    information = worth * np.tensordot(counts, _frame_information(name, theta, times, *bounds), axes=1)
    information = information + 1e-9 * np.trace(information) * np.eye(_PLACES.size)
    information[3, 3] += 1.0 / BEND_PRIOR[1] ** 2
    if not FAMILIES[name].has_shape:
        information[2, 2] = 1.0
    return np.asarray(information, dtype=np.float64)


def _frame_information(name: str, theta: Array, x: Array, below: float, above: float) -> Array:
    """Return the expected information (m, p, p) of one frame at each x = ln(t / t0).

    E[score score^T] over quantiles of u; those beyond a bound all score as the censored event.
    """
    family = FAMILIES[name]
    z = family.log_quantile(_QUANTILES, np.exp(theta[2:3]))
    log_streak = theta[0] + theta[1] * stretched(x[:, None], theta[3]) + z[None, :]
    is_below, is_above = log_streak < below, log_streak > above

    def terms(row: Array) -> Array:
        k = np.exp(row[2:3])
        scale = row[0] + row[1] * stretched(x[:, None], row[3])
        low = np.broadcast_to(family.log_below(below - scale, k), log_streak.shape)
        high = np.broadcast_to(family.log_above(above - scale, k), log_streak.shape)
        return np.where(is_below, low, np.where(is_above, high, family.log_density(log_streak - scale, k) - scale))

    scores = []
    for column in _PLACES:
        step = np.zeros(theta.size)
        step[column] = _STEP
        scores.append((terms(theta + step) - terms(theta - step)) / (2.0 * _STEP))
    score = np.stack(scores, axis=-1)
    return np.asarray(np.einsum("mjp,mjq->mpq", score, score) / _QUANTILES.size, dtype=np.float64)
