"""A blur run or a practice series without a target: any still scene, the handheld frames against the tripod frames."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from kitgauge.flags import describe
from kitgauge.ingest.record import FrameRecord, capture_order
from kitgauge.ingest.scene_blur_frames import StillFrames, scene_blur_task
from kitgauge.measure.blur.shutter_shock import StillSeries
from kitgauge.measure.blur.streak import Streak, StreakReference, tripod_unrest
from kitgauge.runs.context import Results, RunContext

NO_TARGET = "no-target"
_MOST_STILL = 4
_FLOOR_SIGMA = 2.0


def measure_scene(context: RunContext, results: Results) -> bool:
    """Measure every frame against the tripod frames of lowest ISO (up to four), in place of edges of a target.

    For series whose tripod frames show no edges in both directions. Returns whether that was possible: where the scene
    is too poor and there are edges, their measurements stay as they were.
    """
    tripod = [record for record in context.used("tripod") if not _refused(record, results)]
    still = still_frames(tripod)
    if still is None:
        return False
    edges = {record.file: results.pop(record.file) for record in tripod if record.file in results}
    tasks = [scene_blur_task(record, still, context.cache) for record in tripod]
    context.run("measuring the scene", tasks, results)
    seen = [(results.get(record.file) or {}).get("scene_streak") for record in tripod]
    rich = any("scene-poor" not in streak["flags"] for streak in seen if streak is not None)
    if not rich and any(measurement.get("profiles") for measurement in edges.values()):
        results |= edges
        return False
    tasks = [scene_blur_task(record, still, context.cache) for record in context.used("handheld")]
    context.run("measuring frames", tasks, results)
    return True


def still_frames(records: Sequence[FrameRecord]) -> StillFrames | None:
    """Return the up to four frames of lowest ISO as reference; None without any."""
    if not records:
        return None
    ranked = sorted(records, key=lambda record: (record.iso or math.inf, *capture_order(record)))
    return StillFrames([record for record in ranked if record.iso == ranked[0].iso][:_MOST_STILL])


def fastest_frame(records: Sequence[FrameRecord]) -> StillFrames | None:
    """Return the frame of the shortest exposure as reference of a series without a tripod; None without two frames."""
    if len(records) < 2:
        return None
    return StillFrames([min(records, key=lambda record: (record.shutter_s or math.inf, *capture_order(record)))])


def _refused(record: FrameRecord, results: Results) -> bool:
    return bool((results.get(record.file) or {}).get("refused"))


@dataclass(frozen=True)
class SceneSeen:
    """The streaks of a series by file, and what stands for its reference."""

    streaks: Mapping[str, Streak]
    reference: StillSeries
    notes: tuple[str, ...]


def scene_seen(records: Sequence[FrameRecord], results: Results) -> SceneSeen | None:
    """Return the streaks of a series that was measured on its scene; None where it was not."""
    streaks = {
        record.file: _streak(results[record.file])
        for record in records
        if record.status == "used" and (results.get(record.file) or {}).get("scene_streak")
    }
    if not streaks:
        return None
    tripod = [streaks[r.file] for r in records if r.role == "tripod" and r.file in streaks]
    scatter, unrest_px, unsteady = tripod_unrest(tripod)
    flags = ("tripod-unsteady",) if unsteady else ()
    reference = StillSeries(StreakReference({}, {}, 0.0, len(tripod), scatter, unrest_px, flags), {}, None)
    flag = describe(NO_TARGET)
    return SceneSeen(streaks, reference, (f"{flag.text}; {flag.advice}",))


def _streak(measurement: Mapping[str, Any]) -> Streak:
    fields = dict(measurement["scene_streak"])
    streak = Streak(**{**fields, "flags": tuple(fields["flags"])})
    return replace(streak, flags=(NO_TARGET, *streak.flags))


def relative_blur(records: Sequence[FrameRecord], results: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """Return, by file, each frame's streak against the sharpest frame of its series.

    Second moments add, so what was measured against one frame is carried over to the sharpest by subtraction. Empty
    where fewer than two frames show one scene with enough detail.
    """
    measured = {r.file: _streak(results[r.file]) for r in records if (results.get(r.file) or {}).get("scene_streak")}
    known = {file: (s.trace_px2, s.trace_px2_stderr) for file, s in measured.items() if math.isfinite(s.trace_px2)}
    first = next((file for file, s in measured.items() if "single-frame" in s.flags), None)
    if first is None or not known:
        return {}
    # the frame that the others were measured against: nothing by definition
    known[first] = (0.0, 0.0)
    sharpest = min(known, key=lambda file: known[file][0] + known[file][1])
    rows: dict[str, dict[str, Any]] = {}
    for file, streak in measured.items():
        row: dict[str, Any] = {"relative_to": sharpest, "relative_flags": list(streak.flags)}
        if file in known and file != sharpest:
            trace = known[file][0] - known[sharpest][0]
            error = math.hypot(known[file][1], known[sharpest][1])
            below = trace < _FLOOR_SIGMA * error
            size = math.nan if below else math.sqrt(12.0 * trace)
            row |= {
                "relative_streak_px": size,
                "relative_streak_px_stderr": math.nan if below else 6.0 * error / size,
                "relative_censored": "below" if below else None,
                "relative_bound_px": math.sqrt(12.0 * (max(trace, 0.0) + _FLOOR_SIGMA * error)) if below else math.nan,
            }
        else:
            row |= {
                "relative_streak_px": math.nan,
                "relative_streak_px_stderr": math.nan,
                "relative_censored": streak.censored if file != sharpest else None,
                "relative_bound_px": streak.bound_px if file != sharpest else math.nan,
            }
        rows[file] = row
    return rows
