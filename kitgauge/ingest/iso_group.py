"""Open the flats and darks of one ISO, tell them apart, and measure each against those before it.

Frames are opened once, setting by setting, the fastest shutter times first (darks, as a rule). Of the frames of a
setting only their sum is kept, until its last one is measured: a group of any size holds about three frames in memory,
in whatever order it was shot. A frame that is neither black nor bright waits for the rest of its group: beside
brighter ones it is a dark frame, beside black ones an underexposed flat.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.errors import FrameError
from kitgauge.frames.mosaic import Mosaic, Plane
from kitgauge.frames.opening import open_frame
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.frame_sets import FrameSets
from kitgauge.ingest.frame_stack import Contrast, FrameStack
from kitgauge.ingest.opened import refusal
from kitgauge.ingest.record import FrameRecord, capture_order, same_setting_key
from kitgauge.ingest.spare_workers import spread
from kitgauge.ingest.tasks import Measurement, Task
from kitgauge.measure.noise.dark_pair import DarkPair, measure_dark_pair
from kitgauge.measure.noise.difference_picture import explained_by, explaining_pictures, has_picture
from kitgauge.measure.noise.pair_columns import PairColumns
from kitgauge.measure.noise.photon_transfer import FlatPair, measure_flat_pair

_Samples = tuple[Plane, NDArray[np.uint16] | NDArray[np.float32]]  # of the frame, and of the mean beside it

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
# Flats of one setting that differ by more were lit differently on purpose: several levels by light, not by shutter.
SAME_LEVEL = 0.1
SAME_LIGHT = 1.3  # factor between levels per exposure of frames of the same light
SAME_COLOUR_STOPS = 0.5  # of blue over red: daylight and lamp are 1.7 apart, the light of one pair is the same
MOST_PICTURES = 4  # of one flag and role: more are alike, and those of thousands of pairs would take gigabytes
MANY = 4  # frames of one setting and role
MOST_STACKS = 2  # of one setting kept at a time, besides frames without a partner


def by_iso(records: Sequence[FrameRecord]) -> dict[float, list[FrameRecord]]:
    """Return the records that are neither rejected nor left out, grouped by ISO (rising; as recorded)."""
    groups: dict[float, list[FrameRecord]] = defaultdict(list)
    for record in records:
        if record.status != "rejected" and not record.reason and record.iso is not None:
            groups[record.iso].append(record)
    return dict(sorted(groups.items()))


def iso_task(iso: float, records: Sequence[FrameRecord], cache: MeasurementCache) -> Task:
    """Return the task that measures the flats and darks of one ISO."""
    ordered = sorted(records, key=lambda record: (*_setting(record), *capture_order(record)))
    known = [[record.file, record.role, record.step, record.shutter_s, record.f_number] for record in ordered]
    return Task(
        label=f"ISO {iso:g}",
        key=cache.key("iso group", [record.sha256 for record in ordered], {"frames": known}),
        files=tuple(record.file for record in ordered),
        work=partial(measure_iso_group, ordered),
        without=lambda file: iso_task(iso, [record for record in records if record.file != file], cache),
    )


@dataclass
class _Plane:
    colour: str
    black_dn: float  # as the file states it
    white_dn: float
    black_source: str
    flat_pairs: PairColumns[FlatPair] = field(default_factory=lambda: PairColumns(FlatPair))
    dark_pairs: PairColumns[DarkPair] = field(default_factory=lambda: PairColumns(DarkPair))
    dark_level_dn: list[float] = field(default_factory=list)


@dataclass(frozen=True)
class _Flagged:
    """What the pictures that explain the flags of one plane's pair need."""

    black_dn: float
    flags: tuple[str, ...]


class _Group:
    """The frames of one ISO as they come in."""

    def __init__(self, records: Sequence[FrameRecord]) -> None:
        self.shape: tuple[int, int] | None = None
        self.planes: list[_Plane] = []
        self.roles: dict[str, str] = {}
        self.paired: set[str] = set()
        self.refused: dict[str, list[str]] = {}
        self.flat_sets, self.dark_sets = FrameSets(), FrameSets()
        self.pictures: list[dict[str, Any]] = []
        self.pictured: Counter[tuple[str, str]] = Counter()  # pictures by role and flag
        self.not_pictured: Counter[str] = Counter()  # pairs that raised a flag of which there were pictures enough
        self.to_come = Counter(_setting(record) for record in records)  # neither measured nor refused
        self.slowest_s = max((record.shutter_s or 0.0 for record in records), default=0.0)
        self.stacks: dict[tuple[str, str, float, float], list[FrameStack]] = {}
        self.waiting_flats: Contrast | None = None
        self.undecided: list[tuple[FrameRecord, Mosaic, float]] = []
        self.dark_levels: list[tuple[float, float]] = []  # (level, shutter time) of frames that are surely dark
        self.flat_seen = False
        self.brightness = math.nan  # level per exposure of the newest flat

    def refuse(self, record: FrameRecord, reason: list[str]) -> None:
        self.refused[record.file] = reason
        self._done_with(record)

    def add(self, record: FrameRecord, mosaic: Mosaic) -> None:
        if self.shape is None:
            self.shape = mosaic.shape
            self.planes = [
                _Plane(plane.colour, plane.black_dn, plane.white_dn, mosaic.black_source) for plane in mosaic.planes()
            ]
        elif mosaic.shape != self.shape:
            size, needed = (f"{shape[1]} x {shape[0]}" for shape in (mosaic.shape, self.shape))
            self.refuse(record, ["different-size", f"{size} pixels instead of {needed}"])
            return
        level = level_fraction(mosaic)
        if record.role is not None:
            self._take(record, mosaic, level, record.role)
        elif _by_level(level, record, self.slowest_s) == "flat":
            self.flat_seen = True
            self.brightness = level / exposure if (exposure := _exposure(record)) > 0 else math.nan
            self._decide()
            self._take(record, mosaic, level, "flat")
        elif self._as_lit_as_flats(record, level):
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
            lit = level >= flat_from or self._as_lit_as_flats(record, level)
            self._take(record, mosaic, level, "flat" if lit else "dark")

    def _as_lit_as_flats(self, record: FrameRecord, level: float) -> bool:
        """Tell whether a dim frame has the level that the flats' light makes in its exposure, beside frames that are
        clearly darker: the lowest of several levels of flats."""
        darkest = min((dark for dark, _ in self.dark_levels), default=math.inf)
        seen, expected = level - darkest, self.brightness * _exposure(record)
        return seen > CLEAR_GAP and expected / SAME_LIGHT < seen < expected * SAME_LIGHT

    def _take(self, record: FrameRecord, mosaic: Mosaic, level: float, role: str) -> None:
        self.roles[record.file] = role
        other = "flat" if role == "dark" else "dark"
        if (others := self.stacks.get((other, *_setting(record)))) is not None:
            # darks that follow many flats of the same setting, or the other way round: those are complete, as a rule
            others[:] = [one for one in others if len(one.files) < MANY]
        stacks = self.stacks.setdefault((role, *_setting(record)), [])
        colour = 0.0 if role == "dark" else colour_stops(mosaic)
        open_ones = (one for one in stacks if not one.full)
        stack = next((one for one in open_ones if role == "dark" or _same_light(one, level, colour)), None)
        if stack is None:
            paired = [one for one in stacks if one.single() is None]
            if len(paired) >= MOST_STACKS:
                stacks.remove(paired[0])
            stack = FrameStack(level, colour)
            stacks.append(stack)
        self._measure(role, stack.add(record, mosaic))
        if self.to_come[_setting(record)] > 1:
            stack.keep(mosaic)
        self._done_with(record)

    def _done_with(self, record: FrameRecord) -> None:
        """Let the frames of a setting go when its last one has been seen; two that found no partner make a pair."""
        setting = _setting(record)
        self.to_come[setting] -= 1
        if self.to_come[setting] > 0:
            return
        for role in ("dark", "flat"):
            single = [found for one in self.stacks.pop((role, *setting), []) if (found := one.single())]
            for (first_file, first), (file, mosaic) in zip(single[::2], single[1::2], strict=False):
                files = (first_file, file)
                self._measure(role, Contrast(files, record.shutter_s, record.f_number, mosaic, first, 1))

    def _measure(self, role: str, contrast: Contrast | None) -> None:
        if contrast is None:
            return
        self.paired.update(contrast.files)
        if role == "dark":
            self._measure_darks(contrast)
            return
        self._measure_waiting()
        # a stated black of 0 may be one that nobody filled in
        stated = contrast.newest.black_source != "unknown" and all(plane.black_dn > 0 for plane in self.planes)
        known = stated or contrast.newest.black_source == "masked" or len(self.planes[0].dark_pairs) > 0
        if known or contrast.reference_frames > 1:
            self._measure_flats(contrast)
        else:
            self.waiting_flats = contrast  # darks that come next tell the black level

    def _measure_waiting(self) -> None:
        if self.waiting_flats is not None:
            self._measure_flats(self.waiting_flats)
        self.waiting_flats = None

    def finish(self) -> None:
        self._decide()
        self._measure_waiting()

    def _measure_darks(self, contrast: Contrast) -> None:
        self.dark_sets.append(contrast.files, contrast.shutter_s, contrast.f_number)

        def measured(planes: tuple[_Plane, _Samples]) -> _Flagged:
            plane, (a, b) = planes
            pair = measure_dark_pair(a.samples, b, reference_frames=contrast.reference_frames)
            plane.dark_pairs.append(pair)
            if not {"light-leak", "clipped-black"} & set(pair.flags):
                plane.dark_level_dn.append(pair.mean_dn)
            return _Flagged(plane.black_dn, pair.flags)

        self._explain(contrast, spread(measured, zip(self.planes, contrast.planes(), strict=True)), "dark")

    def _measure_flats(self, contrast: Contrast) -> None:
        self.flat_sets.append(contrast.files, contrast.shutter_s, contrast.f_number)

        def measured(planes: tuple[_Plane, _Samples]) -> _Flagged:
            plane, (a, b) = planes
            # near enough for the ratio of two flats; the run's black is settled when all ISO values are known
            black_dn = plane.black_dn
            if plane.dark_level_dn and plane.black_source != "masked":
                black_dn = float(np.mean(plane.dark_level_dn))
            frames = contrast.reference_frames
            pair = measure_flat_pair(a.samples, b, black_dn, plane.white_dn, reference_frames=frames)
            plane.flat_pairs.append(pair)
            return _Flagged(black_dn, pair.flags)

        self._explain(contrast, spread(measured, zip(self.planes, contrast.planes(), strict=True)), "flat")

    def _explain(self, contrast: Contrast, found: Sequence[_Flagged], role: str) -> None:
        """Keep pictures of what the flags of the newest pairs are about: of the first plane that raised each, green
        before others."""
        told: set[str] = set()
        wanted: dict[int, list[str]] = {}
        for index in sorted(range(len(found)), key=lambda index: self.planes[index].colour[0] != "G"):
            flags = [flag for flag in found[index].flags if flag not in told]
            if has_picture((flag for flag in flags if self.pictured[role, flag] < MOST_PICTURES), role):
                wanted[index] = flags
            else:
                self.not_pictured.update(flag for flag in flags if has_picture([flag], role))
            told |= set(flags)
        for index, (a, b) in enumerate(contrast.planes() if wanted else ()):
            for picture in explaining_pictures(a.samples, b, found[index].black_dn, wanted.get(index, ()), role):
                flags = [flag for flag in wanted[index] if flag in explained_by(picture.kind, role)]
                about = {"files": list(contrast.files), "role": role, "colour": self.planes[index].colour}
                self.pictures.append({**about, "flags": flags, **picture.as_dict()})
                self.pictured.update((role, flag) for flag in flags)


def _setting(record: FrameRecord) -> tuple[str, float, float]:
    """Return what is the same for frames of one setting: the step that the user named where it is not simply the role
    ("lamp flat": another light), shutter time and f-number, 0 where unknown."""
    named = record.step if record.step and record.role and not record.step.startswith(record.role) else ""
    return (
        named,
        0.0 if record.shutter_s is None else same_setting_key("shutter_s", record.shutter_s),
        0.0 if record.f_number is None else same_setting_key("f_number", record.f_number),
    )


def _same_light(stack: FrameStack, level: float, colour: float) -> bool:
    same_level = abs(stack.level - level) <= SAME_LEVEL * max(abs(stack.level), abs(level))
    return same_level and not abs(stack.colour - colour) > SAME_COLOUR_STOPS


def measure_iso_group(records: Sequence[FrameRecord]) -> Measurement:
    """Return the pairs of each pattern position, the role of each frame, and which ones found no partner, of one ISO.

    `flat_sets` and `dark_sets` (`FrameSets`) tell files and setting of each of a plane's `flat_pairs` and `dark_pairs`
    (`PairColumns`), in the same order. `black_dn` and `black_source` of a plane are what the files state:
    `measure.black_level` settles black.
    """
    group = _Group(records)
    for record in records:
        try:
            mosaic = open_frame(record.path, together=True)
        except FrameError as error:
            group.refuse(record, refusal(record, error)["refused"][record.file])
            continue
        group.add(record, mosaic)
        del mosaic  # or it would stay while the next frame is read
    group.finish()
    return {
        "shape": None if group.shape is None else list(group.shape),
        "roles": group.roles,
        "unpaired": [file for file in group.roles if file not in group.paired],
        "planes": [
            {
                "colour": plane.colour,
                "black_dn": plane.black_dn,
                "white_dn": plane.white_dn,
                "black_source": plane.black_source,
                "flat_pairs": plane.flat_pairs.as_dict(),
                "dark_pairs": plane.dark_pairs.as_dict(),
            }
            for plane in group.planes
        ],
        "flat_sets": group.flat_sets.as_dict(),
        "dark_sets": group.dark_sets.as_dict(),
        "pictures": group.pictures,
        "not_pictured": dict(group.not_pictured),
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


def colour_stops(mosaic: Mosaic) -> float:
    """Return blue over red above black [stops], 0 for a sensor without colours or where one is not above black."""
    sums = {"R": 0.0, "B": 0.0}
    for plane in mosaic.planes():
        if plane.colour in sums:
            sums[plane.colour] += float(np.mean(_some_rows(plane.samples))) - plane.black_dn
    return math.log2(sums["B"] / sums["R"]) if min(sums.values()) > 0 else 0.0


def _some_rows(samples: NDArray[np.uint16]) -> NDArray[np.uint16]:
    return samples[:: max(1, min(LEVEL_ROW_STEP, samples.shape[0] // 8))]


def _exposure(record: FrameRecord) -> float:
    """Return shutter time over the square of the f-number (1 where that is unknown) [s], NaN without a time."""
    return math.nan if record.shutter_s is None else record.shutter_s / (record.f_number or 1.0) ** 2


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
