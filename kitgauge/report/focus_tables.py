"""Tables of focusing: how repeatable it is, and where everything is sharpest."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from kitgauge.report import wording
from kitgauge.report.data import mapping, number, records, text
from kitgauge.report.evidence import Table

_CHANNELS = {"G": "green", "R": "red", "B": "blue"}


def focusing_table(sharpness: Mapping[str, Any]) -> Table | None:
    """Return what focusing costs per f-number, None where frames were not focused one by one."""
    focusing = mapping(sharpness.get("focusing"))
    rows = tuple(
        (
            wording.f_number(number(f.get("f_number"))),
            str(len(records(f.get("frames")))),
            wording.with_error(number(f.get("lens_mtf50_cy_per_px")), number(f.get("lens_mtf50_stderr"))),
            wording.decimals(number(f.get("best_mtf50_cy_per_px")), 4),
            wording.decimals(number(f.get("mean_mtf50_cy_per_px")), 4),
            _share_with_interval(f, "lost_share"),
            _share_with_interval(f, "typical_loss"),
        )
        for f in records(focusing.get("f_numbers"))
    )
    if not rows:
        return None
    lost = wording.share(number(focusing.get("lost_means")))
    columns = (
        "f-number",
        "frames",
        "lens in focus",
        "best frame",
        "mean frame",
        f"lose {lost} or more",
        "1 in 5 loses",
    )
    unit = "µm in image space" if focusing.get("unit") == "um" else "px"
    interval = focusing.get("sigma_ci")
    ends = [number(end) for end in interval] if isinstance(interval, list) else [math.nan, math.nan]
    note = (
        f"MTF50 in cycles per pixel, in the {text(focusing.get('region')) or 'centre'}. One focusing error explains "
        f"all: standard deviation {wording.plain(number(focusing.get('sigma')), 3)} {unit} (95 %: "
        f"{wording.plain(ends[0], 3)} to {wording.plain(ends[-1], 3)}). In brackets: 95 % intervals."
    )
    return Table("Focusing, frame by frame", columns, rows, frozenset(), note)


def _share_with_interval(row: Mapping[str, Any], key: str) -> str:
    ends = row.get(f"{key}_ci")
    low, high = (number(end) for end in ends) if isinstance(ends, list) and len(ends) == 2 else (math.nan, math.nan)
    return f"{wording.share(number(row.get(key)))} ({wording.share(low)} to {wording.share(high)})"


def bracket_table(sharpness: Mapping[str, Any], *, narrow: bool = False) -> Table | None:
    """Return the best focus of each patch (`narrow`: all edges of it in green only), None without stepped focus."""
    bracket = mapping(sharpness.get("bracket"))
    peaks = [
        p
        for p in records(bracket.get("peaks"))
        if not narrow or (p.get("channel") == "G" and p.get("orientation") == "both")
    ]
    if not peaks:
        return None
    rows = tuple(_peak_row(p, narrow) for p in peaks)
    more = () if narrow else ("edges", "colour")
    columns = ("f-number", "region", *more, "best step", "from centre, µm", "MTF50 there")
    steps = [
        f"{wording.f_number(number(s.get('f_number')))} "
        f"{wording.with_error(number(s.get('step_um')), number(s.get('step_um_stderr')), 'µm')}"
        for s in records(bracket.get("steps"))
    ]
    note = "Steps count the frames of an f-number from 0, near to far; ± is one standard error. "
    note += "From centre: against green in the centre, in image space; positive is beyond it, nearer to the lens."
    if steps:
        note += f" One step is {wording.joined(steps)}."
    return Table("Where everything is sharpest", columns, rows, frozenset({1, 2, 3} if not narrow else {1}), note)


def _peak_row(peak: Mapping[str, Any], narrow: bool) -> tuple[str, ...]:
    best, error = number(peak.get("best_step")), number(peak.get("best_step_stderr"))
    inside = peak.get("bracketed") is True
    micrometres, um_error = number(peak.get("best_um")), number(peak.get("best_um_stderr"))
    away = wording.with_error(micrometres, um_error) if um_error > 0 else wording.decimals(micrometres, 1)
    more = () if narrow else (text(peak.get("orientation")), _CHANNELS.get(text(peak.get("channel")), "–"))
    return (
        wording.f_number(number(peak.get("f_number"))),
        text(peak.get("region")),
        *more,
        wording.with_error(best, error) if inside else f"beyond {wording.plain(best, 3)}",
        away if inside and math.isfinite(micrometres) else "–",
        wording.with_error(number(peak.get("mtf50_cy_per_px")), number(peak.get("mtf50_cy_per_px_stderr"))),
    )
