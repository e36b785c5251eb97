"""Open the frames of one exposure time of a dark-current series and measure them in pairs.

A pair of flats may lie among them: which pairs are flats is told later, when all exposure times are known
(`flats_among`), because a hot sensor's long exposures are bright as well. So that no frame is opened twice, a pair that
may be one of flats is measured as such right away.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

from kitgauge.errors import FrameError
from kitgauge.exposure import exact_shutter_s, format_shutter
from kitgauge.frames.mosaic import Mosaic, Plane
from kitgauge.frames.opening import open_frame
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.iso_group import DARK_BELOW, level_fraction
from kitgauge.ingest.opened import refusal
from kitgauge.ingest.record import FrameRecord, capture_order, same_setting_key
from kitgauge.ingest.tasks import Measurement, Task
from kitgauge.measure.noise.dark_current import measure_dark_exposure
from kitgauge.measure.noise.dark_pair import measure_dark_pair
from kitgauge.measure.noise.photon_transfer import measure_flat_pair

# Two frames make a pair if their levels differ by less than this share of the range, or of the brighter one.
ALIKE, ALIKE_SHARE = 0.01, 0.3
# Dark current does not wane with time: a pair this much brighter than one of a longer exposure saw light, and so did
# one this much brighter than its time, counted from the next shorter exposure, makes it.
BRIGHTER_THAN_LONGER, BRIGHTER_THAN_ITS_TIME = 1.5, 4.0
# More of the range per second than this is light, not heat (common practice, no source: a hot sensor fills in minutes);
# told of a pair that is this much of the range brighter than the darkest one, black drifts by less.
MOST_HEAT_PER_S, CLEARLY_BRIGHTER = 0.05, 0.01


def by_exposure(records: Sequence[FrameRecord]) -> dict[float, list[FrameRecord]]:
    """Return the records that are neither rejected nor left out, grouped by exact exposure time [s], rising."""
    groups: dict[float, list[FrameRecord]] = defaultdict(list)
    for record in records:
        if record.status != "rejected" and not record.reason and record.shutter_s is not None:
            groups[same_setting_key("shutter_s", record.shutter_s)].append(record)
    return {exact_shutter_s(key): groups[key] for key in sorted(groups)}


def exposure_label(exposure_s: float) -> str:
    """Return the label of the task of one exposure time."""
    return f"dark {format_shutter(exposure_s)}"


def exposure_task(exposure_s: float, records: Sequence[FrameRecord], cache: MeasurementCache) -> Task:
    """Return the task that measures the frames of one exposure time in pairs."""
    ordered = sorted(records, key=capture_order)
    known = [[record.file, record.role] for record in ordered]
    return Task(
        label=exposure_label(exposure_s),
        key=cache.key("dark exposure", [record.sha256 for record in ordered], {"frames": known}),
        files=tuple(record.file for record in ordered),
        work=partial(measure_exposure, ordered),
        without=lambda file: exposure_task(exposure_s, [record for record in records if record.file != file], cache),
    )


def measure_exposure(records: Sequence[FrameRecord]) -> Measurement:
    """Return the pairs of one exposure time: `files`, `role` (as said, else None), `level` (share of the range) and
    `planes`: `colour`, place in the pattern, black and white levels as the files state them, and as plain values
    `exposure` (`DarkExposure`), `dark_pair` (`DarkPair`) and `flat_pair` (`FlatPair`, null for what can be no flat).

    Frames of about the same level are paired in the order of capture; at most two wait for a partner.
    """
    shape: tuple[int, int] | None = None
    refused: dict[str, list[str]] = {}
    waiting: list[tuple[FrameRecord, Mosaic, float]] = []
    pairs: list[dict[str, Any]] = []
    for record in records:
        try:
            mosaic = open_frame(record.path, together=True)
        except FrameError as error:
            refused |= refusal(record, error)["refused"]
            continue
        shape = shape or mosaic.shape
        if mosaic.shape != shape:
            reason = f"{mosaic.shape[1]} x {mosaic.shape[0]} pixels instead of {shape[1]} x {shape[0]}"
            refused[record.file] = ["different-size", reason]
            continue
        level = level_fraction(mosaic)
        partner = next((item for item in waiting if _alike(item, record, level)), None)
        if partner is None:
            waiting = [*waiting, (record, mosaic, level)][-2:]
            continue
        waiting.remove(partner)
        level = 0.5 * (partner[2] + level)
        pairs.append(
            {
                "files": [partner[0].file, record.file],
                "role": record.role,
                "level": level,
                "planes": _planes(partner[1], mosaic, maybe_flat=_may_be_flat(record.role, level)),
            }
        )
    return {"shape": None if shape is None else list(shape), "pairs": pairs, "refused": refused}


def _alike(waiting: tuple[FrameRecord, Mosaic, float], record: FrameRecord, level: float) -> bool:
    other = waiting[2]
    return waiting[0].role == record.role and abs(level - other) < max(ALIKE, ALIKE_SHARE * max(level, other))


def _planes(first: Mosaic, second: Mosaic, *, maybe_flat: bool) -> list[dict[str, Any]]:
    return [
        {**_plane(a, b, maybe_flat=maybe_flat), "black_source": first.black_source}
        for a, b in zip(first.planes(), second.planes(), strict=True)
    ]


def _plane(a: Plane, b: Plane, *, maybe_flat: bool) -> dict[str, Any]:
    dark = measure_dark_pair(a.samples, b.samples)
    # the stated black is near enough for the ratio of two flats
    flat = measure_flat_pair(a.samples, b.samples, a.black_dn, a.white_dn) if maybe_flat else None
    return {
        "colour": a.colour,
        "row_offset": a.row_offset,
        "column_offset": a.column_offset,
        "row_step": a.row_step,
        "column_step": a.column_step,
        "black_dn": a.black_dn,
        "white_dn": a.white_dn,
        "exposure": measure_dark_exposure(a.samples, b.samples, dark, a.white_dn).as_dict(),
        "dark_pair": dark.as_dict(),
        "flat_pair": None if flat is None else flat.as_dict(),
    }


def _may_be_flat(role: str | None, level: float) -> bool:
    return role == "flat" or (role is None and level >= DARK_BELOW)


def flats_among(pairs: Sequence[tuple[float, Mapping[str, Any]]]) -> list[bool]:
    """Tell for each (exposure time [s], pair) whether it is a pair of flats.

    The role that the user gave decides. Else a pair is one of flats if it is too bright for a capped frame, and
    brighter than a longer exposure or than its own time can make it, counted from the next shorter exposure. With no
    other exposure to compare with, bright is flat.
    """
    return [_is_flat(index, pairs) for index in range(len(pairs))]


def _is_flat(index: int, pairs: Sequence[tuple[float, Mapping[str, Any]]]) -> bool:
    time, pair = pairs[index]
    if pair["role"] is not None:
        return bool(pair["role"] == "flat")
    level = float(pair["level"])
    if not _may_be_flat(pair["role"], level):
        return False
    if level > MOST_HEAT_PER_S * time:
        return True
    others = [
        (other, float(item["level"]))
        for position, (other, item) in enumerate(pairs)
        if position != index and item["role"] != "flat" and float(item["level"]) < level
    ]
    if any(other >= time and level > BRIGHTER_THAN_LONGER * max(there, 0.0) for other, there in others):
        return True
    shorter = [(other, there) for other, there in others if other < time]
    if not shorter:
        return True
    nearest, there = max(shorter)
    return level > BRIGHTER_THAN_ITS_TIME * max(there, DARK_BELOW / 10) * time / nearest


def lit_among(pairs: Sequence[tuple[float, Mapping[str, Any]]]) -> list[bool]:
    """Tell for each (exposure time [s], pair) whether it saw light: faster than heat fills any sensor, against the
    darkest pair."""
    darkest = min((float(pair["level"]) for _, pair in pairs), default=0.0)
    above = [(time, float(pair["level"]) - darkest) for time, pair in pairs]
    return [seen > max(CLEARLY_BRIGHTER, MOST_HEAT_PER_S * time) for time, seen in above]
