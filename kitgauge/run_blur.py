"""A blur run: the tripod reference, the streak of each frame against it, keep rates, the slowest shutter."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from kitgauge.errors import FitError, LimitsError, MeasurementError
from kitgauge.exposure import exact_shutter_s, nominal_shutter_s
from kitgauge.fit.blur_constant import constant_blur
from kitgauge.fit.blur_next import next_shots
from kitgauge.fit.blur_shutter import BlurFit, fit_blur
from kitgauge.flags import describe
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
# Tripod frames that differ by more than this share of the streak limit cannot serve as the still reference of a limit.
_UNREST_SHARE = 0.5
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
    if moving and shape is not None and reference is not None:
        streak_limit_px = context.criteria.streak_limit_px(shape)
        doubts, told = _doubts(reference, moving, streaks)
        notes += told
        sharper_px = [_sharper_px(streaks[record.file]) for record in moving]
        unfit = "tripod-unsteady" in doubts and max(reference.unrest_px, *sharper_px) > _UNREST_SHARE * streak_limit_px
        if unfit:
            missing.append(
                f"no steady reference, so no limit: the tripod frames differ, or handheld frames are sharper than they "
                f"are, by more than half the streak limit of {streak_limit_px:.2g} px; "
                f"{describe('tripod-unsteady').advice}"
            )
        try:
            fit = _fit(moving, streaks)
            fitted = _fitted(fit, context.criteria.keep, streak_limit_px, doubts)
            if unfit:
                fitted["next"] = []  # the tripod frames first
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
            about = {"role": "subject"} if all(record.role == "subject" for record in moving) else {}
            limits += [replace(limit, extra={**limit.extra, **about}) for limit in found]
        except FitError as error:
            # with an unsteady reference, what to shoot next follows from the reference, not from these streaks
            advice = "" if unfit else f"; {error.fix}"
            missing.append(f"{error.what}: got {error.got}, needed {error.needed}{advice}")
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


def _doubts(
    reference: StreakReference, moving: Sequence[FrameRecord], streaks: Mapping[str, Streak]
) -> tuple[list[str], list[str]]:
    """Return the flags that the frames together raise, and what to tell about them."""
    doubts, told = [], []
    sharper = sum("tripod-unsteady" in streaks[record.file].flags for record in moving)
    if "tripod-unsteady" in reference.flags or sharper:
        doubts.append("tripod-unsteady")
        seen = []
        if "tripod-unsteady" in reference.flags:
            differ = f" (by a streak of {reference.unrest_px:.1f} px)" if math.isfinite(reference.unrest_px) else ""
            seen.append(f"the {reference.frames} tripod frames differ among themselves{differ}")
        if sharper:
            seen.append(f"{sharper} of {len(moving)} handheld frames are sharper than the tripod frames")
        told.append(f"{' and '.join(seen)}: {describe('tripod-unsteady').advice}")
    rows = [(record.shutter_s, streaks[record.file]) for record in moving if record.role == "handheld"]
    constant = constant_blur(
        [exact_shutter_s(time) if time else math.nan for time, _ in rows],
        [streak.variance_x_px2 for _, streak in rows],
        [streak.variance_y_px2 for _, streak in rows],
        [streak.trace_px2_stderr for _, streak in rows],
    )
    if constant is not None:
        doubts.append("constant-blur")
        told.append(
            f"blur that does not depend on shutter speed, like a streak of {constant.streak_px:.1f} px: focus or "
            f"distance changed since the tripod frames; {describe('constant-blur').advice}"
        )
    return doubts, told


def _sharper_px(streak: Streak) -> float:
    """Return the streak [px] by which a frame is sharper than the reference, 0 where it is not clearly so."""
    return math.sqrt(12.0 * -streak.trace_px2) if "tripod-unsteady" in streak.flags else 0.0


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
    if record.status != "used":
        return record
    if measurement is None or not measurement.get("shape"):
        return record
    rows, columns = measurement["shape"]
    if shape is not None and (rows, columns) != shape:
        return record.rejected("different-size", f"{columns} x {rows} pixels instead of {shape[1]} x {shape[0]}")
    record = record.with_flags(measurement["flags"])
    if not measurement["profiles"]:
        reasons = sorted({edge["text"] for edge in measurement["unusable"]})
        return record.rejected("no-edge", f"no usable edge ({'; '.join(reasons) or 'nothing like one'})")
    if reference is not None and "tripod-unsteady" in reference.flags:
        record = record.with_flags(("tripod-unsteady",))  # every frame's streak is measured against that reference
    return record if streak is None else record.with_flags(streak.flags)


def _row(record: FrameRecord, streak: Streak | None, kit: Kit) -> dict[str, Any]:
    px = math.nan if streak is None else streak.streak_px
    um = px * kit.pixel_pitch_um if kit.pixel_pitch_um else math.nan
    return {
        "file": record.file,
        "shutter_s": record.shutter_s,
        "shutter_s_exact": None if record.shutter_s is None else exact_shutter_s(record.shutter_s),
        "role": record.role,
        "streak_px": px,
        "streak_px_stderr": math.nan if streak is None else streak.streak_px_stderr,
        "streak_um": um,
        # at the focal length as marked: near targets need the effective one, which a file does not tell
        "streak_mrad": um / kit.focal_mm if kit.focal_mm else math.nan,
        "direction_deg": math.nan if streak is None else streak.direction_deg,
        "direction_deg_stderr": math.nan if streak is None else streak.direction_deg_stderr,
        # the estimate that streak_px is the root of, under the floor too: negative by noise at times
        "motion_variance_px2": math.nan if streak is None else streak.trace_px2,
        "motion_variance_px2_stderr": math.nan if streak is None else streak.trace_px2_stderr,
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
        [streak.trace_px2 for _, streak in chosen],
        [streak.trace_px2_stderr for _, streak in chosen],
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
        "limits": [
            {**fit.limit(share, streak_limit_px).as_dict(), "flags": flags} for share in sorted({*_KEEPS, keep})
        ],
        "next": [
            {**shot, "shutter_s": nominal_shutter_s(shot["shutter_s"])}  # as the dial is marked
            for shot in next_shots(fit, keep, streak_limit_px).as_list()
        ],
    }


def _stops(fit: BlurFit) -> float:
    return math.log2(fit.slowest_s / fit.fastest_s) + 2.0 * _BEYOND_STOPS
