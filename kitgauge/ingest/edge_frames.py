"""Open a frame of the target and measure its edges: the one place where decoding and edge measurement meet."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from kitgauge.errors import FrameError, UsageError
from kitgauge.exposure import exact_f_number
from kitgauge.frames.metadata import read_settings
from kitgauge.frames.mosaic import Mosaic
from kitgauge.frames.opening import open_frame
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.developed_style import developed_style
from kitgauge.ingest.frame_region import FrameRegion
from kitgauge.ingest.needed_samples import signal_near
from kitgauge.ingest.opened import describe, refusal
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.tasks import Measurement, Task
from kitgauge.measure.edges.diffraction import diffraction_px
from kitgauge.measure.edges.edge_candidate import EdgeCandidate, EdgeSearch, RefusedEdge
from kitgauge.measure.edges.edge_colours import measure_colours
from kitgauge.measure.edges.edge_crop import edge_crops
from kitgauge.measure.edges.edge_finding import find_edges_in
from kitgauge.measure.edges.edge_sfr import EdgeMeasurement, measure_edge
from kitgauge.measure.edges.search_picture import SearchPicture, picture_of_samples
from kitgauge.measure.edges.target_pose import SheetSeen, find_sheets, pose

_SAME_PX = 4.0


@dataclass(frozen=True)
class _Optics:
    """What is known of a frame's optics: wavelength x f-number / pixel pitch [px], focal length [mm], pitch [um]."""

    diffraction_px: float | None
    focal_mm: float | None
    pitch_um: float | None


def edge_task(
    record: FrameRecord,
    pitch_um: float | None,
    cache: MeasurementCache,
    *,
    focal_mm: float | None = None,
    regions: Sequence[FrameRegion] = (),
) -> Task:
    """Return the task that finds and measures all edges of one frame, or those in `regions` only.

    `focal_mm` stands in where the frame tells no focal length.
    """
    spread_px = None
    if pitch_um is not None and record.f_number is not None:
        spread_px = float(diffraction_px(exact_f_number(record.f_number), pitch_um))
    optics = _Optics(spread_px, record.focal_mm or focal_mm, pitch_um)
    return Task(
        label=record.file,
        key=cache.key("edges", [record.sha256], {**asdict(optics), "regions": [str(region) for region in regions]}),
        files=(record.file,),
        work=partial(measure_frame_edges, record, optics, regions),
    )


def measure_frame_edges(record: FrameRecord, optics: _Optics, regions: Sequence[FrameRegion] = ()) -> Measurement:
    """Return what one frame's edges tell: `shape`, `flags`, `edges` (without their edge spread: three quarters of all
    numbers, and nothing asks for it once MTF and overshoot are known), `unusable` (edges refused, with flag and
    reason), `target` (the sheets seen by their markers, with pose), `crop`, small pictures of an edge in the centre and
    in each corner, and `style`, how a developed picture was made (None of a raw frame).
    """
    try:
        mosaic = open_frame(record.path)
    except FrameError as error:
        return refusal(record, error)
    try:
        search, sheets = _searched(mosaic, record, regions)
    except UsageError as error:
        return {"refused": {record.file: ["region-outside", f"{error.what}: {error.got}; needed: {error.needed}"]}}
    signal, saturated = signal_near(mosaic, search.candidates)
    mask = mosaic.green_mask()
    spread_px = optics.diffraction_px
    edges = [measure_edge(signal, mask, saturated, edge, diffraction_px=spread_px) for edge in search.candidates]
    others = {colour: mosaic.colour_mask(colour) for colour in ("R", "B") if any(colour in n for n in mosaic.pattern)}
    edges = [replace(edge, colours=measure_colours(signal, others, saturated, edge)) for edge in edges]
    return {
        **describe(mosaic),
        "edges": [_without_samples(edge).as_dict() for edge in edges],
        "unusable": refused_edges(search.refused),
        "target": [_posed(sheet, optics).as_dict() for sheet in sheets],
        "crop": [crop.as_dict() for crop in edge_crops(signal, mask, search.candidates)],
        "style": developed_style(record.path, mosaic),
    }


def _without_samples(edge: EdgeMeasurement) -> EdgeMeasurement:
    nothing = np.zeros(0)
    return replace(edge, position_px=nothing, esf=nothing, esf_stderr=nothing)


def _searched(
    mosaic: Mosaic, record: FrameRecord, regions: Sequence[FrameRegion]
) -> tuple[EdgeSearch, tuple[SheetSeen, ...]]:
    """Return the edges of a frame and the sheets seen by their markers; in regions no markers are looked for."""
    if not regions:
        picture = search_picture(mosaic)
        sheets = find_sheets(picture.image, picture.block, picture.shape)
        return find_edges_in(picture, sheets=sheets), sheets
    orientation = read_settings(record.path).orientation
    parts: list[EdgeSearch] = []
    for region in regions:
        picture = search_picture(mosaic, region.on_sensor(mosaic.shape, orientation))
        parts.append(find_edges_in(picture))
    return together(parts), ()


def search_picture(mosaic: Mosaic, region: tuple[int, int, int, int] | None = None) -> SearchPicture:
    """Return the reduced picture of a frame's green samples, of all or of left, top, right and bottom [px]."""
    wanted = np.array([[name in ("G", "G1", "G2") for name in names] for names in mosaic.pattern], dtype=bool)
    return picture_of_samples(mosaic.samples, wanted, mosaic.black_dn, mosaic.white_dn, region=region)


def together(parts: Sequence[EdgeSearch]) -> EdgeSearch:
    """Return the edges of several regions, each patch with a number of its own; the first of overlapping
    regions has an edge."""
    candidates: list[EdgeCandidate] = []
    refused: list[RefusedEdge] = []
    first = 0
    for part in parts:
        new = [edge for edge in part.candidates if not any(_same(edge, other) for other in candidates)]
        candidates += [replace(edge, group=edge.group + first) for edge in new]
        refused += [edge for edge in part.refused if not any(_same(edge, other) for other in refused)]
        first = 1 + max((edge.group for edge in candidates), default=-1)
    return EdgeSearch(tuple(candidates), tuple(refused))


def refused_edges(refused: Sequence[RefusedEdge]) -> list[dict[str, Any]]:
    """Return edges that were seen and not measured as plain values."""
    return [asdict(edge) for edge in refused]


def _same(one: EdgeCandidate | RefusedEdge, two: EdgeCandidate | RefusedEdge) -> bool:
    """Tell whether two edges lie on each other: the middle of the shorter one on the other's line."""
    short, long = sorted((one, two), key=lambda edge: math.hypot(edge.x1 - edge.x0, edge.y1 - edge.y0))
    x, y = 0.5 * (short.x0 + short.x1), 0.5 * (short.y0 + short.y1)
    run_x, run_y = long.x1 - long.x0, long.y1 - long.y0
    length = math.hypot(run_x, run_y)
    along = ((x - long.x0) * run_x + (y - long.y0) * run_y) / length
    across = ((y - long.y0) * run_x - (x - long.x0) * run_y) / length
    return abs(across) < _SAME_PX and 0.0 <= along <= length


def _posed(sheet: SheetSeen, optics: _Optics) -> SheetSeen:
    """Return the sheet with tilt and distance where the optics are known."""
    if not optics.focal_mm or not optics.pitch_um:
        return sheet
    return pose(sheet, 1000.0 * optics.focal_mm / optics.pitch_um, focal_mm=optics.focal_mm)
