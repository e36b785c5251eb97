"""A blur run: the tripod reference, the streak of each frame against it, keep rates, the slowest shutter."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from kitgauge.errors import FitError, LimitsError, MeasurementError
from kitgauge.exposure import exact_shutter_s
from kitgauge.fit.blur_next import next_shots
from kitgauge.fit.blur_shutter import BlurFit, fit_blur
from kitgauge.ingest.blur_frames import first_frame_task, following_task
from kitgauge.ingest.record import FrameRecord
from kitgauge.limits.model import Limit
from kitgauge.limits.shutter_limit import shutter_limits
from kitgauge.measure.edge_candidate import EdgeCandidate
from kitgauge.measure.edge_profile import EdgeProfile
from kitgauge.measure.streak import Streak, StreakReference, measure_streak, reference_edges
from kitgauge.run_context import Kit, Results, RunContext, Section, common_shape, with_refusals

_KEEPS = (0.5, 0.8, 0.9)
_MOVING = ("handheld", "subject")
_CURVE_POINTS = 60
_BEYOND_STOPS = 1.0  # how far the drawn curve goes past the measured times


def measure(context: RunContext, results: Results) -> None:
    """Find the edges of the first tripod frame that shows any, then those same edges in every other frame."""
    tripod = context.used("tripod")
    first, edges = None, []
    for record in tripod:
        context.run("finding the target", [first_frame_task(record, context.cache)], results)
        edges = _candidates(results[record.file])
        if edges:
            first = record
            break
    if first is None:
        return
    others = [record for record in context.used("tripod", *_MOVING) if record.file not in results]
    context.run("measuring frames", [following_task(r, edges, first, context.cache) for r in others], results)


def conclude(context: RunContext, results: Results) -> Section:
    """Return the streak of each frame, the fit over shutter time, and the limits."""
    shape = common_shape(results)
    records = with_refusals(context.records, results)
    missing: list[str] = []
    reference: StreakReference | None = None
    still = [
        record for record in records if record.role == "tripod" and record.status == "used" and record.file in results
    ]
    try:
        if not still:
            raise MeasurementError("no tripod frame that could be measured", fix="shoot the tripod frames first")
        reference = reference_edges([_profiles(results[record.file]) for record in still])
    except MeasurementError as error:
        missing.append(f"no reference: {error.what}")
    streaks: dict[str, Streak] = {}
    if reference is not None:
        for record in records:
            if record.status == "used" and record.file in results:
                streaks[record.file] = measure_streak(_profiles(results[record.file]), reference)
    records = tuple(
        _judged(record, results.get(record.file), streaks.get(record.file), reference, shape) for record in records
    )
    rows = [
        _row(record, streaks.get(record.file), context.kit) for record in records if record.role in ("tripod", *_MOVING)
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
    limits: list[Limit] = []
    notes: list[str] = []
    if moving and shape is not None:
        streak_limit_px = context.criteria.streak_limit_px(shape)
        try:
            fit = _fit(moving, streaks)
            fitted = _fitted(fit, context.criteria.keep, streak_limit_px)
            found = shutter_limits(
                fit, context.criteria, shape, context.kit.lens, context.kit.focal_mm, context.technique
            )
            # a limit of a moving subject is kept apart from that of the hands
            about = {"role": "subject"} if all(record.role == "subject" for record in moving) else {}
            limits += [replace(limit, extra={**limit.extra, **about}) for limit in found]
        except FitError as error:
            missing.append(f"{error.what}: got {error.got}, needed {error.needed}; {error.fix}")
        except LimitsError as error:
            notes.append(f"{error.what}: {error.got}; {error.fix}")
    empty: dict[str, Any] = {"fit": None, "limits": [], "next": []}
    return Section(
        curves={"blur": {"frames": rows, **(empty if fitted is None else fitted)}},
        records=records,
        limits=tuple(limits),
        missing=tuple(missing),
        notes=tuple(notes),
        shape=shape,
    )


def _candidates(measurement: Mapping[str, Any]) -> list[EdgeCandidate]:
    return [
        EdgeCandidate.from_dict(profile["candidate"])
        for profile in measurement.get("profiles") or []
        if not profile["flags"]
    ]


def _profiles(measurement: Mapping[str, Any]) -> list[EdgeProfile]:
    return [EdgeProfile.from_dict(profile) for profile in measurement.get("profiles") or []]


def _judged(
    record: FrameRecord,
    measurement: Mapping[str, Any] | None,
    streak: Streak | None,
    reference: StreakReference | None,
    shape: tuple[int, int] | None,
) -> FrameRecord:
    """Return the record with its measurement's flags; rejected if it has another size or no edge was found again."""
    if record.status != "used" or measurement is None or not measurement.get("shape"):
        return record
    rows, columns = measurement["shape"]
    if shape is not None and (rows, columns) != shape:
        return record.rejected("different-size", f"{columns} x {rows} pixels instead of {shape[1]} x {shape[0]}")
    record = record.with_flags(measurement["flags"])
    if not measurement["profiles"]:
        reasons = sorted({edge["text"] for edge in measurement["unusable"]})
        return record.rejected("no-edge", f"no usable edge ({'; '.join(reasons) or 'nothing like one'})")
    if reference is None and record.role != "tripod":
        return record.rejected("no-reference", "no tripod frame to compare with")
    return record if streak is None else record.with_flags(streak.flags)


def _row(record: FrameRecord, streak: Streak | None, kit: Kit) -> dict[str, Any]:
    px = math.nan if streak is None else streak.streak_px
    um = px * kit.pixel_pitch_um if kit.pixel_pitch_um else math.nan
    return {
        "file": record.file,
        "shutter_s": record.shutter_s,
        "role": record.role,
        "streak_px": px,
        "streak_px_stderr": math.nan if streak is None else streak.streak_px_stderr,
        "streak_um": um,
        # at the focal length as marked: near targets need the effective one, which a file does not tell
        "streak_mrad": um / kit.focal_mm if kit.focal_mm else math.nan,
        "direction_deg": math.nan if streak is None else streak.direction_deg,
        "censored": None if streak is None else streak.censored,
        "bound_px": math.nan if streak is None else streak.bound_px,
        "edges_used": 0 if streak is None else streak.edges_used,
        "flags": list(dict.fromkeys([*record.flags, *(() if streak is None else streak.flags)])),
        "excluded": record.status != "used" or streak is None,
    }


def _fit(moving: Sequence[FrameRecord], streaks: Mapping[str, Streak]) -> BlurFit:
    chosen = [(record, streaks[record.file]) for record in moving if record.shutter_s is not None]
    return fit_blur(
        [exact_shutter_s(record.shutter_s or math.nan) for record, _ in chosen],
        [streak.streak_px for _, streak in chosen],
        [streak.streak_px_stderr for _, streak in chosen],
        [streak.censored for _, streak in chosen],
        [streak.bound_px for _, streak in chosen],
    )


def _fitted(fit: BlurFit, keep: float, streak_limit_px: float) -> dict[str, Any]:
    """Return fit, limits and next shots for curves.json, with the model sampled for pictures."""
    times = [
        fit.fastest_s * 2.0 ** (-_BEYOND_STOPS + step * _stops(fit) / (_CURVE_POINTS - 1))
        for step in range(_CURVE_POINTS)
    ]
    bands = [fit.keep_rate_interval(time, streak_limit_px) for time in times]
    return {
        "fit": {
            **fit.as_dict(),
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
        "limits": [fit.limit(share, streak_limit_px).as_dict() for share in sorted({*_KEEPS, keep})],
        "next": next_shots(fit, keep, streak_limit_px).as_list(),
    }


def _stops(fit: BlurFit) -> float:
    return math.log2(fit.slowest_s / fit.fastest_s) + 2.0 * _BEYOND_STOPS
