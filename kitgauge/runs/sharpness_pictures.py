"""What the report of a sharpness run shows beside its points: MTF curves at three f-numbers, crops of one edge at every
f-number, and the halo along the edges.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from kitgauge.exposure import exact_f_number
from kitgauge.fit.sharpness.edge_halo import halo_of
from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint
from kitgauge.ingest.record import FrameRecord
from kitgauge.measure.edges.edge_sfr import EdgeMeasurement
from kitgauge.measure.edges.regions import CORNERS, region_of
from kitgauge.runs.context import Results

Edges = Mapping[str, Sequence[EdgeMeasurement]]  # file -> its edges

_HIGHEST_CY_PER_PX = 0.5  # Nyquist's frequency: pictures hold nothing above it
_SAME_EDGE = 0.03  # of the frame's diagonal: crops farther apart show different edges


def shown(
    records: Sequence[FrameRecord],
    results: Results,
    edges: Edges,
    points: Sequence[SharpnessPoint],
    shape: tuple[int, int] | None,
) -> dict[str, Any]:
    """Return `mtf_curves`, `crops` and `halo` of a run for its curves, empty lists without frames.

    `records` are those of the run with their final status; `points` tell which f-number is sharpest and which corner
    is worst.
    """
    nothing: dict[str, Any] = {"mtf_curves": [], "crops": [], "halo": []}
    by_f_number: dict[float, list[FrameRecord]] = defaultdict(list)
    for record in records:
        if record.status == "used" and record.role == "edge" and record.f_number is not None and record.file in results:
            by_f_number[exact_f_number(record.f_number)].append(record)
    if shape is None or not by_f_number or not points:
        return nothing
    groups = dict(sorted(by_f_number.items()))
    sharpest = sharpest_f_number(points)
    corner = worst_corner(points)
    regions = ["centre"] + ([corner] if corner else [])
    first, last = min(groups), max(groups)
    curves = [
        curve
        for f_number in sorted({first, sharpest if sharpest in groups else first, last})
        for region in regions
        if (curve := _mean_curve(groups[f_number], edges, region, shape)) is not None
    ]
    halos = [halo_of([e for record in group for e in edges[record.file]], f) for f, group in groups.items()]
    return {
        "mtf_curves": curves,
        "crops": [crop for region in regions for crop in _crops(groups, results, region, shape)],
        "halo": [
            {**halo.as_dict(), "f_number": groups[halo.f_number][0].f_number} for halo in halos if halo is not None
        ],
    }


def sharpest_f_number(points: Sequence[SharpnessPoint]) -> float:
    """Return the measured f-number with the highest mean MTF50 in the centre (anywhere, if the centre has no point)."""
    own = [point for point in points if point.region == "centre"] or list(points)
    values: dict[float, list[float]] = defaultdict(list)
    for point in own:
        values[point.f_number].append(point.mtf50_cy_per_px)
    return max(values, key=lambda f_number: float(np.mean(values[f_number])))


def worst_corner(points: Sequence[SharpnessPoint]) -> str:
    """Return the corner with the lowest mean MTF50 over the f-numbers that all corners have, "" without corners."""
    tables = {
        corner: {
            f_number: float(
                np.mean([p.mtf50_cy_per_px for p in points if p.region == corner and p.f_number == f_number])
            )
            for f_number in {p.f_number for p in points if p.region == corner}
        }
        for corner in CORNERS
    }
    present = {corner: table for corner, table in tables.items() if table}
    if not present:
        return ""
    common = set.intersection(*(set(table) for table in present.values())) or set.union(*map(set, present.values()))
    return min(
        present, key=lambda corner: float(np.mean([v for f, v in present[corner].items() if f in common] or [9]))
    )


def _mean_curve(
    group: Sequence[FrameRecord], edges: Edges, region: str, shape: tuple[int, int]
) -> dict[str, Any] | None:
    """Return the mean MTF of all measured edges in a region over the frames of one f-number, both directions alike."""
    rows, columns = shape
    own: dict[str, list[EdgeMeasurement]] = defaultdict(list)
    for record in group:
        for edge in edges[record.file]:
            x_norm = min(max((edge.x_px + 0.5) / columns, 0.0), 1.0)
            y_norm = min(max((edge.y_px + 0.5) / rows, 0.0), 1.0)
            if edge.usable and edge.mtf.size and region_of(x_norm, y_norm) == region:
                own[edge.orientation].append(edge)
    if not own:
        return None
    frequency = next(iter(own.values()))[0].frequency_cy_per_px
    kept = frequency <= _HIGHEST_CY_PER_PX + 1e-9
    means = [np.mean([edge.mtf for edge in side], axis=0) for side in own.values()]
    errors = [np.sqrt(np.sum([edge.mtf_stderr**2 for edge in side], axis=0)) / len(side) for side in own.values()]
    return {
        "f_number": group[0].f_number,
        "region": region,
        "edges": sum(len(side) for side in own.values()),
        "frequency_cy_per_px": frequency[kept].tolist(),
        "mtf": np.mean(means, axis=0)[kept].tolist(),
        "mtf_stderr": (np.sqrt(np.sum(np.square(errors), axis=0)) / len(errors))[kept].tolist(),
    }


def _crops(
    groups: Mapping[float, Sequence[FrameRecord]], results: Results, region: str, shape: tuple[int, int]
) -> list[dict[str, Any]]:
    """Return one crop per f-number of the edge that most frames show as theirs in a region."""
    seen = [
        (record, crop)
        for group in groups.values()
        for record in group
        for crop in results[record.file].get("crop") or []
        if crop["region"] == region
    ]
    if not seen:
        return []
    near = _SAME_EDGE * math.hypot(*shape)

    def same(a: Mapping[str, Any], b: Mapping[str, Any]) -> bool:
        if a["side"] != b["side"] or a["orientation"] != b["orientation"]:
            return False
        return math.hypot(a["x_px"] - b["x_px"], a["y_px"] - b["y_px"]) < near

    _, usual = max(seen, key=lambda pair: sum(same(pair[1], other) for _, other in seen))
    found = []
    for group in groups.values():
        own = [(r, c) for r, c in seen if r in group and same(c, usual)]
        # a frame that is softer than its twin shows the shake, not the aperture
        own.sort(key=lambda pair: "softer-than-its-twin" in pair[0].flags)
        if own:
            record, crop = own[0]
            settings = {"f_number": record.f_number, "shutter_s": record.shutter_s, "iso": record.iso}
            kept = ("region", "orientation", "x_px", "y_px", "width_px", "height_px", "png")
            found.append({**settings, "file": record.file, **{key: crop[key] for key in kept}})
    return found
