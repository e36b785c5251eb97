"""Differences between runs in words: how much, how sure, and what it does not tell."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from kitgauge.limits.compare_runs import Progress, SessionLimit, StopsDifference

_STABILISER = re.compile(r"[,;]?\s*(?:with\s+)?stabili[sz](?:er|ation)\s+(on|off)\b", re.IGNORECASE)
_CERTAIN = 0.001
_WIDER = "Shoot slower or faster speeds as well."


def stabiliser_words(of: str, against: str) -> bool:
    """Tell whether two techniques differ in 'stabiliser on' and 'stabiliser off' only."""
    found = [_STABILISER.search(technique) for technique in (of, against)]
    states = {match.group(1).lower() for match in found if match}
    rest = {" ".join(_STABILISER.sub("", technique).split()).casefold() for technique in (of, against)}
    return states == {"on", "off"} and len(rest) == 1


def chance(p: float) -> str:
    """Return how often luck alone would show as much: 'in 3 of 100 tries', 'less than once in 1000 tries'."""
    if p < _CERTAIN:
        return "less than once in 1000 tries"
    if p < 0.01:
        return f"in {max(1, round(1000 * p))} of 1000 tries"
    return f"in {round(100 * p)} of 100 tries"


def _stops(value: float, low: float, high: float) -> str:
    return f"{value:+.2f} stops (95 % interval {_end(low)} to {_end(high)})"


def _end(value: float) -> str:
    return f"{value:+.2f}" if math.isfinite(value) else "open"


def _noticed(value: float) -> str:
    return (
        f" A difference of {value:.2f} stops would have been noticed in 8 of 10 tries." if math.isfinite(value) else ""
    )


def difference_sentence(item: StopsDifference) -> str:
    """Return one difference as a sentence or three."""
    head = f"{_capital(item.of)}, compared with {item.against}: "
    if math.isnan(item.stops):
        return head + _bounded(item)
    said = _stops(item.stops, item.ci_low, item.ci_high)
    if item.kind == "stabiliser":
        with_it = "on" in _states(item.of)
        said = f"the stabiliser gives {said}" if with_it else f"{said}; the stabiliser gives {-item.stops:+.2f} stops"
    if math.isnan(item.p_together):
        return f"{head}{said}. Whether this is luck cannot be told."
    luck = f"luck alone shows as much {chance(item.p_together)}"
    if item.p_together > item.p:
        luck += ", all differences looked at counted"
    if item.kind == "focal length":
        return f"{head}{said}, with the other focal length carried over by angle; {_agreement(item, luck)}"
    certain = "the two days differ" if item.kind == "session" else "a real difference"
    verdict = certain if item.real else "luck can explain it"
    told = f"{head}{said}; {luck}: {verdict}."
    if not item.real:
        told += _noticed(item.noticeable_stops)
    if item.kind == "session":
        told += " Two sessions cannot tell practice from a good day: shoot a third on another day."
    elif math.isfinite(item.scatter_stops):
        days = f" on {item.paired_days} days, each compared with the same day" if item.paired_days else ""
        told += (
            f" From {item.sessions[0]} and {item.sessions[1]} sessions{days}; the scatter from day to day, "
            f"{item.scatter_stops:.2f} stops, is counted in."
        )
    return told


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _states(label: str) -> list[str]:
    return [state.lower() for state in _STABILISER.findall(label)]


def _agreement(item: StopsDifference, luck: str) -> str:
    if item.real:
        return f"{luck}: the two do not agree, so trust only what was measured at its own focal length."
    return f"{luck}: the two agree, as far as these frames can tell.{_noticed(item.noticeable_stops)}"


def _bounded(item: StopsDifference) -> str:
    low, high = item.ci_low, item.ci_high
    why = "a limit lies beyond the speeds measured, so there is no number"
    if low > 0:
        return f"{why}; it is at least {low:.2f} stops slower: a real difference."
    if high < 0:
        return f"{why}; it is at least {-high:.2f} stops faster: a real difference."
    if math.isfinite(low) or math.isfinite(high):
        return f"{why}; the difference lies between {_end(low)} and {_end(high)} stops. {_WIDER}"
    return f"{why}. {_WIDER}"


def progress_sentence(item: Progress) -> str:
    """Return the trend of one way of holding, and the line between practice and luck."""
    trend = item.trend
    said = (
        f"{_capital(item.of)}: {trend.value:+.2f} stops per month "
        f"(95 % interval {trend.low:+.2f} to {trend.high:+.2f}) over {item.sessions} sessions in "
        f"{item.months:.1f} months; beyond their own errors the sessions scatter by "
        f"{item.scatter_stops:.2f} stops from day to day. Luck alone shows as much {chance(trend.p)}"
    )
    if item.real:
        shown = "practice shows" if trend.value > 0 else "less steady by now"
        return f"{said}, so this is more than luck explains: {shown}."
    return (
        f"{said}: this is no more than luck. A trend of {trend.noticeable:.2f} stops per month would have been "
        "noticed in 8 of 10 tries."
    )


def notes_of(sessions: Sequence[SessionLimit]) -> tuple[str, ...]:
    """Return what to keep in mind: kits that differ, limits that are scaled or bounds, doubts, sessions too few."""
    runs = [session.run for session in sessions]
    first, labels = runs[0], [session.label for session in sessions]
    notes = []
    kits = list(dict.fromkeys(", ".join(run.kit_words) for run in runs))
    if len(kits) > 1:
        notes.append(f"the kits differ ({'; '.join(kits)}): a difference may be theirs as well as the hands'")
    for session in sessions:
        run = session.run
        if session.scaled_from_mm is not None:
            notes.append(
                f"{run.name} was shot at another focal length ({run.focal_mm:g} mm): its limit is scaled by angle to "
                f"that of {first.name} ({first.focal_mm:g} mm)"
            )
        elif math.isnan(run.focal_35mm / first.focal_35mm) and run.focal_mm != first.focal_mm:
            notes.append(f"{run.name}: the focal lengths are not known well enough, and taken for the same")
        if session.reach != "measured":
            notes.append(f"{run.name}: the limit lies {session.reach} than the speeds measured, so it is a bound")
        if run.flags:
            notes.append(f"{run.name} carries doubts ({', '.join(run.flags)}); see its report")
        if run.moment is None and labels.count(session.label) > 1:
            notes.append(f"{run.name}: its frames do not tell when they were taken, so it counts in no trend")
    if any(runs[k].tripod & runs[j].tripod for k in range(len(runs)) for j in range(k)):
        notes.append(
            "some runs are measured against the same tripod frames: an error of these is in all of them alike, and "
            "mostly leaves the differences alone"
        )
    if len(set(labels)) > 1 and len(set(labels)) == len(labels):
        notes.append(
            "each way was measured once: hands differ from day to day as well, which one run each cannot tell apart; "
            "shoot each again on other days, in another order"
        )
    return tuple(notes)
