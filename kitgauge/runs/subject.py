"""What a blur run says of a moving subject: its speed in px, mm and mrad a second, its turning, and its name."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from kitgauge.errors import UsageError
from kitgauge.exposure import exact_shutter_s, format_exact_shutter, percent
from kitgauge.fit.blur.blur_shutter import BlurFit
from kitgauge.fit.blur.subject_speed import SubjectSpeed, subject_speed
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.subject_frames import seen_sheets, subject_task
from kitgauge.limits.model import Limit
from kitgauge.measure.blur.streak import Streak
from kitgauge.measure.blur.subject_tracking import px_per_mm
from kitgauge.measure.blur.turn_covariance import UNKNOWN, EdgeVariance, TurnCovariance, turn_covariance
from kitgauge.measure.edges.edge_candidate import EdgeCandidate
from kitgauge.measure.edges.target_pose import SheetSeen, pose
from kitgauge.runs.context import Results, RunContext

_RESERVED = ("still", "moving", "fast")
_LONGEST_NAME = 60
_DISTANCES_DIFFER = 0.10


def checked_name(name: str | None) -> str | None:
    """Return a subject's name without blanks around it; UsageError for one that a plan could not ask for."""
    if name is None:
        return None
    name = " ".join(name.split())
    try:
        number = bool(name) and math.isfinite(float(name))
    except ValueError:
        number = False
    if not name or len(name) > _LONGEST_NAME or number or name.casefold() in _RESERVED or not name.isprintable():
        raise UsageError(
            "not a name for a subject",
            where="--subject-name",
            got=name or "nothing",
            needed=f"1 to {_LONGEST_NAME} characters, no number, none of {', '.join(_RESERVED)}",
            fix='for example --subject-name "nodding head"',
        )
    return name


def measure(context: RunContext, edges: Sequence[EdgeCandidate], first: FrameRecord, results: Results) -> None:
    """Measure the frames of the subject: the `edges` of the frame at rest `first`, wherever they went."""
    frames = [record for record in context.used("subject") if record.file not in results]
    if not frames:
        return
    sheets = seen_sheets(results[first.file])
    tasks = [subject_task(record, edges, sheets, first, context.cache) for record in frames]
    context.run("measuring frames", tasks, results)


@dataclass(frozen=True)
class Scale:
    """Millimetres at the subject per pixel, NaN where unknown; `source` "markers", "distance" or None; `distance_m` of
    the target, None where unknown.
    """

    mm_per_px: float
    source: str | None
    distance_m: float | None

    @property
    def known(self) -> bool:
        """Tell whether pixels are known in mm at the subject."""
        return math.isfinite(self.mm_per_px)


@dataclass(frozen=True)
class SubjectSeen:
    """The subject of one run: its name, scale, and what each of its frames tells."""

    name: str | None
    scale: Scale
    frame_mm_per_px: Mapping[str, float]
    turns: Mapping[str, TurnCovariance]
    by_markers: Mapping[str, bool]
    notes: tuple[str, ...]

    def row(self, record: FrameRecord, streak: Streak | None, mrad_per_px: float) -> dict[str, Any]:
        """Return what `blur.frames` says of a frame of the subject beyond its streak: speeds, turning."""
        if record.role != "subject":
            return {}
        time = exact_shutter_s(record.shutter_s) if record.shutter_s else math.nan
        per_s = math.nan if streak is None else streak.streak_px / time
        bound = math.nan if streak is None else streak.bound_px / time
        mm = self.frame_mm_per_px.get(record.file, self.scale.mm_per_px)
        turn = self.turns.get(record.file, UNKNOWN)
        return {
            "speed_px_per_s": per_s,
            "speed_mm_per_s": per_s * mm,
            "speed_mrad_per_s": per_s * mrad_per_px,
            "speed_bound_px_per_s": bound,
            "speed_bound_mm_per_s": bound * mm,
            "mm_per_px": mm,
            "translation_px": turn.translation_px,
            "translation_px_stderr": turn.translation_px_stderr,
            "turn_rad_per_s": turn.turn_rad / time,
            "turn_rad_per_s_stderr": turn.turn_rad_stderr / time,
            "turn_bound_rad_per_s": turn.turn_bound_rad / time,
            "found_by": "markers" if self.by_markers.get(record.file) else "pattern",
        }

    def section(self, fit: BlurFit, keep: float, streak_limit_px: float, mrad_per_px: float) -> dict[str, Any]:
        """Return `blur.subject` of curves.json."""
        speed = subject_speed(fit, keep, streak_limit_px)
        values = speed.as_dict()
        for name, factor in (("mm_per_s", self.scale.mm_per_px), ("mrad_per_s", mrad_per_px)):
            values[name] = speed.px_per_s * factor
            values[f"ci_low_{name}"] = speed.ci_low_px_per_s * factor
            values[f"ci_high_{name}"] = speed.ci_high_px_per_s * factor
            for row, (_, at_share) in zip(values["quantiles"], speed.quantiles, strict=True):
                row[name] = at_share * factor
        return {
            "name": self.name,
            "mm_per_px": self.scale.mm_per_px,
            "mm_per_px_from": self.scale.source,
            "distance_m": self.scale.distance_m,
            "speed": values,
        }

    def limit(self, limit: Limit, fit: BlurFit) -> Limit:
        """Return the shutter limit as that of this subject, with all that carries it to another distance."""
        keep, streak_px = limit.criterion["keep"], limit.criterion["streak_px"]
        speed = subject_speed(fit, keep, streak_px)
        extra: dict[str, Any] = {
            "role": "subject",
            "subject": self.name,
            "distribution": speed.distribution,
            "shape": speed.shape,
            "slope": speed.slope,
            "speed_px_per_s": speed.px_per_s,
            "speed_mm_per_s": speed.px_per_s * self.scale.mm_per_px,
            "speed_mm_per_s_ci": [
                end * self.scale.mm_per_px for end in (speed.ci_low_px_per_s, speed.ci_high_px_per_s)
            ],
            "mm_per_px": self.scale.mm_per_px,
            "distance_m": self.scale.distance_m,
        }
        about = f"Subject {self.name}, camera on a tripod. " if self.name else "Moving subject, camera on a tripod. "
        kept = {name: value for name, value in extra.items() if not _unknown(value)}
        return replace(limit, text=f"{about}{limit.text} {self._speed_words(speed)}", extra={**limit.extra, **kept})

    def _speed_words(self, speed: SubjectSpeed) -> str:
        at = f"at {format_exact_shutter(speed.at_shutter_s)} {percent(speed.keep)} of frames show a speed of at most"
        if not self.scale.known:
            return (
                f"In the frame, {at} {speed.px_per_s:.3g} px/s; in mm/s it is not known, since neither the target's "
                "markers nor --distance-m told it: the limit holds for this distance only."
            )
        words = f"At the subject, {at} {speed.px_per_s * self.scale.mm_per_px:.3g} mm/s"
        ends = [end * self.scale.mm_per_px for end in (speed.ci_low_px_per_s, speed.ci_high_px_per_s)]
        if all(math.isfinite(end) for end in ends):
            words += f" (95 % interval {ends[0]:.3g} to {ends[1]:.3g})"
        far = "" if self.scale.distance_m is None else f", {self.scale.distance_m:.3g} m away"
        return f"{words}{far}."


def _unknown(value: Any) -> bool:
    if isinstance(value, list):
        return any(_unknown(item) for item in value)
    return value is None or (isinstance(value, float) and not math.isfinite(value))


def subject_seen(
    context: RunContext, records: Sequence[FrameRecord], results: Results, streaks: Mapping[str, Streak]
) -> SubjectSeen | None:
    """Return the subject of a run, None where no frame of one was measured."""
    frames = [r for r in records if r.role == "subject" and r.status == "used" and r.file in results]
    if not frames:
        return None
    own = {record.file: px_per_mm(seen_sheets(results[record.file])) for record in frames}
    still = [record for record in records if record.role == "tripod" and record.file in results]
    at_rest = [sheet for record in still for sheet in seen_sheets(results[record.file])]
    scale, notes = _scale(context, at_rest, [value for value in own.values() if math.isfinite(value)])
    turns = {
        record.file: _turn(results[record.file], streaks[record.file]) for record in frames if record.file in streaks
    }
    notes.append(
        "intervals of subjects hold for movements that go on, to and fro or steadily (in simulations 94 to 97 of 100 "
        "held the truth); of subjects that rest in between, or start and stop, fewer: 85 of 100 at 80 % of frames "
        "kept, 42 of 100 at half of them"
    )
    if context.subject_name is None:
        notes.append(
            'the subject has no name; with --subject-name "..." a plan can ask for it by kitgauge plan --subject'
        )
    return SubjectSeen(
        name=context.subject_name,
        scale=scale,
        frame_mm_per_px={file: 1.0 / value for file, value in own.items() if math.isfinite(value)},
        turns=turns,
        by_markers={record.file: bool(results[record.file].get("by_markers")) for record in frames},
        notes=tuple(notes),
    )


def with_turns(streaks: Mapping[str, Streak], subject: SubjectSeen | None) -> dict[str, Streak]:
    """Return the streaks as the subject's own turning makes them.

    Frames that clearly show the target turning get the mean over all its edges: a turn blurs the outer
    squares and not the middle, and edges that differ for that reason are no outliers.
    """
    found = dict(streaks)
    for file, turn in ({} if subject is None else subject.turns).items():
        streak = found[file]
        if turn.turned and streak.censored is None and math.isfinite(turn.streak_px):
            # the edges' own errors do not hold what the shape of the movement hides from all of them alike
            error = math.sqrt(turn.trace_px2_stderr**2 + streak.shape_px4)
            streak = replace(
                streak,
                streak_px=turn.streak_px,
                streak_px_stderr=6.0 * error / turn.streak_px,
                trace_px2=turn.trace_px2,
                trace_px2_stderr=error,
            )
        found[file] = streak
    return found


def _scale(context: RunContext, at_rest: Sequence[SheetSeen], moving: Sequence[float]) -> tuple[Scale, list[str]]:
    """Return mm per pixel at the subject and what is to be told about it."""
    kit, given = context.kit, context.distance_m
    scales = [*([px_per_mm(at_rest)] if math.isfinite(px_per_mm(at_rest)) else []), *moving]
    pitch_mm = kit.pixel_pitch_um / 1000.0 if kit.pixel_pitch_um else math.nan
    focal_mm = kit.focal_mm or math.nan
    if scales:
        mm_per_px = 1.0 / float(np.median(scales))
        posed = [pose(sheet, focal_mm / pitch_mm, focal_mm=focal_mm) for sheet in at_rest if focal_mm / pitch_mm > 0]
        told = [sheet.distance_mm / 1000.0 for sheet in posed if sheet.distance_mm is not None]
        distance = float(np.median(told)) if told else given
        notes = []
        if told and given is not None and abs(math.log(given / float(np.median(told)))) > _DISTANCES_DIFFER:
            notes.append(
                f"the target's markers tell a distance of {told[0]:.3g} m, --distance-m {given:.3g} m: the markers are "
                "believed; check the print's scale (its ruler), the focal length and the pixel pitch"
            )
        return Scale(mm_per_px, "markers", distance), notes
    if given is not None and math.isfinite(pitch_mm * focal_mm):
        if given * 1000.0 <= focal_mm:
            raise UsageError(
                "the subject's distance lies inside the focal length",
                where="--distance-m",
                got=f"{given:g} m",
                needed=f"more than {focal_mm / 1000.0:g} m",
                fix="give the distance from lens to target in metres",
            )
        return Scale(pitch_mm * (given * 1000.0 - focal_mm) / focal_mm, "distance", given), []
    lacks = "the pixel pitch or the focal length is" if given is not None else "the distance to the subject is"
    fix = "--pitch-um and --focal" if given is not None else "--distance-m, or the printed target's markers in view,"
    note = f"the subject's speed is known in pixels only: {lacks} not known; {fix} would tell"
    return Scale(math.nan, None, given), [note]


def _turn(measurement: Mapping[str, Any], streak: Streak) -> TurnCovariance:
    """Return translation and turn from the edges as they lie in this frame."""
    places: dict[tuple[int, str, str], EdgeCandidate] = {}
    for profile in measurement.get("profiles") or []:
        edge = EdgeCandidate.from_dict(profile["candidate"])
        places[edge.group, edge.side, edge.orientation] = edge
    seen = [(places[key], variance, error) for key, variance, error in streak.per_edge if key in places]
    return turn_covariance(
        [
            EdgeVariance(edge.x_px, edge.y_px, edge.normal_x, edge.normal_y, edge.length_px, variance, error)
            for edge, variance, error in seen
        ]
    )
