"""Open the flats and darks of one ISO, tell them apart, and measure them in pairs.

Frames are opened once, the fastest shutter times first (darks, as a rule), and are let go as soon as their pair is
measured, so that a group of any size holds a few frames in memory. A frame that is neither black nor bright waits for
the rest of its group: beside brighter ones it is a dark frame, beside black ones an underexposed flat.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.errors import FrameError
from kitgauge.frames.mosaic import Mosaic
from kitgauge.frames.opening import open_frame
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.edge_frames import refusal
from kitgauge.ingest.match import same_setting_key
from kitgauge.ingest.record import FrameRecord, capture_order
from kitgauge.ingest.tasks import Measurement, Task
from kitgauge.measure.dark_pair import measure_dark_pair
from kitgauge.measure.photon_transfer import measure_flat_pair

# A capped frame shows its black level and no more; a flat is asked for at 15 % of saturation or above.
DARK_BELOW = 0.05
# ... but a frame taken much faster than the group's slowest was meant to be dark, even where black is not known well.
DARK_BELOW_IF_FAST = 0.12
FAST_STOPS = 4.0
# Below this a frame is dark whatever the others are; in between the group tells. Shares of the range up to white.
SURELY_DARK = 0.002
CLEAR_GAP = 0.005  # between the dark frames and the flats of a group
CLEAR_GAP_IF_FAST = 0.001  # ... where the flats were exposed `FAST_STOPS` longer
MOST_WAITING = 6
LEVEL_ROW_STEP = 16


def by_iso(records: Sequence[FrameRecord]) -> dict[float, list[FrameRecord]]:
    """Return the records that are neither rejected nor left out, grouped by ISO (rising; as recorded)."""
    groups: dict[float, list[FrameRecord]] = defaultdict(list)
    for record in records:
        if record.status != "rejected" and not record.reason and record.iso is not None:
            groups[record.iso].append(record)
    return dict(sorted(groups.items()))


def iso_task(iso: float, records: Sequence[FrameRecord], cache: MeasurementCache) -> Task:
    """Return the task that measures the flats and darks of one ISO."""
    ordered = sorted(records, key=lambda record: (record.shutter_s or 0.0, *capture_order(record)))
    known = [[record.file, record.role, record.shutter_s, record.f_number] for record in ordered]
    return Task(
        label=f"ISO {iso:g}",
        key=cache.key("iso group", [record.sha256 for record in ordered], {"frames": known}),
        files=tuple(record.file for record in ordered),
        work=lambda: measure_iso_group(ordered),
    )


@dataclass
class _Plane:
    colour: str
    black_dn: float  # as the file states it
    white_dn: float
    black_source: str
    flat_pairs: list[dict[str, Any]] = field(default_factory=list)
    dark_pairs: list[dict[str, Any]] = field(default_factory=list)
    dark_level_dn: list[float] = field(default_factory=list)


class _Group:
    """The frames of one ISO as they come in."""

    def __init__(self) -> None:
        self.shape: tuple[int, int] | None = None
        self.planes: list[_Plane] = []
        self.frames: dict[str, dict[str, Any]] = {}
        self.refused: dict[str, list[str]] = {}
        self.pending: dict[tuple[str, float, float], tuple[FrameRecord, Mosaic]] = {}
        self.waiting_flats: list[tuple[Mosaic, Mosaic]] = []
        self.undecided: list[tuple[FrameRecord, Mosaic, float]] = []
        self.dark_levels: list[tuple[float, float]] = []  # (level, shutter time) of frames that are surely dark
        self.flat_seen = False

    def add(self, record: FrameRecord, mosaic: Mosaic, slowest_s: float) -> None:
        if self.shape is None:
            self.shape = mosaic.shape
            self.planes = [
                _Plane(plane.colour, plane.black_dn, plane.white_dn, mosaic.black_source) for plane in mosaic.planes()
            ]
        elif mosaic.shape != self.shape:
            self.refused[record.file] = [
                "different-size",
                f"{mosaic.shape[1]} x {mosaic.shape[0]} pixels instead of {self.shape[1]} x {self.shape[0]}",
            ]
            return
        level = level_fraction(mosaic)
        if record.role is not None:
            self._take(record, mosaic, level, record.role)
        elif _by_level(level, record, slowest_s) == "flat":
            self.flat_seen = True
            self._decide()
            self._take(record, mosaic, level, "flat")
        elif self.flat_seen or (abs(level) < SURELY_DARK and mosaic.black_source != "unknown"):
            self.dark_levels.append((level, record.shutter_s or 0.0))
            self._take(record, mosaic, level, "dark")
        else:
            self.undecided.append((record, mosaic, level))
            if len(self.undecided) > MOST_WAITING:
                self._decide()

    def _decide(self) -> None:
        """Give the frames that wait their role: all dark beside a flat, else split where the levels leave a gap."""
        waiting, self.undecided = self.undecided, []
        flat_from = math.inf
        if not self.flat_seen:
            here = [(level, record.shutter_s or 0.0) for record, _, level in waiting]
            flat_from = _flats_from(self.dark_levels + here)
        for record, mosaic, level in waiting:
            if level < flat_from:
                self.dark_levels.append((level, record.shutter_s or 0.0))
            self._take(record, mosaic, level, "flat" if level >= flat_from else "dark")

    def _take(self, record: FrameRecord, mosaic: Mosaic, level: float, role: str) -> None:
        self.frames[record.file] = {"role": role, "level": level, "paired": False}
        setting = (
            role,
            0.0 if record.shutter_s is None else same_setting_key("shutter_s", record.shutter_s),
            0.0 if record.f_number is None else same_setting_key("f_number", record.f_number),
        )
        if setting not in self.pending:
            self.pending[setting] = (record, mosaic)
            return
        first_record, first = self.pending.pop(setting)
        for file in (first_record.file, record.file):
            self.frames[file]["paired"] = True
        if role == "dark":
            self._measure_darks(first, mosaic)
        elif mosaic.black_source != "masked" and not self.planes[0].dark_pairs:
            self.waiting_flats.append((first, mosaic))  # darks that come later tell the black level better
        else:
            self._measure_flats(first, mosaic)

    def finish(self) -> None:
        self._decide()
        for first, second in self.waiting_flats:
            self._measure_flats(first, second)
        self.waiting_flats.clear()
        self.pending.clear()

    def _measure_darks(self, first: Mosaic, second: Mosaic) -> None:
        for plane, a, b in zip(self.planes, first.planes(), second.planes(), strict=True):
            pair = measure_dark_pair(a.samples, b.samples)
            plane.dark_pairs.append(pair.as_dict())
            if not {"light-leak", "clipped-black"} & set(pair.flags):
                plane.dark_level_dn.append(pair.mean_dn)

    def _measure_flats(self, first: Mosaic, second: Mosaic) -> None:
        for plane, a, b in zip(self.planes, first.planes(), second.planes(), strict=True):
            # near enough for the ratio of two flats; the run's black is settled when all ISO values are known
            black_dn = plane.black_dn
            if plane.dark_level_dn and plane.black_source != "masked":
                black_dn = float(np.mean(plane.dark_level_dn))
            pair = measure_flat_pair(a.samples, b.samples, black_dn, plane.white_dn)
            plane.flat_pairs.append(pair.as_dict())


def measure_iso_group(records: Sequence[FrameRecord]) -> Measurement:
    """Return the pairs of each pattern position, and role and level of each frame, of one ISO's frames.

    `black_dn` and `black_source` of a plane are what the files state: `measure.black_level` settles black.
    """
    group = _Group()
    slowest_s = max((record.shutter_s or 0.0 for record in records), default=0.0)
    for record in records:
        try:
            mosaic = open_frame(record.path)
        except FrameError as error:
            group.refused |= refusal(record, error)["refused"]
            continue
        group.add(record, mosaic, slowest_s)
    group.finish()
    return {
        "shape": None if group.shape is None else list(group.shape),
        "frames": group.frames,
        "planes": [
            {
                "colour": plane.colour,
                "black_dn": plane.black_dn,
                "white_dn": plane.white_dn,
                "black_source": plane.black_source,
                "flat_pairs": plane.flat_pairs,
                "dark_pairs": plane.dark_pairs,
            }
            for plane in group.planes
        ],
        "refused": group.refused,
    }


def level_fraction(mosaic: Mosaic) -> float:
    """Return the mean level of the green samples above black, as a share of the range up to white."""
    levels = [
        (float(np.mean(_some_rows(plane.samples))) - plane.black_dn) / (plane.white_dn - plane.black_dn)
        for plane in mosaic.planes()
        if plane.colour in ("G", "G1", "G2")
    ]
    return float(np.mean(levels))


def _some_rows(samples: NDArray[np.uint16]) -> NDArray[np.uint16]:
    return samples[:: max(1, min(LEVEL_ROW_STEP, samples.shape[0] // 8))]


def _by_level(level: float, record: FrameRecord, slowest_s: float) -> str:
    fast = record.shutter_s is not None and record.shutter_s * 2.0**FAST_STOPS <= slowest_s
    return "dark" if level < (DARK_BELOW_IF_FAST if fast else DARK_BELOW) else "flat"


def _flats_from(frames: Sequence[tuple[float, float]]) -> float:
    """Return the level from which on (level, shutter time) are flats: above the widest gap if it is clear, else
    infinity."""
    ordered = sorted(frames)
    gaps = [above[0] - below[0] for below, above in pairwise(ordered)]
    if not gaps:
        return math.inf
    split = gaps.index(max(gaps)) + 1
    slowest_dark, fastest_flat = (max(t for _, t in ordered[:split]), min(t for _, t in ordered[split:]))
    fast = slowest_dark > 0 and slowest_dark * 2.0**FAST_STOPS <= fastest_flat
    return ordered[split][0] if max(gaps) > (CLEAR_GAP_IF_FAST if fast else CLEAR_GAP) else math.inf
