"""Tables of a moving subject: what was measured beside common practice, its speeds, how it turned."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from kitgauge.exposure import exact_shutter_s
from kitgauge.report import wording
from kitgauge.report.data import mapping, number, records, text
from kitgauge.report.evidence import Table

NO_SOURCE = "common practice, no source"
# subject, marked shutter time [s], what is said of it (common practice, no source)
PRACTICE = (
    ("a person keeping still", 1 / 60, "is enough"),
    ("a person moving", 1 / 250, "is enough"),
    ("a nodding head", 1 / 30, "leaves it a little blurred"),
    ("a nodding head", 1 / 5, "leaves it blurred a lot"),
    ("birds in flight", 1 / 1000, "about what they want"),
)
_MOST_TURNS = 5


def is_of_subject(blur: Mapping[str, Any]) -> bool:
    """Tell whether a blur run photographed a moving subject."""
    return any(row.get("role") == "subject" for row in records(blur.get("frames")))


def subjects_table(blur: Mapping[str, Any], limits: Sequence[Mapping[str, Any]]) -> Table | None:
    """Return the measured subject beside common practice, None for a run of something else."""
    if not is_of_subject(blur):
        return None
    limit = next((item for item in limits if item.get("role") == "subject"), None)
    measured = number(limit.get("shutter_s")) if limit else math.nan
    rows = [] if limit is None else [_measured_row(limit)]
    for subject, marked_s, said in PRACTICE:
        stops = math.log2(exact_shutter_s(marked_s) / measured) if measured > 0 else math.nan
        beside = f"{stops:+.1f}" if math.isfinite(stops) else wording.UNKNOWN
        rows.append((subject, wording.shutter(marked_s), beside, f"{said}; {NO_SOURCE}"))
    columns = ("subject", "shutter", "stops from measured", "what it does, and how that is known")
    note = (
        "Stops from measured: + is slower than this subject's own limit. What decides is how fast the subject crosses "
        "the frame; that takes distance and focal length, and common practice names neither."
    )
    return Table("This subject beside common practice", columns, tuple(rows), frozenset({0, 3}), note)


def _measured_row(limit: Mapping[str, Any]) -> tuple[str, str, str, str]:
    keep = number(mapping(limit.get("criterion")).get("keep"))
    speed = number(limit.get("speed_mm_per_s"))
    within = f"at most {wording.plain(speed, 3)} mm/s in {wording.share(keep)} of frames"
    said = within if speed > 0 else f"freezes {wording.share(keep)} of frames"
    name = text(limit.get("subject")) or "this subject"
    return name, wording.exact_shutter(number(limit.get("shutter_s"))), "0", f"{said}; measured"


def speeds_table(blur: Mapping[str, Any]) -> Table | None:
    """Return the distribution of the subject's speeds, None where none was fitted."""
    speed = mapping(mapping(blur.get("subject")).get("speed"))
    rows = tuple(
        (
            wording.share(number(row.get("share"))),
            *(wording.plain(number(row.get(unit)), 3) for unit in ("px_per_s", "mm_per_s", "mrad_per_s")),
        )
        for row in records(speed.get("quantiles"))
    )
    if not rows:
        return None
    columns = ("share of frames", "px/s at most", "mm/s at most", "mrad/s at most")
    note = (
        f"By the fit to all frames, at exposures of {wording.exact_shutter(number(speed.get('at_shutter_s')))}; frames "
        "too sharp or too blurred to measure count as bounds. mm/s: at the subject, across the line of sight. If the "
        "subject rests between its movements or starts and stops while photographed, as a page being turned, no fit "
        "here has the form of its speeds: the upper half of the frames may be trusted, the values up to 50 % of them "
        "may be off by a factor of 1.5, whatever the intervals say."
    )
    return Table("How fast the subject moved", columns, rows, frozenset(), note)


def turns_table(blur: Mapping[str, Any]) -> Table | None:
    """Return the frames in which the target clearly turned during the exposure, fastest first, None without any."""
    turned = [row for row in records(blur.get("frames")) if number(row.get("turn_rad_per_s")) > 0]
    if not turned:
        return None
    turned.sort(key=lambda row: -number(row.get("turn_rad_per_s")))
    rows = tuple(
        (
            text(row.get("file")),
            wording.shutter(number(row.get("shutter_s"))),
            wording.plain(number(row.get("translation_px")), 3),
            f"{wording.plain(number(row.get('turn_rad_per_s')), 3)} ± "
            f"{wording.plain(number(row.get('turn_rad_per_s_stderr')), 2)}",
        )
        for row in turned[:_MOST_TURNS]
    )
    more = len(turned) - len(rows)
    note = (
        "The turn is that about the viewing axis; the streak is that of the target's middle. ± is one standard error."
    )
    note += f" {wording.count(more, 'more frame')} in curves.json." if more else ""
    columns = ("frame", "shutter", "streak without the turn, px", "turn, rad/s")
    return Table("Turning during the exposure", columns, rows, frozenset({0}), note)
