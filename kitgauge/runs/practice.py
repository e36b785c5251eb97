"""A practice series: each frame with its settings and how it is exposed; nothing is fitted, no limit is set."""

from __future__ import annotations

import math
from typing import Any

from kitgauge.exposure import ev100, exact_f_number, exact_iso, exact_shutter_s
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.scene_frames import scene_task
from kitgauge.runs.context import Results, RunContext, Section, common_shape, with_refusals
from kitgauge.runs.scene_blur import fastest_frame, relative_blur


def measure(context: RunContext, results: Results) -> None:
    """Measure how each frame is exposed and, where sharpness is one thing for the whole frame, its blur."""
    still = None
    if context.protocol.sweep.setting != "f_number":  # with the f-number, depth of field changes from place to place
        still = fastest_frame(context.used())
    tasks = [scene_task(record, context.cache, still) for record in context.used()]
    context.run("measuring frames", tasks, results)


def conclude(context: RunContext, results: Results) -> Section:
    """Return one row per frame: settings, the light they were set for, level, clipping, and blur where it could be
    measured against the sharpest frame."""
    records = with_refusals(context.records, results)
    seen = [record for record in records if record.status == "used" and record.file in results]
    blur = relative_blur(seen, results)
    rows = [{**_row(record, results[record.file]), **blur.get(record.file, {})} for record in seen]
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
