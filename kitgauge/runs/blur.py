"""A blur run: the tripod reference, the streak of each frame against it, keep rates, the slowest shutter."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from kitgauge.errors import FitError, LimitsError, MeasurementError
from kitgauge.exposure import exact_shutter_s, nominal_shutter_s
from kitgauge.fit.blur.blur_constant import constant_blur
from kitgauge.fit.blur.blur_next import next_shots
from kitgauge.fit.blur.blur_shutter import BlurFit, fit_blur
from kitgauge.fit.blur.streak_families import HANDS, SUBJECTS
from kitgauge.flags import describe
from kitgauge.ingest.blur_frames import KnownEdges, following_task, in_two_directions, tripod_task, usable_edges
from kitgauge.ingest.bursts import bursts_of
from kitgauge.ingest.record import FrameRecord
from kitgauge.limits.focal_length import beside_focal_lengths
from kitgauge.limits.model import Limit
from kitgauge.limits.shutter_limit import shutter_limits
from kitgauge.measure.blur.camera_roll import NOT_KNOWN, CameraRoll
from kitgauge.measure.blur.shutter_shock import StillSeries, still_series
from kitgauge.measure.blur.streak import Streak
from kitgauge.runs.blur_findings import bursts_note, constant_finding, roll_finding, shock_finding, unrest_finding
from kitgauge.runs.blur_frames import angles_of, edges_of, frame_row, frame_streak, without_the_knock
from kitgauge.runs.context import Results, RunContext, Section, common_shape, with_refusals
from kitgauge.runs.scene_blur import NO_TARGET, SceneSeen, best_first, measure_scene, scene_seen
from kitgauge.runs.subject import SubjectSeen, subject_seen, with_turns
from kitgauge.runs.subject import measure as measure_subject

_MOVING = ("handheld", "subject")
_CURVE_POINTS = 60
# Tripod frames that differ by more than this share of the streak limit cannot serve as the still reference of a limit.
_UNREST_SHARE = 0.5
_BEYOND_STOPS = 1.0  # how far the drawn curve goes past the measured times


def measure(context: RunContext, results: Results) -> None:
    """Find the edges of the first tripod frame that shows any, then those same edges in every other frame.

    Where tripod frames show no edges in two directions, every frame is measured on its scene instead. Each file is
    opened once: a tripod frame without edges enters the reference of the scene while it is open.
    """
    tripod, scene = best_first(context.used("tripod"))
    known: KnownEdges | None = None
    for record in tripod:
        serves = record in scene.best
        if not serves and (known is not None or scene.rich):
            break
        task = tripod_task(
            record,
            context.cache,
            known=known,
            still=scene.opened if serves else None,
            reference=scene.reference,
        )
        context.run("finding the target", [task], results)
        scene.take_in(record, results[record.file])
        if known is None and (edges := usable_edges(results[record.file])):
            known = KnownEdges(edges, record)
            if in_two_directions(edges):
                break
    if (known is None or not in_two_directions(known.edges)) and (known is None or scene.rich):
        measure_scene(context, scene, results)
        return
    assert known is not None
    others = [record for record in context.used("tripod", "handheld") if record.file not in results]
    tasks = [following_task(record, known.edges, known.of, context.cache) for record in others]
    context.run("measuring frames", tasks, results)
    measure_subject(context, known.edges, known.of, results)


@dataclass(frozen=True)
class FramesSeen:
    """The frames of a blur run with their flags and streaks, before anything is fitted to them."""

    records: tuple[FrameRecord, ...]
    streaks: Mapping[str, Streak]
    rolls: Mapping[str, CameraRoll]
    reference: StillSeries | None
    scene: SceneSeen | None  # in place of a target
    subject: SubjectSeen | None
    shape: tuple[int, int] | None
    missing: tuple[str, ...]


def frames_seen(context: RunContext, results: Results, known: StillSeries | None = None) -> FramesSeen:
    """Return the streak of each frame against the tripod frames, and what its flags make of it.

    `known` is what the very same tripod frames gave before, of a target.
    """
    shape = common_shape(results)
    records = with_refusals(context.records, results)
    missing: list[str] = []
    reference: StillSeries | None = None
    scene: SceneSeen | None = None
    still = [
        record for record in records if record.role == "tripod" and record.status == "used" and record.file in results
    ]
    try:
        if not still:
            raise MeasurementError("no tripod frame that could be measured", fix="shoot the tripod frames first")
        if (scene := scene_seen(records, results)) is not None:
            reference = scene.reference
        else:
            reference = known or still_series(
                [edges_of(results[record.file]) for record in still],
                [None if record.shutter_s is None else exact_shutter_s(record.shutter_s) for record in still],
            )
    except MeasurementError as error:
        missing.append(f"no reference: {error.what}")
    streaks: dict[str, Streak] = {}
    rolls: dict[str, CameraRoll] = {}
    # an interrupted run may still get its reference when it goes on
    unreferenced = reference is None and not any(
        record.role == "tripod" and record.status == "used" and record.file not in results for record in records
    )
    if unreferenced:
        records = tuple(
            record.rejected("no-reference", "no tripod frame to compare with")
            if record.role in _MOVING and record.status == "used"
            else record
            for record in records
        )
    if scene is not None:
        streaks |= scene.streaks
    elif reference is not None:
        for record in records:
            if record.status == "used" and record.file in results:
                found_here = frame_streak(record, results[record.file], reference, shape)
                streaks[record.file], rolls[record.file] = found_here
        streaks = without_the_knock(records, streaks, reference)
    subject = subject_seen(context, records, results, streaks)
    streaks = with_turns(streaks, subject)
    records = tuple(
        _judged(record, results.get(record.file), streaks.get(record.file), reference, shape) for record in records
    )
    return FramesSeen(records, streaks, rolls, reference, scene, subject, shape, tuple(missing))


def conclude(context: RunContext, results: Results) -> Section:
    """Return the streak of each frame, the fit over shutter time, and the limits."""
    seen = frames_seen(context, results)
    records, streaks, rolls, shape = seen.records, seen.streaks, seen.rolls, seen.shape
    reference, scene, subject = seen.reference, seen.scene, seen.subject
    missing = list(seen.missing)
    angles = angles_of(context.kit, results)
    bursts = bursts_of(records)
    rows = [
        {
            **frame_row(record, streaks.get(record.file), rolls.get(record.file, NOT_KNOWN), context.kit, angles),
            "burst": bursts.get(record.file),
            **({} if subject is None else subject.row(record, streaks.get(record.file), angles.mrad_per_px)),
        }
        for record in records
        if record.role in ("tripod", *_MOVING)
    ]
    moving = [
        record for record in records if record.role in _MOVING and record.status == "used" and record.file in streaks
    ]
    if reference is not None and not moving:
        missing.append("no handheld frame could be measured")
    asked = [record for record in context.records if record.role in _MOVING and record.status == "used"]
    if moving and len(moving) < len(asked):
        missing.append(f"{len(asked) - len(moving)} of {len(asked)} frames not measured")
    fitted: dict[str, Any] | None = None
    findings: list[dict[str, Any]] = []
    limits: list[Limit] = []
    no_limit: list[str] = []
    notes = [*(() if subject is None else subject.notes), *(() if scene is None else scene.notes)]
    if moving and shape is not None and reference is not None:
        streak_limit_px = context.criteria.streak_limit_px(shape)
        doubts, findings = _doubts(reference, moving, streaks)
        doubts += [] if scene is None else [NO_TARGET]
        doubts += ["rendered"] if any("rendered" in record.flags for record in moving) else []
        sharper_px = [_sharper_px(streaks[record.file]) for record in moving]
        unfit = "tripod-unsteady" in doubts and max(reference.unrest_px, *sharper_px) > _UNREST_SHARE * streak_limit_px
        if unfit:
            missing.append(
                f"no steady reference, so no limit: the tripod frames differ, or handheld frames are sharper than they "
                f"are, by more than half the streak limit of {streak_limit_px:.2g} px; "
                f"{describe('tripod-unsteady').advice}"
            )
        try:
            fit = _fit(moving, streaks, bursts)
            fitted = _fitted(fit, context.criteria.keep, streak_limit_px, doubts)
            held = any(record.role == "handheld" for record in moving)
            note = bursts_note([bursts.get(record.file) for record in moving], hands=held)
            notes += [] if note is None else [note]
            if subject is not None:
                fitted["subject"] = subject.section(fit, context.criteria.keep, streak_limit_px, angles.mrad_per_px)
            if unfit:
                fitted["next"] = []  # the tripod frames first
            else:
                kit = context.kit.as_dict(shape)
                fitted |= beside_focal_lengths(fit, context.criteria.keep, streak_limit_px, kit, shape, hands=held)
            found = (
                []
                if unfit
                else shutter_limits(
                    fit,
                    context.criteria,
                    shape,
                    context.kit.lens,
                    context.kit.focal_mm,
                    context.technique,
                    doubts=doubts,
                )
            )
            # a limit of a moving subject is kept apart from that of the hands
            if subject is not None and all(record.role == "subject" for record in moving):
                found = [subject.limit(limit, fit) for limit in found]
            limits += found
        except FitError as error:
            # with an unsteady reference, what to shoot next follows from the reference, not from these streaks
            advice = "" if unfit else f"; {error.fix}"
            missing.append(f"{error.what}: got {error.got}, needed {error.needed}{advice}")
        except LimitsError as error:
            no_limit.append(f"{error.what}: {error.got}; {error.fix}")
    empty: dict[str, Any] = {"fit": None, "limits": [], "next": []}
    if reference is not None and reference.shock is not None:
        findings.append(shock_finding(reference.shock))
    if (roll := roll_finding(rows, rolls)) is not None:
        findings.append(roll)
    notes += [finding["text"] for finding in findings]
    return Section(
        curves={
            "blur": {
                "frames": rows,
                **(empty if fitted is None else fitted),
                "findings": findings,
                "angles": angles.as_dict(),
            }
        },
        records=records,
        limits=tuple(limits),
        missing=tuple(missing),
        notes=(*notes, *no_limit),
        no_limit=tuple(no_limit),
        shape=shape,
    )


def _doubts(
    reference: StillSeries, moving: Sequence[FrameRecord], streaks: Mapping[str, Streak]
) -> tuple[list[str], list[dict[str, Any]]]:
    """Return the flags that the frames together raise, and what to tell about them as findings."""
    doubts: list[str] = []
    findings: list[dict[str, Any]] = []
    sharper = sum("tripod-unsteady" in streaks[record.file].flags for record in moving)
    if "tripod-unsteady" in reference.flags or sharper:
        doubts.append("tripod-unsteady")
        seen = []
        if "tripod-unsteady" in reference.flags:
            differ = f" (by a streak of {reference.unrest_px:.1f} px)" if math.isfinite(reference.unrest_px) else ""
            seen.append(f"the {reference.together.frames} tripod frames differ among themselves{differ}")
        if sharper:
            seen.append(f"{sharper} of {len(moving)} handheld frames are sharper than the tripod frames")
        findings.append(unrest_finding(reference.unrest_px, seen))
    rows = [(record.shutter_s, streaks[record.file]) for record in moving if record.role == "handheld"]
    constant = constant_blur(
        [exact_shutter_s(time) if time else math.nan for time, _ in rows],
        [streak.variance_x_px2 for _, streak in rows],
        [streak.variance_y_px2 for _, streak in rows],
        [streak.trace_px2_stderr for _, streak in rows],
    )
    if constant is not None:
        doubts.append("constant-blur")
        findings.append(constant_finding(constant))
    return doubts, findings


def _sharper_px(streak: Streak) -> float:
    """Return the streak [px] by which a frame is sharper than the reference, 0 where it is not clearly so."""
    return math.sqrt(12.0 * -streak.trace_px2) if "tripod-unsteady" in streak.flags else 0.0


def _judged(
    record: FrameRecord,
    measurement: Mapping[str, Any] | None,
    streak: Streak | None,
    reference: StillSeries | None,
    shape: tuple[int, int] | None,
) -> FrameRecord:
    """Return the record with its measurement's flags; rejected if it has another size or no edge was found again."""
    if record.status != "used":
        return record
    if measurement is None or not measurement.get("shape"):
        return record
    rows, columns = measurement["shape"]
    if shape is not None and (rows, columns) != shape:
        return record.rejected("different-size", f"{columns} x {rows} pixels instead of {shape[1]} x {shape[0]}")
    record = record.with_flags(measurement["flags"])
    if not measurement.get("profiles", True):  # a scene in place of a target has none
        reasons = sorted({edge["text"] for edge in measurement["unusable"]})
        return record.rejected("no-edge", f"no usable edge ({'; '.join(reasons) or 'nothing like one'})")
    if reference is not None:
        if "tripod-unsteady" in reference.flags:
            record = record.with_flags(("tripod-unsteady",))  # every frame's streak is measured against that reference
        if reference.shock is not None and record.shutter_s is not None:
            shaken = exact_shutter_s(record.shutter_s) in reference.shock.shutter_s
            record = record.with_flags(("shutter-shock",)) if shaken else record
    return record if streak is None else record.with_flags(streak.flags)


def _fit(moving: Sequence[FrameRecord], streaks: Mapping[str, Streak], bursts: Mapping[str, str]) -> BlurFit:
    chosen = [(record, streaks[record.file]) for record in moving if record.shutter_s is not None]
    hands = any(record.role == "handheld" for record, _ in chosen)
    return fit_blur(
        [exact_shutter_s(record.shutter_s or math.nan) for record, _ in chosen],
        [streak.streak_px for _, streak in chosen],
        [streak.streak_px_stderr for _, streak in chosen],
        [streak.censored for _, streak in chosen],
        [streak.bound_px for _, streak in chosen],
        [streak.trace_px2 for _, streak in chosen],
        [streak.trace_px2_stderr for _, streak in chosen],
        [bursts.get(record.file) for record, _ in chosen],
        HANDS if hands else SUBJECTS,
    )


def _fitted(fit: BlurFit, keep: float, streak_limit_px: float, doubts: Sequence[str]) -> dict[str, Any]:
    """Return fit, limits and next shots for curves.json, with the model sampled for pictures."""
    times = [
        fit.fastest_s * 2.0 ** (-_BEYOND_STOPS + step * _stops(fit) / (_CURVE_POINTS - 1))
        for step in range(_CURVE_POINTS)
    ]
    flags = list(dict.fromkeys([*doubts, *fit.flags(streak_limit_px)]))
    bands = [fit.keep_rate_interval(time, streak_limit_px) for time in times]
    return {
        "fit": {
            **fit.as_dict(),
            "flags": flags,
            "goodness": fit.goodness(streak_limit_px).as_dict(),
            "curves": {
                "keep_rate": {
                    "x": times,
                    "y": [fit.keep_rate(time, streak_limit_px) for time in times],
                    "low": [low for low, _ in bands],
                    "high": [high for _, high in bands],
                },
                "streak_px": {
                    "x": times,
                    "y": [fit.quantile_px(time, 0.5) for time in times],
                    "low": [fit.quantile_px(time, 0.1) for time in times],
                    "high": [fit.quantile_px(time, 0.9) for time in times],
                },
            },
        },
        "limits": [{**limit.as_dict(), "flags": flags} for limit in fit.limits(streak_limit_px, keep)],
        "next": [
            {**shot, "shutter_s": nominal_shutter_s(shot["shutter_s"])}  # as the dial is marked
            for shot in next_shots(fit, keep, streak_limit_px).as_list()
        ],
    }


def _stops(fit: BlurFit) -> float:
    return math.log2(fit.slowest_s / fit.fastest_s) + 2.0 * _BEYOND_STOPS
