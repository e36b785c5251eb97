"""One learner's series in a few words, for the overview of a class."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from kitgauge.report import wording
from kitgauge.report.data import mapping, number, records, text
from kitgauge.report.practice_answers import is_soft, movement_begins, setting_text, stops

Rows = Sequence[Mapping[str, Any]]


def learner_cells(curves: Mapping[str, Any]) -> dict[str, str]:
    """Return what a run found, heading -> words; of a protocol that sets limits, the limits."""
    practice = mapping(curves.get("practice"))
    if not practice:
        limits = [text(limit.get("text")) for limit in records(curves.get("limits"))]
        return {"limits": " ".join(limits) or "none"}
    if "exercises" in practice:
        return _choice(practice)
    rows = records(practice.get("frames"))
    work = {"shutter_s": _shutter, "f_number": _aperture, "iso": _iso}[text(practice.get("setting"))]
    return work(practice, rows)


def _shutter(practice: Mapping[str, Any], rows: Rows) -> dict[str, str]:
    sharp_px = number(practice.get("sharp_px"))
    still = [row for row in rows if is_soft(row, sharp_px) is False and number(row.get("shutter_s")) > 0]
    soft = [row for row in rows if is_soft(row, sharp_px)]
    first = movement_begins(rows, sharp_px)
    return {
        "still things sharp down to": _slowest(still) if still else wording.UNKNOWN,
        "soft from": setting_text("shutter_s", min(soft, key=_time))
        if soft
        else "not in these frames"
        if still
        else wording.UNKNOWN,
        "movement shows from": setting_text("shutter_s", first) if first is not None else "not measured",
        "noise, fastest against slowest": _between(rows, "shutter_s", "noise_stops"),
    }


def _time(row: Mapping[str, Any]) -> float:
    return number(row.get("shutter_s"))


def _slowest(rows: Rows) -> str:
    return setting_text("shutter_s", max(rows, key=_time))


def _between(rows: Rows, setting: str, key: str) -> str:
    """Return how much more of something the frame of the lowest value shows than that of the highest."""
    known = [row for row in rows if number(row.get(setting)) > 0 and math.isfinite(number(row.get(key)))]
    if len(known) < 2:
        return "not measured"
    low, high = (end(known, key=lambda row: number(row.get(setting))) for end in (min, max))
    return f"{wording.decimals(number(low.get(key)) - number(high.get(key)), 1)} stops"


def _aperture(_practice: Mapping[str, Any], rows: Rows) -> dict[str, str]:
    known = [row for row in rows if math.isfinite(number(row.get("sharp_share")))]
    share = "not measured"
    if len(known) > 1:
        best = max(known, key=lambda row: number(row.get("sharp_share")))
        ends = dict.fromkeys(map(id, (known[0], best, known[-1])))
        share = ", ".join(
            f"{wording.share(number(row.get('sharp_share')))} at {setting_text('f_number', row)}"
            for row in known
            if id(row) in ends
        )
    fine = [row for row in rows if math.isfinite(number(row.get("focus_detail_stops")))]
    finest = "not measured"
    if fine:
        finest = setting_text("f_number", max(fine, key=lambda row: number(row.get("focus_detail_stops"))))
    return {"sharp places": share, "finest detail at": finest}


def _iso(_practice: Mapping[str, Any], rows: Rows) -> dict[str, str]:
    known = [row for row in rows if math.isfinite(number(row.get("noise_stops")))]
    doubled = [row for row in known if number(row.get("noise_stops")) >= 0.9]
    last = known[-1] if len(known) > 1 else None
    return {
        "noise doubled by": setting_text("iso", doubled[0])
        if doubled
        else ("not in these frames" if len(known) > 1 else "not measured"),
        "noise at the highest": "not measured"
        if last is None
        else f"{stops(number(last.get('noise_stops')))} more at {setting_text('iso', last)}",
    }


def _choice(practice: Mapping[str, Any]) -> dict[str, str]:
    """Return per subject how far the first and the last try are from the plan."""
    said = {}
    for exercise in records(practice.get("exercises")):
        rows, tries = records(exercise.get("frames")), mapping(exercise.get("tries"))
        away = [number(mapping(tries.get(text(row.get("file")))).get("away_stops")) for row in rows]
        subject = text(exercise.get("subject")) or "no subject named"
        folder = text(exercise.get("folder")) or subject
        if not away or not math.isfinite(away[0]):
            said[folder] = text(exercise.get("reason")) or wording.UNKNOWN
        elif len(away) == 1:
            said[folder] = f"first try {stops(away[0])} from the plan, no second"
        else:
            said[folder] = f"first try {stops(away[0])} from the plan, last {stops(away[-1])}"
    return {"tries": "; ".join(f"{folder}: {what}" for folder, what in said.items()) or wording.UNKNOWN}
