"""Open a frame of the target and measure its edges: the one place where decoding and edge measurement meet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from kitgauge.errors import FrameError
from kitgauge.exposure import exact_f_number
from kitgauge.frames.opening import open_frame
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.opened import describe, refusal
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.tasks import Measurement, Task
from kitgauge.measure.diffraction import diffraction_px
from kitgauge.measure.edge_candidate import RefusedEdge
from kitgauge.measure.edge_finding import find_edges
from kitgauge.measure.edge_sfr import measure_edge


def edge_task(record: FrameRecord, pitch_um: float | None, cache: MeasurementCache) -> Task:
    """Return the task that finds and measures all edges of one frame."""
    spread_px = None
    if pitch_um is not None and record.f_number is not None:
        spread_px = float(diffraction_px(exact_f_number(record.f_number), pitch_um))
    return Task(
        label=record.file,
        key=cache.key("edges", [record.sha256], {"diffraction_px": spread_px}),
        files=(record.file,),
        work=lambda: measure_frame_edges(record, spread_px),
    )


def measure_frame_edges(record: FrameRecord, spread_px: float | None) -> Measurement:
    """Return `shape`, `edges`, `unusable` (edges refused, with flag and reason) and `flags` of one frame.

    `spread_px` is wavelength x f-number / pixel pitch where known: it steadies the tails of the edges.
    """
    try:
        mosaic = open_frame(record.path)
    except FrameError as error:
        return refusal(record, error)
    signal, mask, saturated = mosaic.signal(), mosaic.green_mask(), mosaic.saturated()
    search = find_edges(signal, mask, saturated)
    edges = [measure_edge(signal, mask, saturated, edge, diffraction_px=spread_px) for edge in search.candidates]
    return {
        **describe(mosaic),
        "edges": [edge.as_dict() for edge in edges],
        "unusable": refused_edges(search.refused),
    }


def refused_edges(refused: Sequence[RefusedEdge]) -> list[dict[str, Any]]:
    """Return edges that were seen and not measured as plain values."""
    return [asdict(edge) for edge in refused]
