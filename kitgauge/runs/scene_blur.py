"""A blur run or a practice series without a target: any still scene, the handheld frames against the tripod frames."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from kitgauge.flags import describe
from kitgauge.ingest.record import FrameRecord, capture_order
from kitgauge.ingest.scene_blur_frames import scene_blur_task, still_blur_task
from kitgauge.ingest.tasks import Measurement
from kitgauge.measure.blur.scene_blur import no_streak
from kitgauge.measure.blur.scene_reference import SceneReference
from kitgauge.measure.blur.shutter_shock import StillSeries
from kitgauge.measure.blur.streak import Streak, StreakReference, tripod_unrest
from kitgauge.runs.context import Results, RunContext

NO_TARGET = "no-target"
_MOST_STILL = 4
_FLOOR_SIGMA = 2.0


@dataclass
class StillScene:
    """The tripod frames of lowest ISO, as the reference that they grow into while they are opened for their edges."""

    best: Sequence[FrameRecord]
    opened: list[FrameRecord] = field(default_factory=list)  # those in the reference, in order
    reference: SceneReference | None = None

    def take_in(self, record: FrameRecord, measurement: Measurement) -> None:
        """Add what a frame has told of its scene, if it has; that part is removed from its measurement."""
        told = measurement.pop("scene", None)
        if told is None:
            return
        if self.reference is None:
            self.reference = SceneReference.from_dict(told)
        else:
            self.reference = self.reference.with_last(told)
        self.opened.append(record)

    @property
    def rich(self) -> bool:
        """Tell whether the scene has detail enough to be measured."""
        return self.reference is not None and not self.reference.flags


def best_first(tripod: Sequence[FrameRecord]) -> tuple[list[FrameRecord], StillScene]:
    """Return tripod frames by ISO, the lowest first, and the scene of up to four of the lowest."""
    ranked = sorted(tripod, key=lambda record: (record.iso or math.inf, *capture_order(record)))
    return ranked, StillScene([record for record in ranked if record.iso == ranked[0].iso][:_MOST_STILL])


def measure_scene(context: RunContext, scene: StillScene, results: Results) -> None:
    """Measure every frame against the still frames of its scene, in place of the edges of a target.

    The still frames themselves have been opened before; each is measured against the others.
    """
    if scene.reference is None:
        return
    reference = scene.reference.as_dict()
    tasks, unopened = [], []
    for record in context.used("tripod", "handheld"):
        seen = results.pop(record.file, None)
        if seen is None:
            unopened.append(record)
        elif seen.get("refused"):
            results[record.file] = seen
        elif record in scene.opened:
            number = scene.opened.index(record)
            tasks.append(still_blur_task(number, seen, reference, scene.opened, context.cache))
        else:  # searched for edges after the scene had proved to be poor
            streak = no_streak(scene.reference).as_dict()
            results[record.file] = {"shape": seen["shape"], "flags": seen["flags"], "scene_streak": streak}
    tasks += [scene_blur_task(record, reference, scene.opened, context.cache) for record in unopened]
    context.run("measuring frames", tasks, results)


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
