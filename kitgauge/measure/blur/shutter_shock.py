"""Blur that the shutter itself makes: tripod frames that are softer at the middle speeds, in one direction.

A knock of mirror or shutter at the start of the exposure rings for some hundredths of a second. Much shorter exposures
end before it has moved the camera, much longer ones dilute it (its share of the exposure falls as 1 / t), so that blur
from it peaks between about 1/125 and 1/4 s (common practice, no source; the peak follows from that argument alone). A
restless tripod instead blurs more the longer the exposure.

Each shutter time is compared with the sharpest one. A knock is told where the middle times are blurred beyond chance
and beyond half a pixel, in one direction, and the fastest time, and nothing towards the slow end, is less so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitgauge.errors import MeasurementError
from kitgauge.measure.blur.streak import MeasuredEdge, Streak, StreakReference, measure_streak, reference_edges

Array = NDArray[np.float64]

_SIGMA = 4.0
_LEAST_PX = 0.5
_MIDDLE_S = (1.0 / 180.0, 0.36)  # exact times from 1/128 to 1/4 s lie within
_LEAST_TIMES = 3
_ONE_DIRECTION = 0.75  # of the variance along the principal axis
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
    """A knock by the shutter: the speeds that show it, the largest streak [px], at which speed, its direction."""

    shutter_s: tuple[float, ...]
    streak_px: float
    streak_px_stderr: float
    worst_shutter_s: float
    direction_deg: float
    times: tuple[StillTime, ...]


@dataclass(frozen=True)
class StillSeries:
    """The reference of a series: of all tripod frames together or, where the shutter knocks, one per shutter time.

    `shock` is None where no knock is told. `nearest` gives the reference that a frame is compared with.
    """

    together: StreakReference
    by_time: Mapping[float, StreakReference]
    shock: ShutterShock | None

    def nearest(self, shutter_s: float | None) -> StreakReference:
        """Return the reference of the shutter time nearest in stops; without a knock, or a time, that of all."""
        if self.shock is None or shutter_s is None or not shutter_s > 0:
            return self.together
        return self.by_time[min(self.by_time, key=lambda time: abs(math.log(time / shutter_s)))]

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
    shock = None if times is None else _shock(times)
    return StillSeries(together, references, shock)


def _against_the_sharpest(
    groups: Mapping[float, Sequence[Sequence[MeasuredEdge]]],
    references: Mapping[float, StreakReference],
    together: StreakReference,
) -> tuple[StillTime, ...] | None:
    """Return what each shutter time shows against the sharpest one, fastest first; None where too few can be told."""
    against_all = {time: _mean(time, [measure_streak(f, together) for f in groups[time]]) for time in references}
    told = {time: still for time, still in against_all.items() if still is not None}
    if len(told) < _LEAST_TIMES:
        return None
    base = references[min(told, key=lambda time: told[time].trace_px2)]
    found = [_mean(time, [measure_streak(frame, base) for frame in groups[time]]) for time in sorted(told)]
    return tuple(still for still in found if still is not None)


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


def _shock(times: Sequence[StillTime]) -> ShutterShock | None:
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
    )
