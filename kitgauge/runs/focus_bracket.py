"""A run through the focus: edges of frames at stepped focus, and where everything is sharpest."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import asdict

from kitgauge.exposure import exact_f_number
from kitgauge.fit.sharpness.bracket_findings import bracket_findings, field_shape
from kitgauge.fit.sharpness.focus_bracket import fit_bracket
from kitgauge.ingest.record import FrameRecord
from kitgauge.runs.context import Results, RunContext, Section, common_shape, with_refusals
from kitgauge.runs.sharpness import edges_of, judged, measure

__all__ = ["conclude", "measure"]


def conclude(context: RunContext, results: Results) -> Section:
    """Return the best focus of every region, colour and f-number, and what that says of the lens; no limits.

    The steps of an f-number are its frames in the order of capture; a frame that shows no edge, being far out of focus,
    keeps its step.
    """
    shape = common_shape(results)
    edges = {file: edges_of(measurement) for file, measurement in results.items()}
    records = tuple(
        judged(record, results[record.file], edges[record.file], shape) if record.file in results else record
        for record in with_refusals(context.records, results)
    )
    good = {record.file for record in records if record.status == "used"}
    groups: dict[float, list[FrameRecord]] = defaultdict(list)
    marked: dict[float, float] = {}
    for record in context.used("edge"):
        if record.f_number is not None:
            groups[exact_f_number(record.f_number)].append(record)
            marked.setdefault(exact_f_number(record.f_number), record.f_number)
    missing: list[str] = []
    notes: list[str] = []
    bracket = None
    if shape is not None:
        frames = {
            f_number: [edges[record.file] if record.file in good and record.file in edges else [] for record in group]
            for f_number, group in groups.items()
        }
        bracket = fit_bracket(frames, shape, context.kit.pixel_pitch_um)
    for f_number, group in sorted(groups.items()):
        known = [] if bracket is None else [p for p in bracket.peaks if p.f_number == f_number]
        if not known:
            missing.append(
                f"f/{marked[f_number]:g}: no best focus; needed: five or more focus steps with the same edges in them, "
                f"{sum(record.file in good for record in group)} of {len(group)} frames show any"
            )
        outside = sorted(
            {p.region for p in known if not p.peak.bracketed and p.orientation == "both" and p.channel == "G"}
        )
        if outside:
            notes.append(
                f"f/{marked[f_number]:g}: {', '.join(outside)}: sharpest at the first or last step, so the best focus "
                "lies beyond; begin farther away from it, or take more steps"
            )
    shapes = [] if bracket is None else [s for n in bracket.f_numbers if (s := field_shape(bracket, n)) is not None]
    findings = [] if bracket is None else bracket_findings(bracket)
    curves = {
        "points": [],
        "fit": {},
        "findings": [finding.as_dict() for finding in findings],
        "edges_refused": [],
        "bracket": None if bracket is None else {**bracket.as_dict(), "field": [asdict(shape) for shape in shapes]},
    }
    return Section(
        curves={"sharpness": curves}, records=records, missing=tuple(missing), notes=tuple(notes), shape=shape
    )
