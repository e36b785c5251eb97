"""Blur runs side by side: ways of holding, the stabiliser, other kit, other focal lengths, and progress over months.

Two limits differ by d = log2(t1 / t2) stops. Their intervals are not symmetric, so the interval of d is put together
from the distances of the ends (method of variance estimates recovery: A. Donner and G. Zou, Stat. Methods Med. Res. 21
(2012) 347); p is that of the interval's own width on the side of zero. Several differences from one reference are
judged together (S. Holm, Scand. J. Stat. 6 (1979) 65). Where a way of holding has runs of several days, the scatter
from day to day is part of the error (`fit.limit_sessions`). Where it has one, nothing can be said of that scatter, and
the text tells so.

The benefit of a stabiliser in stops is the same d: log2 of the ratio of the limits with and without it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from kitgauge.errors import UsageError
from kitgauge.fit.blur.limit_sessions import Effect, fit_sessions
from kitgauge.intervals import NORMAL_95
from kitgauge.limits.comparable import labels_of, require_comparable
from kitgauge.limits.compare import SIGNIFICANT_P
from kitgauge.limits.comparison_words import difference_sentence, notes_of, progress_sentence, stabiliser_words
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.run_limits import BlurRun, read_blur_run

SCHEMA = 1
_SAME_FOCAL = 0.02
_DAYS_PER_MONTH = 30.4375
_LEAST_PAIRS, _LEAST_SESSIONS = 3, 3

DifferenceKind = Literal["technique", "stabiliser", "focal length", "session"]


@dataclass(frozen=True)
class SessionLimit:
    """The limit of one run at the common criterion, at the focal length that all are compared at.

    `shutter_s` is NaN where the limit lies beyond the measured times (`reach` says on which side); the end of the
    interval towards them bounds it still. `scaled_from_mm`: the focal length [mm in 35 mm terms, else as marked] it
    was measured at, where that is another one.
    """

    run: BlurRun
    label: str
    shutter_s: float
    ci_low_s: float
    ci_high_s: float
    reach: str
    scaled_from_mm: float | None

    @property
    def stderr_stops(self) -> float:
        """Half the width of the interval in stops, as one standard error; NaN where it is open."""
        if not (math.isfinite(self.shutter_s) and self.ci_high_s > self.ci_low_s > 0):
            return math.nan
        return math.log2(self.ci_high_s / self.ci_low_s) / (2.0 * NORMAL_95)


@dataclass(frozen=True)
class StopsDifference:
    """`of` minus `against` in stops (> 0: `of` allows slower times), with its 95 % interval (NaN: open).

    `p`: how often luck alone gives a difference as large, NaN where it cannot be told; `p_together` the same where
    several differences were looked at. `real` None: cannot be told. `scatter_stops`: from day to day, NaN where each
    was measured once. `at_least`: `stops` is only a bound.
    """

    of: str
    against: str
    kind: DifferenceKind
    stops: float
    ci_low: float
    ci_high: float
    p: float
    p_together: float
    real: bool | None
    sessions: tuple[int, int]
    scatter_stops: float
    noticeable_stops: float
    paired_days: int = 0
    text: str = ""


@dataclass(frozen=True)
class Progress:
    """Trend of one way of holding over the months, in stops per month, and the trend that would have been noticed."""

    of: str
    sessions: int
    months: float
    trend: Effect
    scatter_stops: float
    real: bool
    text: str


@dataclass(frozen=True)
class RunComparison:
    """Everything that a comparison of runs gives."""

    keep: float
    streak_share: float
    streak_px: float
    sessions: tuple[SessionLimit, ...]
    differences: tuple[StopsDifference, ...]
    progress: tuple[Progress, ...]
    notes: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "schema": SCHEMA,
            "criterion": {
                "keep": self.keep,
                "streak_px": self.streak_px,
                "streak_share_of_diagonal": self.streak_share,
            },
            "runs": [_session_dict(session) for session in self.sessions],
            "differences": [_plain(item) for item in self.differences],
            "progress": [_plain(item) for item in self.progress],
            "notes": list(self.notes),
        }


def compare_runs(folders: Sequence[Path | str], criteria: Criteria | None = None) -> RunComparison:
    """Compare the blur runs in `folders`, the first being what the others are compared with.

    `criteria` judges all of them; None: by their own, which must be one. Raises UsageError for fewer than two runs,
    for runs that share handheld frames, and for those that cannot be compared: other criteria, hands with subjects,
    raw with developed.
    """
    if len(folders) < 2:
        raise UsageError(
            "nothing to compare with",
            got=f"{len(folders)} run(s)",
            needed="two runs or more",
            fix="name the folders of two or more blur runs, the one to compare with first",
        )
    runs = [read_blur_run(folder, criteria) for folder in folders]
    require_comparable(runs)
    first = runs[0]
    labels = labels_of(runs)
    sessions = tuple(_session(run, label, first) for run, label in zip(runs, labels, strict=True))
    groups: dict[str, list[SessionLimit]] = {}
    for session in sessions:
        groups.setdefault(session.label, []).append(session)
    return RunComparison(
        keep=first.keep,
        streak_share=first.streak_share,
        streak_px=first.streak_px,
        sessions=sessions,
        differences=_differences(groups),
        progress=tuple(_progress(label, group) for label, group in groups.items() if _enough(group)),
        notes=notes_of(sessions),
    )


def difference_of_limits(
    of: tuple[float, float, float], against: tuple[float, float, float]
) -> tuple[float, float, float, float]:
    """Return (stops, low, high, p) of two independent limits, each (value, low, high) of its 95 % interval [s].

    Ends that are NaN are open, and so is the end of the difference that they make. p is NaN where the interval is open
    on the side of zero.
    """
    (one, one_low, one_high), (two, two_low, two_high) = (tuple(map(_log2, limit)) for limit in (of, against))
    stops = one - two
    down = math.hypot(one - one_low, two_high - two)
    up = math.hypot(one_high - one, two - two_low)
    half = down if stops > 0 else up
    p = math.erfc(abs(stops) / half * NORMAL_95 / math.sqrt(2.0)) if half > 0 else math.nan
    return stops, stops - down, stops + up, p


def _log2(value: float) -> float:
    return math.log2(value) if value > 0 else math.nan


def _focal_ratio(run: BlurRun, first: BlurRun) -> float:
    """Return the angle of view that a share of the diagonal makes up in `first` over that in `run`; 1 if unknown."""
    ratio = run.focal_35mm / first.focal_35mm
    if math.isnan(ratio) and run.shape == first.shape and run.kit_words == first.kit_words:
        ratio = run.focal_mm / first.focal_mm
    return 1.0 if math.isnan(ratio) or abs(ratio - 1.0) < _SAME_FOCAL else ratio


def _session(run: BlurRun, label: str, first: BlurRun) -> SessionLimit:
    ratio = _focal_ratio(run, first)
    # the first run's criterion: equal shares of the diagonal differ by rounding only
    found = run.fit.limit(run.keep, first.streak_share * run.diagonal_px * ratio)
    value, low, high = found.shutter_s, found.ci_low_s, found.ci_high_s
    if found.reach == "slower":
        value, high = math.nan, math.nan
        low = min(low, run.fit.slowest_s) if math.isfinite(low) else math.nan
    elif found.reach == "faster":
        value, low = math.nan, math.nan
        high = max(high, run.fit.fastest_s) if math.isfinite(high) else math.nan
    measured_at = run.focal_35mm if math.isfinite(run.focal_35mm) else run.focal_mm
    return SessionLimit(run, label, value, low, high, found.reach, None if ratio == 1.0 else measured_at)


def _differences(groups: Mapping[str, list[SessionLimit]]) -> tuple[StopsDifference, ...]:
    names = list(groups)
    if len(names) == 1:
        group = groups[names[0]]
        if len(group) != 2:
            return ()  # three and more sessions make a trend
        return (_told(_of_two(group[1], group[0], "session")),)
    found = [_difference(groups[name], groups[names[0]], groups) for name in names[1:]]
    order = sorted((item for item in found if math.isfinite(item.p)), key=lambda item: item.p)
    together: dict[str, float] = {}
    largest = 0.0
    for rank, item in enumerate(order):  # Holm's step-down
        largest = max(largest, min(1.0, (len(order) - rank) * item.p))
        together[item.of] = largest
    return tuple(_told(replace(item, p_together=together.get(item.of, math.nan))) for item in found)


def _difference(
    of: list[SessionLimit], against: list[SessionLimit], groups: Mapping[str, list[SessionLimit]]
) -> StopsDifference:
    kind = _kind(of[0], against[0])
    if len(of) == 1 and len(against) == 1:
        return _of_two(of[0], against[0], kind)
    known = {label: [s for s in group if math.isfinite(s.stderr_stops)] for label, group in groups.items()}
    one, two = known[of[0].label], known[against[0].label]
    unknown = StopsDifference(
        of[0].label, against[0].label, kind, *(math.nan,) * 5, None, (len(one), len(two)), math.nan, math.nan
    )  # fmt: skip
    if not one or not two:
        return unknown
    pairs = _pairs(one, two)
    if len(pairs) >= _LEAST_PAIRS:
        fit = fit_sessions(
            [math.log2(a.shutter_s / b.shutter_s) for a, b in pairs],
            [math.hypot(a.stderr_stops, b.stderr_stops) for a, b in pairs],
            [[1.0]] * len(pairs),
        )
        effect = fit.effect([1.0])
    else:
        labels = [label for label, group in known.items() if group]
        every = [(labels.index(label), session) for label in labels for session in known[label]]
        if len(every) == len(labels):
            return replace(_of_two(one[0], two[0], kind))
        fit = fit_sessions(
            [math.log2(session.shutter_s) for _, session in every],
            [session.stderr_stops for _, session in every],
            [[float(k == place) for k in range(len(labels))] for place, _ in every],
        )
        contrast = [float(label == of[0].label) - float(label == against[0].label) for label in labels]
        effect = fit.effect(contrast)
    return replace(
        unknown, stops=effect.value, ci_low=effect.low, ci_high=effect.high, p=effect.p, p_together=effect.p,
        scatter_stops=fit.scatter_stops, noticeable_stops=effect.noticeable,
        paired_days=len(pairs) if len(pairs) >= _LEAST_PAIRS else 0,
    )  # fmt: skip


def _pairs(one: list[SessionLimit], two: list[SessionLimit]) -> list[tuple[SessionLimit, SessionLimit]]:
    """Return the sessions of one day side by side, where every day of both has one of each; else none."""
    days = [{s.run.moment.date(): s for s in group if s.run.moment is not None} for group in (one, two)]
    if (
        any(len(day) != len(group) for day, group in zip(days, (one, two), strict=True))
        or days[0].keys() != days[1].keys()
    ):
        return []
    return [(days[0][day], days[1][day]) for day in sorted(days[0])]


def _of_two(of: SessionLimit, against: SessionLimit, kind: DifferenceKind) -> StopsDifference:
    ends = [(s.shutter_s, s.ci_low_s, s.ci_high_s) for s in (of, against)]
    stops, low, high, p = difference_of_limits(ends[0], ends[1])
    # where a limit lies beyond the measured times, only its bound against the other's far end is known
    low = _bound(low, of.ci_low_s, against.ci_high_s)
    high = _bound(high, of.ci_high_s, against.ci_low_s)
    half = 0.5 * (high - low) / NORMAL_95
    return StopsDifference(
        of.label, against.label, kind, stops, low, high, p, p, None, (1, 1), math.nan, 2.8 * half
    )  # fmt: skip


def _bound(end: float, one_s: float, two_s: float) -> float:
    return end if math.isfinite(end) else _log2(one_s) - _log2(two_s)


def _kind(of: SessionLimit, against: SessionLimit) -> DifferenceKind:
    if stabiliser_words(of.run.technique, against.run.technique):
        return "stabiliser"
    scaled = (of.scaled_from_mm is None) != (
        against.scaled_from_mm is None
    ) or of.scaled_from_mm != against.scaled_from_mm
    return "focal length" if scaled and of.run.technique == against.run.technique else "technique"


def _told(item: StopsDifference) -> StopsDifference:
    real: bool | None = None
    if math.isfinite(item.p_together):
        real = item.p_together < SIGNIFICANT_P
    elif math.isnan(item.stops) and (item.ci_low > 0 or item.ci_high < 0):
        real = True  # the intervals of the two limits do not meet
    item = replace(item, real=real)
    return replace(item, text=difference_sentence(item))


def _enough(group: list[SessionLimit]) -> bool:
    days = {s.run.moment.date() for s in group if s.run.moment is not None and math.isfinite(s.stderr_stops)}
    return len(days) >= _LEAST_SESSIONS


def _progress(label: str, group: list[SessionLimit]) -> Progress:
    known: list[tuple[datetime, SessionLimit]] = sorted(
        ((s.run.moment, s) for s in group if s.run.moment is not None and math.isfinite(s.stderr_stops)),
        key=lambda item: item[0],
    )
    first = known[0][0]
    months = [(moment - first).total_seconds() / 86_400.0 / _DAYS_PER_MONTH for moment, _ in known]
    fit = fit_sessions(
        [math.log2(session.shutter_s) for _, session in known],
        [session.stderr_stops for _, session in known],
        [[1.0, month] for month in months],
    )
    trend = fit.effect([0.0, 1.0])
    found = Progress(label, len(known), months[-1], trend, fit.scatter_stops, trend.p < SIGNIFICANT_P, "")
    return replace(found, text=progress_sentence(found))


def _session_dict(session: SessionLimit) -> dict[str, Any]:
    run = session.run
    return {
        "run": run.name,
        "label": session.label,
        "technique": run.technique or None,
        "body": run.kit.get("body"),
        "lens": run.kit.get("lens"),
        "focal_mm": run.focal_mm,
        "focal_35mm": run.focal_35mm,
        "taken_at": None if run.moment is None else run.moment.isoformat(),
        "shutter_s": session.shutter_s,
        "ci_low_s": session.ci_low_s,
        "ci_high_s": session.ci_high_s,
        "stderr_stops": session.stderr_stops,
        "reach": session.reach,
        "scaled": session.scaled_from_mm is not None,
        "flags": list(run.flags),
    }


def _plain(item: StopsDifference | Progress) -> dict[str, Any]:
    return {key: dict(vars(value)) if isinstance(value, Effect) else value for key, value in vars(item).items()}
