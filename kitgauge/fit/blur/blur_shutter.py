"""Blur against shutter time: a censored-likelihood fit, and the slowest shutter time that keeps enough frames
sharp.

Model (DESIGN "Blur against shutter speed"): L = s(t) u with ln s = a + b h(ln(t / t0)), b >= 0 and h rising (nearly
straight, see `blur_likelihood`), so that a longer time never helps; u of the families that the likelihood supports, and
a factor common to the frames of one burst. They are weighed by AICc = -2 lnL + 2 p + 2
p (p + 1)/(n - p - 1) (Hurvich and Tsai, Biometrika 76 (1989) 297). The limit is the time t with P(L <= limit
at t) = keep: ln t = ln t0 + (ln limit - ln q_keep(k) - a) / b. Its interval is a profile likelihood (Venzon
and Moolgavkar, Applied Statistics 37 (1988) 87), taken over the families as well, each at its AICc: choosing
a family is part of the uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from kitgauge.errors import FitError
from kitgauge.fit.blur.blur_likelihood import (
    BEND_PRIOR,
    SLOPE_RANGE,
    FamilyFit,
    Likelihood,
    StreakData,
    free_parameters,
    log_below,
    log_quantile,
    parameter_bounds,
    stretched,
)
from kitgauge.fit.blur.blur_misfit import KeptAgainstFit, LostFrames, kept_against_fit, lost_frames
from kitgauge.fit.blur.shutter_profile import Profile, mean_rate, profile_limits
from kitgauge.fit.blur.streak_families import FAMILIES, HANDS
from kitgauge.fit.newton import derivatives, maximise
from kitgauge.fit.result import NORMAL_95, FitResult

Array = NDArray[np.float64]
Reach = Literal["measured", "slower", "faster"]

_LEAST_MEASURED = 4
_RATES = (0.5, 0.8, 0.9)
_STOP = math.log(2.0)
_REACH_SLACK_STOPS = 0.01
_FARTHEST = 3.0 * _STOP  # beyond the measured shutter times; farther out the model is a guess, and no time is told


@dataclass(frozen=True)
class ShutterLimit:
    """The slowest shutter time that keeps `keep` of the frames at or under `streak_limit_px`.

    `shutter_s` is the model's value, `ci_low_s` and `ci_high_s` its 95 % interval (NaN: open on that side,
    the frames do not bound it). `reach`: "measured" where the value lies within the measured shutter times;
    "slower" or "faster" where it lies beyond them, and then it is an extrapolation. Times more than three stops
    beyond the measured ones are NaN, and the interval too where the slope is 0. `stderr_stops`: the interval's
    width in stops over 2 x 1.96, NaN where it is open. `ci_beyond`: on which sides the interval reaches beyond the
    measured times or is open.
    """

    keep: float
    streak_limit_px: float
    shutter_s: float
    ci_low_s: float
    ci_high_s: float
    stderr_stops: float
    reach: Reach
    ci_beyond: tuple[Reach, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, in the order of the file contract."""
        return {**vars(self), "ci_beyond": list(self.ci_beyond)}


@dataclass(frozen=True)
class BlurFit:
    """Blur against shutter time.

    `families` in the order of AICc, the best first; `result` describes the best. `fastest_s`, `slowest_s`:
    measured shutter times. `counts`: frames measured, below and above.
    """

    result: FitResult
    distribution: str
    families: tuple[FamilyFit, ...]
    data: StreakData
    fastest_s: float
    slowest_s: float
    counts: dict[str, int]
    # limits told so far by (keep, streak): profiles take time, and reports ask for the same ones again
    _told: dict[tuple[float, float], ShutterLimit] = field(default_factory=dict, repr=False, compare=False)

    @cached_property
    def lost(self) -> LostFrames:
        """Frames that are lost whatever the shutter time; worked out when first asked for, as it takes another fit."""
        return lost_frames(self.families, self.data)

    def flags(self, streak_limit_px: float) -> tuple[str, ...]:
        """Return "model-misfit" where frames are lost at any time, or kept frames differ from the fit's keep rates."""
        misfit = self.lost.clear or self.goodness(streak_limit_px).differ
        return ("model-misfit",) if misfit else ()

    def goodness(self, streak_limit_px: float) -> KeptAgainstFit:
        """Return how the keep rates of the single shutter times stand to the curve."""
        return kept_against_fit(self.families, self.data, streak_limit_px)

    def quantile_px(self, shutter_s: float, share: float) -> float:
        """Return the streak [px] that `share` (0 to 1) of frames at a shutter time [s] do not exceed (best
        family)."""
        best = self.families[0]
        z = float(log_quantile(FAMILIES[best.name], share, np.exp(best.theta[2:3]), best.theta[4:5])[0])
        x = float(stretched(np.array(self._x(shutter_s)), best.theta[3]))
        return math.exp(best.theta[0] + best.theta[1] * x + z)

    def keep_rate(self, shutter_s: float, streak_limit_px: float) -> float:
        """Return the share of frames at a shutter time [s] with a streak of at most `streak_limit_px`.

        Averaged over the families with their Akaike weights, as the limits are.
        """
        return mean_rate(self.families, self._x(shutter_s), streak_limit_px)

    def _x(self, shutter_s: float) -> float:
        return math.log(shutter_s / self.data.reference_s)

    def keep_rate_interval(self, shutter_s: float, streak_limit_px: float) -> tuple[float, float]:
        """Return the 95 % interval of the keep rate, NaN where the covariance is unknown.

        By the delta method on the probit of the rate, so that it stays between 0 and 1.
        """
        best, covariance = self.families[0], self.result.covariance
        free = free_parameters(best.name, self.data.burst is not None)
        if not np.all(np.isfinite(covariance)):
            return math.nan, math.nan

        def probit(theta: Array) -> Array:
            scale = theta[:, 0] + theta[:, 1] * stretched(np.array(self._x(shutter_s)), theta[:, 3])
            z = math.log(streak_limit_px) - scale
            share = np.exp(log_below(FAMILIES[best.name], z, np.exp(theta[:, 2]), theta[:, 4]))
            return np.asarray(stats.norm.ppf(np.clip(share, 1e-12, 1.0 - 1e-12)), dtype=np.float64)

        middle, gradient, _ = derivatives(probit, best.theta[None, :], free)
        error = math.sqrt(float(gradient[0] @ covariance @ gradient[0]))
        low, high = middle[0] - NORMAL_95 * error, middle[0] + NORMAL_95 * error
        return float(stats.norm.cdf(low)), float(stats.norm.cdf(high))

    def limit(self, keep: float, streak_limit_px: float) -> ShutterLimit:
        """Return the slowest shutter time with P(L <= `streak_limit_px`) >= `keep`, with its 95 % interval.

        Raises FitError for a keep rate outside 0 to 1 or a streak that is not positive.
        """
        return self.limits_of([(keep, streak_limit_px)])[0]

    def limits_of(self, wanted: Sequence[tuple[float, float]]) -> tuple[ShutterLimit, ...]:
        """Return the limit for each (keep, streak limit [px]) of `wanted`, as `limit` does, in less time than one by
        one."""
        for keep, streak_limit_px in wanted:
            if not (0.0 < keep < 1.0 and streak_limit_px > 0.0):
                raise FitError(
                    "no limit follows from this criterion",
                    got=f"keep {keep:g}, streak {streak_limit_px:g} px",
                    needed="keep between 0 and 1, streak above 0",
                    fix="give --criterion keep=0.8 or the like",
                )
        new = [pair for pair in dict.fromkeys(wanted) if pair not in self._told]
        if new:
            profiles = profile_limits(self.families, self.data, new)
            self._told.update((pair, self._limit(*pair, found)) for pair, found in zip(new, profiles, strict=True))
        return tuple(self._told[pair] for pair in wanted)

    def _limit(self, keep: float, streak_limit_px: float, found: Profile) -> ShutterLimit:
        known = math.isfinite(found.value)
        low, high = (self._time(end) if known else math.nan for end in (found.low, found.high))
        first = math.log(self.fastest_s / self.data.reference_s) - _REACH_SLACK_STOPS * _STOP
        last = math.log(self.slowest_s / self.data.reference_s) + _REACH_SLACK_STOPS * _STOP
        reach: Reach = "faster" if found.value < first else "slower" if found.value > last else "measured"
        stderr = math.log2(high / low) / (2.0 * NORMAL_95) if math.isfinite(low) and math.isfinite(high) else math.nan
        beyond: list[Reach] = ["faster"] if found.low < first else []
        beyond += ["slower"] if found.high > last else []
        return ShutterLimit(keep, streak_limit_px, self._time(found.value), low, high, stderr, reach, tuple(beyond))

    def _time(self, log_time: float) -> float:
        """Return t [s] of ln(t / t0), NaN more than three stops beyond the measured times."""
        if not math.isfinite(log_time):
            return math.nan
        if not self._x(self.fastest_s) - _FARTHEST <= log_time <= self._x(self.slowest_s) + _FARTHEST:
            return math.nan
        return self.data.reference_s * math.exp(log_time)

    def limits(self, streak_limit_px: float, asked: float | None = None) -> tuple[ShutterLimit, ...]:
        """Return the limits at keep 0.5, 0.8, 0.9 and the asked rate, in rising order of keep."""
        rates = sorted({*_RATES, *(() if asked is None else (asked,))})
        return self.limits_of([(rate, streak_limit_px) for rate in rates])

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for `blur.fit`."""
        return {
            **self.result.as_dict(),
            "distribution": self.distribution,
            "reference_shutter_s": self.data.reference_s,
            "fastest_s": self.fastest_s,
            "slowest_s": self.slowest_s,
            "counts": dict(self.counts),
            "lost_at_any_speed": self.lost.count if self.lost.clear else 0,
            "lost_aicc_gain": self.lost.aicc_gain,
        }


def _gather(
    shutter_s: Sequence[float],
    streak_px: Sequence[float],
    stderr_px: Sequence[float],
    censored: Sequence[str | None],
    bound_px: Sequence[float],
    variance_px2: Sequence[float],
    variance_stderr_px2: Sequence[float],
    bursts: Sequence[object | None],
) -> tuple[StreakData, list[str]]:
    """Return the usable frames and one reason per frame left out."""
    rows: list[tuple[float, ...]] = []
    dropped: list[str] = []
    together: list[object] = []
    columns = (shutter_s, streak_px, stderr_px, censored, bound_px, variance_px2, variance_stderr_px2)
    for number, (t, value, error, kind, bound, square, spread) in enumerate(zip(*columns, strict=True)):
        before = len(rows)
        name = f"frame {number + 1}"
        if not (math.isfinite(t) and t > 0):
            dropped.append(f"{name}: shutter time unknown")
        elif kind in ("below", "above"):
            if math.isfinite(bound) and bound > 0:
                rows.append((t, bound, 0.0, -1 if kind == "below" else 1, square, spread))
            else:
                dropped.append(f"{name}: censored {kind} without a bound")
        elif kind is not None:
            raise FitError("not a kind of censoring", where=name, got=kind, needed="below, above or none")
        elif math.isfinite(value) and value > 0:
            rows.append((t, value, error if math.isfinite(error) and error > 0 else 0.0, 0, square, spread))
        else:
            dropped.append(f"{name}: streak not measured")
        if len(rows) > before:
            together.append(("alone", number) if bursts[number] is None else ("burst", bursts[number]))
    if not rows:
        raise FitError(
            "no frame can be used for the fit of blur against shutter time",
            got="; ".join(dropped[:5]) or "no frames",
            needed="handheld frames with a measured or censored streak",
            fix="shoot the handheld ladder again, with the target sharp in the tripod frames",
        )
    table = np.array(rows, dtype=np.float64)
    reference = float(np.exp(np.mean(np.log(table[:, 0]))))
    x = np.log(table[:, 0] / reference)
    kind_of = table[:, 3].astype(np.intp)
    numbers = {name: place for place, name in enumerate(dict.fromkeys(together))}
    burst = np.array([numbers[name] for name in together], dtype=np.intp) if len(numbers) < len(rows) else None
    return StreakData(x, table[:, 1], table[:, 2], kind_of, reference, table[:, 4], table[:, 5], burst), dropped


def fit_blur(
    shutter_s: Sequence[float],
    streak_px: Sequence[float],
    stderr_px: Sequence[float],
    censored: Sequence[str | None],
    bound_px: Sequence[float],
    variance_px2: Sequence[float] | None = None,
    variance_stderr_px2: Sequence[float] | None = None,
    bursts: Sequence[object | None] | None = None,
    families: Sequence[str] = HANDS,
) -> BlurFit:
    """Fit blur against shutter time from one row per handheld frame.

    `shutter_s` exact times [s]; `streak_px` and `stderr_px` [px] of measured frames; `censored` None, "below"
    or "above" with `bound_px` the censoring value. `variance_px2`, `variance_stderr_px2` [px^2]: L^2 / 12 as
    measured, negative by noise at times, and its error; with them, frames at or near the floor enter with that
    error instead of their bound (NaN or None: not known). `bursts` names the burst of each frame (None: a frame alone);
    frames of one name share a factor of their streak (`burst_spread`). `families` are the distributions to choose from
    (`SUBJECTS` for what moves in front of a still camera). Frames with neither are left out and listed in
    `result.points_dropped`. Raises FitError where fewer than four streaks are measured or all share one
    shutter time.
    """
    unknown = [math.nan] * len(shutter_s)
    data, dropped = _gather(
        shutter_s,
        streak_px,
        stderr_px,
        censored,
        bound_px,
        unknown if variance_px2 is None else variance_px2,
        unknown if variance_stderr_px2 is None else variance_stderr_px2,
        [None] * len(shutter_s) if bursts is None else bursts,
    )
    measured = int(np.count_nonzero(data.kind == 0))
    below, above = int(np.count_nonzero(data.kind < 0)), int(np.count_nonzero(data.kind > 0))
    counts = {"measured": measured, "below": below, "above": above}
    times = np.unique(np.round(data.x, 6))
    if measured < _LEAST_MEASURED or times.size < 2:
        fix = "shoot more frames over several shutter speeds"
        if below > above:
            fix = "shoot slower speeds as well: most frames are as sharp as the tripod frames"
        elif above > 0:
            fix = "shoot faster speeds as well: most frames are too blurred to measure"
        raise FitError(
            "too few measured streaks to relate blur to shutter time",
            got=f"{measured} measured, {below} below the floor, {above} too long, at {times.size} shutter time(s)",
            needed=f"at least {_LEAST_MEASURED} measured, at two or more shutter times",
            fix=fix,
        )
    fits = tuple(sorted((_fit_family(name, data) for name in families), key=lambda fit: fit.aicc))
    return BlurFit(
        result=_describe(fits, data, dropped),
        distribution=fits[0].name,
        families=fits,
        data=data,
        fastest_s=float(data.reference_s * np.exp(data.x.min())),
        slowest_s=float(data.reference_s * np.exp(data.x.max())),
        counts=counts,
    )


def _fit_family(name: str, data: StreakData) -> FamilyFit:
    family = FAMILIES[name]
    likelihood = Likelihood(family, data)
    median = float(family.log_quantile(0.5, np.array(family.start_k)))
    known = data.kind == 0
    level = float(np.mean(np.log(data.value[known]) - 1.0 * data.x[known])) - median
    bursts = data.burst is not None
    spread = 0.3 if bursts else 0.0
    starts = np.array([[level, slope, math.log(family.start_k), BEND_PRIOR[0], spread] for slope in (0.5, 1.0)])
    free = free_parameters(name, bursts)
    lower, upper = parameter_bounds(bursts)
    places, values, done = maximise(likelihood, starts, free, lower, upper, likelihood.derivatives, likelihood.slack)
    best = int(np.argmax(values))
    n, p = data.x.size, free.size - 1  # the bend is held by its prior
    penalty = 2.0 * p + (2.0 * p * (p + 1) / (n - p - 1) if n > p + 1 else math.inf)
    # families differ in what the restriction adds by more than their fit, so they are compared without it
    aicc = penalty - 2.0 * float(likelihood.plain(places[best : best + 1])[0])
    return FamilyFit(name, places[best], float(values[best]), aicc, bool(done[best]))


def _describe(fits: Sequence[FamilyFit], data: StreakData, dropped: Sequence[str]) -> FitResult:
    best = fits[0]
    free = free_parameters(best.name, data.burst is not None)
    likelihood = Likelihood(FAMILIES[best.name], data)
    hessian = likelihood.derivatives(best.theta[None, :])[2][0][np.ix_(free, free)]
    bound = best.theta[1] <= SLOPE_RANGE[0]
    covariance = np.full((free.size, free.size), math.nan)
    if not bound:
        try:
            inverse = np.linalg.inv(-hessian)
        except np.linalg.LinAlgError:
            inverse = covariance
        if np.all(np.isfinite(inverse)) and np.all(np.diag(inverse) > 0):
            covariance = inverse
    names = np.array(["ln_scale", "slope", "ln_shape", "bend", "burst_spread"])
    message = f"{best.name}: {FAMILIES[best.name].meaning}"
    if bound:
        message += "; the frames do not show blur growing with shutter time (slope held at 0)"
    evidence: dict[str, float] = {}
    for fit in fits:
        evidence[f"log_likelihood_{fit.name}"] = fit.log_likelihood
        evidence[f"aicc_{fit.name}"] = fit.aicc
    return FitResult(
        model=f"streak = exp(ln_scale + slope (1 - exp(-bend x)) / bend) u, x = ln(t / {data.reference_s:.6g} s), "
        f"u {best.name}",
        names=tuple(str(name) for name in names[free]),
        values=best.theta[free],
        units=("ln px", *[""] * (free.size - 1)),
        stderr=np.sqrt(np.diag(covariance)),
        covariance=covariance,
        degrees_of_freedom=data.x.size - free.size,
        reduced_chi_square=math.nan,
        points_used=data.x.size,
        points_dropped=tuple(dropped),
        converged=best.converged,
        at_bound=("slope",) if bound else (),
        message=message,
        evidence=evidence,
    )
