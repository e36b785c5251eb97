"""A sharpness run: edges per frame, points per f-number, a curve per region, the range of sharp f-numbers."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any

from kitgauge.errors import FitError, LimitsError
from kitgauge.exposure import exact_f_number
from kitgauge.fit.sharpness.corner_aperture import CornerAperture, corner_aperture
from kitgauge.fit.sharpness.sharpness_aperture import SharpnessFit, fit_sharpness, mark_sharpened
from kitgauge.fit.sharpness.sharpness_colours import ColourPoint, colour_points
from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint, softer_frames
from kitgauge.fit.sharpness.target_seen import TargetSeen, target_seen
from kitgauge.ingest.developed_style import one_style, pictures_beside_raw
from kitgauge.ingest.edge_frames import edge_task
from kitgauge.ingest.record import FrameRecord, same_setting_key
from kitgauge.limits.aperture_limit import aperture_limits
from kitgauge.limits.model import Limit
from kitgauge.limits.picture_sharpness import picture_limits
from kitgauge.measure.edges.edge_sfr import EdgeMeasurement
from kitgauge.runs.context import Results, RunContext, Section, common_shape, with_refusals
from kitgauge.runs.focusing import (
    files_by_f_number,
    focusing_curves,
    focusing_limits,
    focusing_missing,
    focusing_of,
    points_at,
)
from kitgauge.runs.sharpness_arrays import MTF_CURVES_FILE, mtf_arrays
from kitgauge.runs.sharpness_pictures import shown


def measure(context: RunContext, results: Results) -> None:
    """Find and measure the edges of each frame, into `results`."""
    kit = context.kit
    tasks = [
        edge_task(record, kit.pixel_pitch_um, context.cache, focal_mm=kit.focal_mm, regions=context.regions)
        for record in context.used("edge")
    ]
    context.run("measuring frames", tasks, results)


def conclude(context: RunContext, results: Results) -> Section:
    """Return points, fits, findings and limits of what was measured."""
    shape = common_shape(results)
    edges = {file: edges_of(measurement) for file, measurement in results.items()}
    records = tuple(
        judged(record, results[record.file], edges[record.file], shape) if record.file in results else record
        for record in with_refusals(context.records, results)
    )
    records, of_styles = one_style(records, results)
    by_f_number: dict[float, list[FrameRecord]] = defaultdict(list)
    for record in context.used("edge"):
        if record.f_number is not None:
            by_f_number[same_setting_key("f_number", record.f_number)].append(record)
    good = {record.file for record in records if record.status == "used"}
    target = target_seen([results[file].get("target") or [] for file in sorted(good & results.keys())])
    points: list[SharpnessPoint] = []
    colours: list[ColourPoint] = []
    missing: list[str] = []
    notes: list[str] = [*of_styles, *pictures_beside_raw(records)]
    softer: set[str] = set()
    marked: dict[float, float] = {}
    focusing = focusing_of(context, edges, good, shape)
    for _, group in sorted(by_f_number.items()):
        recorded = group[0].f_number
        assert recorded is not None
        exact = exact_f_number(recorded)
        marked[exact] = recorded
        measured = [record.file for record in group if record.file in good and record.file in results]
        frames = [edges[file] for file in measured]
        developed = {flag for file in measured for flag in results[file]["flags"] if flag == "rendered"}
        found = (
            []
            if shape is None or not frames
            else points_at(frames, exact, shape, sorted(developed), context.kit.pixel_pitch_um, focusing)
        )
        if not found:
            missing.append(f"f/{recorded:g}: no usable edge")
        points += found
        colours += [] if shape is None else colour_points(frames, exact, shape)
        # frames that were focused one by one differ by design
        for behind in [] if context.protocol.refocused else softer_frames(frames):
            file = measured[behind.frame]
            softer.add(file)
            notes.append(
                f"{file} is {100 * behind.softer:.0f} % softer in {behind.orientation} edges than another frame at "
                f"f/{recorded:g}: shoot it again"
            )
    records = tuple(
        record.with_flags(["softer-than-its-twin"]) if record.file in softer else record for record in records
    )
    fit: SharpnessFit | None = None
    corners: CornerAperture | None = None
    limits: list[Limit] = []
    if points:
        pitch_um = context.kit.pixel_pitch_um
        points = mark_sharpened(
            points, pitch_um, magnification=0.0 if target is None else target.magnification(pitch_um)
        )
        try:
            fit = fit_sharpness(
                points,
                pitch_um,
                mtf50_fraction=context.criteria.mtf50_fraction,
                colours=colours,
                target=target,
                frame_shape=shape,
            )
            limits += aperture_limits(fit, context.criteria, context.kit.lens, context.kit.focal_mm)
            if shape is not None:
                limits += picture_limits(fit, context.criteria, shape, context.kit.lens, context.kit.focal_mm)
            notes += [f"{region}: {reason}" for region, reason in fit.missing.items()]
            corners = corner_aperture(fit.regions)
            notes += [corners.text] if corners is not None and corners.text else []
        except (FitError, LimitsError) as error:
            missing.append(f"{error.what}; needed: {error.needed}")
    limits += focusing_limits(context, focusing)
    missing += focusing_missing(context, focusing)
    curves: dict[str, Any] = {
        "points": [_with_marked(point, marked) for point in points],
        "fit": {} if fit is None else fit.as_dict(),
        "findings": [] if fit is None else fit.findings_as_list(),
        "colour": None if fit is None else fit.faults.colour_as_dict(),
        "corners": None if corners is None else corners.as_dict(),
        "target": None if target is None else target_as_dict(target, context.kit.pixel_pitch_um),
        "focusing": focusing_curves(focusing, files_by_f_number(context, good & results.keys())),
        "edges_refused": _refused(results, edges),
        **shown(records, results, edges, points, shape),
        "curves_file": None,
    }
    arrays = mtf_arrays([point["f_number"] for point in curves["points"]], points)
    if arrays:
        curves["curves_file"] = MTF_CURVES_FILE
    return Section(
        curves={"sharpness": curves},
        records=records,
        limits=tuple(limits),
        missing=tuple(missing),
        notes=tuple(notes),
        shape=shape,
        arrays={MTF_CURVES_FILE: arrays} if arrays else {},
    )


def edges_of(measurement: Mapping[str, Any]) -> list[EdgeMeasurement]:
    """Return all edges, measured and refused, of one frame's measurement."""
    return [EdgeMeasurement.from_dict(edge) for edge in measurement.get("edges") or []]


def judged(
    record: FrameRecord, measurement: Mapping[str, Any], edges: Sequence[EdgeMeasurement], shape: tuple[int, int] | None
) -> FrameRecord:
    """Return the record with the flags of its measurement; rejected if it has another size or shows no usable edge."""
    if record.status != "used" or not measurement.get("shape"):
        return record
    rows, columns = measurement["shape"]
    if shape is not None and (rows, columns) != shape:
        return record.rejected("different-size", f"{columns} x {rows} pixels instead of {shape[1]} x {shape[0]}")
    record = record.with_flags(measurement["flags"])
    if any(edge.usable for edge in edges):
        return record
    reasons = [*(flag for edge in edges for flag in edge.flags), *(e["flag"] for e in measurement.get("unusable", []))]
    seen = f"{len(reasons)} edges seen, none usable ({', '.join(sorted(set(reasons)))})" if reasons else "no edge found"
    return record.rejected("no-edge", seen)


def target_as_dict(target: TargetSeen, pitch_um: float | None) -> dict[str, Any]:
    """Return what the markers tell, with the magnification (null where the pixel pitch is unknown)."""
    return {**target.as_dict(), "magnification": None if pitch_um is None else target.magnification(pitch_um)}


def _with_marked(point: SharpnessPoint, marked: Mapping[float, float]) -> dict[str, Any]:
    """Return the point with the f-number as the camera marks it, the exact one beside it."""
    return {**point.as_dict(), "f_number": marked[point.f_number], "f_number_exact": point.f_number}


def _refused(results: Results, edges: Mapping[str, Sequence[EdgeMeasurement]]) -> list[dict[str, Any]]:
    """Return one row per edge that was seen and not measured: where it lies, and why."""
    rows: list[dict[str, Any]] = []
    for file in sorted(results):
        for edge in edges[file]:
            if not edge.usable:
                rows.append({"file": file, "x_px": edge.x_px, "y_px": edge.y_px, "flags": list(edge.flags)})
        for refused in results[file].get("unusable") or []:
            rows.append(
                {
                    "file": file,
                    "x_px": 0.5 * (refused["x0"] + refused["x1"]),
                    "y_px": 0.5 * (refused["y0"] + refused["y1"]),
                    "flags": [refused["flag"]],
                    "text": refused["text"],
                }
            )
    return rows
