"""A practice series: each frame with its settings and how it is exposed; nothing is fitted, no limit is set."""

from __future__ import annotations

import math
from typing import Any

from kitgauge.exposure import ev100, exact_f_number, exact_iso, exact_shutter_s
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.scene_frames import scene_task
from kitgauge.run_context import Results, RunContext, Section, common_shape, with_refusals


def measure(context: RunContext, results: Results) -> None:
    """Measure how each frame is exposed, into `results`."""
    context.run("measuring frames", [scene_task(record, context.cache) for record in context.used()], results)


def conclude(context: RunContext, results: Results) -> Section:
    """Return one row per frame: settings, the light they were set for, level and clipping."""
    records = with_refusals(context.records, results)
    rows = [
        _row(record, results[record.file]) for record in records if record.status == "used" and record.file in results
    ]
    unmeasured = [record.file for record in records if record.status == "used" and record.file not in results]
    missing = [f"{len(unmeasured)} frames not measured"] if unmeasured else []
    return Section(
        curves={"practice": {"setting": context.protocol.sweep.setting, "frames": rows}},
        records=records,
        missing=tuple(missing),
        shape=common_shape(results),
    )


def _row(record: FrameRecord, measured: dict[str, Any]) -> dict[str, Any]:
    light = math.nan
    if record.iso and record.shutter_s and record.f_number:
        light = ev100(exact_f_number(record.f_number), exact_shutter_s(record.shutter_s), exact_iso(record.iso))
    return {
        "file": record.file,
        "step": record.step,
        "role": record.role,
        "iso": record.iso,
        "shutter_s": record.shutter_s,
        "f_number": record.f_number,
        "settings_ev100": light,
        "level_stops_below_saturation": measured["level_stops_below_saturation"],
        "clipped_share": measured["clipped_share"],
        "near_black_share": measured["near_black_share"],
        "flags": measured["flags"],
    }
