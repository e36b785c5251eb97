"""Blur that the shutter itself makes: tripod frames that are softer at the middle speeds, in one direction.

A knock of mirror or shutter at the start of the exposure rings for some hundredths of a second. Much shorter exposures
end before it has moved the camera, much longer ones dilute it (its share of the exposure falls as 1 / t), so that blur
from it peaks between about 1/125 and 1/4 s (common practice, no source; the peak follows from that argument alone). A
restless tripod instead blurs more the longer the exposure.

Each shutter time is compared with the sharpest one. A knock is told where the middle times are blurred beyond chance
and beyond half a pixel, in one direction, and both the fastest time and the slowest are less so.

All frames are then compared with the sharpest tripod frames, and what the tripod frames of a frame's own time show is
taken off its variance. (Against blurred ones of its own time, a frame is no convolution of them.) Hands move while the
camera rings: the variance of both together is V_hands + V_knock + 2 c, and their covariance c comes out with either
sign. What is left has an error of that size.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kitgauge.errors import MeasurementError
from kitgauge.measure.blur.streak import (
    MeasuredEdge,
    Streak,
    StreakReference,
    measure_streak,
    reference_edges,
    with_variance,
)

Array = NDArray[np.float64]

_SIGMA = 4.0
_LEAST_PX = 0.5
_MIDDLE_S = (1.0 / 180.0, 0.36)  # exact times from 1/128 to 1/4 s lie within
_LEAST_TIMES = 3
_ONE_DIRECTION = 0.75  # of the variance along the principal axis
_LEAST_FRAMES = 4
_LEAST_SHARE = 0.5  # of the square of the largest covariance of knock and hands
_FALLEN = 0.7  # a slower or faster time than the peak must have less than this share of its variance


@dataclass(frozen=True)
class StillTime:
    """The tripod frames of one shutter time against the sharpest time: C [px^2] in x and y, and error of its trace."""

    shutter_s: float
    frames: int
    variance_x_px2: float
    variance_y_px2: float
    covariance_px2: float
    trace_px2_stderr: float

    @property
    def trace_px2(self) -> float:
        """Variance of the motion over both axes."""
        return self.variance_x_px2 + self.variance_y_px2

    @property
    def streak_px(self) -> float:
        """Streak against the sharpest time, 0 where noise leaves nothing."""
        return math.sqrt(12.0 * max(self.trace_px2, 0.0))

    @property
    def clear(self) -> bool:
        """Tell whether this time is blurred beyond chance and beyond what matters."""
        return self.trace_px2 > max(_SIGMA * self.trace_px2_stderr, _LEAST_PX**2 / 12.0)

    @property
    def axis(self) -> tuple[float, float]:
        """Direction of the principal axis [degrees, 0 to 180, x towards y] and its share of the variance."""
        matrix = np.array(
            [[self.variance_x_px2, self.covariance_px2], [self.covariance_px2, self.variance_y_px2]], dtype=np.float64
        )
        values, vectors = np.linalg.eigh(matrix)
        share = float(values[1] / max(self.trace_px2, 1e-12))
        return math.degrees(math.atan2(vectors[1, 1], vectors[0, 1])) % 180.0, share


@dataclass(frozen=True)
class ShutterShock:
    """A knock by the shutter: the speeds that show it, the largest streak [px], at which speed, its direction.

    `sharpest_s` is the time that all others are compared with.
    """

    shutter_s: tuple[float, ...]
    streak_px: float
    streak_px_stderr: float
    worst_shutter_s: float
    direction_deg: float
    times: tuple[StillTime, ...]
    sharpest_s: float


@dataclass(frozen=True)
class StillSeries:
    """The reference of a series: of all tripod frames together or, where the shutter knocks, of the sharpest time.

    `shock` is None where no knock is told. `reference` is what every frame is compared with.
    """

    together: StreakReference
    by_time: Mapping[float, StreakReference]
    shock: ShutterShock | None

    @property
    def reference(self) -> StreakReference:
        """What frames are compared with."""
        return self.together if self.shock is None else self.by_time[self.shock.sharpest_s]

    def knock(self, shutter_s: float | None) -> StillTime | None:
        """Return what the knock does to a frame of this time, None where there is none."""
        if self.shock is None or shutter_s is None or not shutter_s > 0:
            return None
        own = min(self.shock.times, key=lambda still: abs(math.log(still.shutter_s / shutter_s)))
        return own if own.trace_px2 > 0 else None

    @property
    def flags(self) -> tuple[str, ...]:
        """Flags of the reference in use."""
        used = self.by_time.values() if self.shock is not None else (self.together,)
        return tuple(dict.fromkeys(flag for reference in used for flag in reference.flags))

    @property
    def unrest_px(self) -> float:
        """Streak that stands for the differences of frames compared with each other, NaN where none are."""
        used = [r.unrest_px for r in self.by_time.values()] if self.shock is not None else [self.together.unrest_px]
        return max((value for value in used if not math.isnan(value)), default=math.nan)


def still_series(frames: Sequence[Sequence[MeasuredEdge]], shutter_s: Sequence[float | None]) -> StillSeries:
    """Return the reference from the edges of the tripod frames and their exact shutter times [s].

    Raises MeasurementError where no edge can be used (`reference_edges`).
    """
    together = reference_edges(frames)
    known = sorted({time for time in shutter_s if time is not None and time > 0})
    if len(known) < _LEAST_TIMES:
        return StillSeries(together, {}, None)
    groups = {time: [f for f, own in zip(frames, shutter_s, strict=True) if own == time] for time in known}
    references: dict[float, StreakReference] = {}
    for time, group in groups.items():
        try:
            references[time] = reference_edges(group)
        except MeasurementError:
            continue  # no edge of this time serves: the nearest other one stands in
    times = _against_the_sharpest(groups, references, together)
    shock = None if times is None else _shock(*times)
    return StillSeries(together, references, shock)


def apart_from_the_knock(streaks: Sequence[Streak], knock: StillTime, *, held: bool) -> list[Streak]:
    """Return the streaks of the frames of one shutter time with the variance of the knock taken off.

    For `held` frames the covariance of knock and hands is part of the error. It lies between -sqrt(V_knock V_along) and
    +sqrt(V_knock V_along) (Cauchy-Schwarz). V_along, of the hands along the knock, is as large on average as what the
    same frames show across it, where there is no knock; and so is its scatter, so that what the frames scatter more
    along than across is by the covariance: taken as its error, between half of the variance that Cauchy-Schwarz allows
    (the scatter of few variances is known badly) and all of it (fast exposures, in which knock and hands are straight;
    fewer than four frames). Frames under twice their error are censored below as any other; none is called
    sharper than the reference.
    """
    known = [s for s in streaks if s.censored != "above" and math.isfinite(s.trace_px2)]
    if not known:
        return list(streaks)
    angle = math.radians(knock.axis[0])
    x, y = math.cos(angle), math.sin(angle)
    table = np.array([(s.variance_x_px2, s.variance_y_px2, s.covariance_px2, s.trace_px2_stderr) for s in known])
    along = table[:, :3] @ (x**2, y**2, 2.0 * x * y)
    across = table[:, :3] @ (y**2, x**2, -2.0 * x * y)
    noise = float(table[:, 3].mean()) / math.sqrt(len(known))
    most_px4 = 4.0 * knock.trace_px2 * (max(float(across.mean()), 0.0) + noise)
    error_px4 = most_px4 if held else 0.0
    if held and len(known) >= _LEAST_FRAMES:
        beyond = float(along.var(ddof=1) - across.var(ddof=1))
        error_px4 = min(max(beyond, _LEAST_SHARE * most_px4), most_px4)
    return [_apart(s, knock, math.sqrt(error_px4)) if s in known else s for s in streaks]


def _apart(streak: Streak, knock: StillTime, covariance_px2: float) -> Streak:
    flags = tuple(flag for flag in streak.flags if flag != "tripod-unsteady")
    error = math.hypot(streak.trace_px2_stderr, knock.trace_px2_stderr, covariance_px2)
    x, y = streak.variance_x_px2 - knock.variance_x_px2, streak.variance_y_px2 - knock.variance_y_px2
    both = streak.covariance_px2 - knock.covariance_px2
    apart = with_variance(replace(streak, flags=flags), streak.trace_px2 - knock.trace_px2, error)
    # which way the hands went shows where they are far above all that
    clear = apart.censored is None and apart.trace_px2 > _SIGMA * error
    direction = math.degrees(0.5 * math.atan2(2.0 * both, x - y)) % 180.0 if clear else math.nan
    return replace(
        apart,
        variance_x_px2=x,
        variance_y_px2=y,
        covariance_px2=both,
        direction_deg=direction if math.isfinite(streak.direction_deg) else math.nan,
        direction_deg_stderr=streak.direction_deg_stderr if clear else math.nan,
    )


def _against_the_sharpest(
    groups: Mapping[float, Sequence[Sequence[MeasuredEdge]]],
    references: Mapping[float, StreakReference],
    together: StreakReference,
) -> tuple[float, tuple[StillTime, ...]] | None:
    """Return the sharpest time, and what each shows against it, fastest first; None where too few can be told."""
    against_all = {time: _mean(time, [measure_streak(f, together) for f in groups[time]]) for time in references}
    told = {time: still for time, still in against_all.items() if still is not None}
    if len(told) < _LEAST_TIMES:
        return None
    sharpest = min(told, key=lambda time: told[time].trace_px2)
    base = references[sharpest]
    found = [_mean(time, [measure_streak(frame, base) for frame in groups[time]]) for time in sorted(told)]
    return sharpest, tuple(still for still in found if still is not None)


def _mean(shutter_s: float, streaks: Sequence[Streak]) -> StillTime | None:
    """Return the mean of the frames of one time; the standard error is the larger of noise and of their scatter."""
    known = [streak for streak in streaks if math.isfinite(streak.trace_px2)]
    if not known:
        return None
    traces = np.array([streak.trace_px2 for streak in known])
    # noise of the reference is common to the frames and does not average out
    noise = float(np.mean([streak.trace_px2_stderr for streak in known]))
    scatter = float(traces.std(ddof=1)) / math.sqrt(traces.size) if traces.size > 1 else 0.0
    x, y, xy = (
        float(np.mean([getattr(streak, name) for streak in known]))
        for name in ("variance_x_px2", "variance_y_px2", "covariance_px2")
    )
    return StillTime(shutter_s, len(known), x, y, xy, max(noise, scatter))


def _shock(sharpest_s: float, times: Sequence[StillTime]) -> ShutterShock | None:
    """Return the knock that the times (fastest first) show, None where they show none, or something else."""
    peak = max(times, key=lambda still: still.trace_px2)
    clear = [still for still in times if still.clear and _MIDDLE_S[0] < still.shutter_s < _MIDDLE_S[1]]
    faster = [still for still in times if still.shutter_s < peak.shutter_s]
    slower = [still for still in times if still.shutter_s > peak.shutter_s]
    if peak not in clear or not faster or not slower:
        return None
    fallen = [side for side in (faster[0], slower[-1]) if side.trace_px2 < _FALLEN * peak.trace_px2]
    direction, share = peak.axis
    if len(fallen) < 2 or share < _ONE_DIRECTION:
        return None
    return ShutterShock(
        shutter_s=tuple(still.shutter_s for still in clear),
        streak_px=peak.streak_px,
        streak_px_stderr=6.0 * peak.trace_px2_stderr / peak.streak_px,
        worst_shutter_s=peak.shutter_s,
        direction_deg=direction,
        times=tuple(times),
        sharpest_s=sharpest_s,
    )
