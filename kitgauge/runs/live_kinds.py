"""What can be measured and said of a run's frames before all of them are there, for each kind of run.

Most frames are measured on arrival just as the run measures them, so that the cache has it when the run is concluded.
Two things are not done before their time: a frame that is measured against a partner only gets a look until the
partner is there, and tripod frames are judged by themselves until the first handheld one comes, because each slower
speed makes another one the reference of all. So some frames are measured more than once; none is decoded more than
once, as long as their samples find room on the disk in between (`needed_again`).
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kitgauge.ingest.record import FrameRecord, capture_order, same_setting_key
from kitgauge.ingest.tasks import Measurement
from kitgauge.protocol.shot_list import Shot
from kitgauge.runs.context import Results, RunContext, Section, common_shape, with_refusals

if TYPE_CHECKING:
    from kitgauge.measure.blur.shutter_shock import StillSeries
    from kitgauge.measure.blur.streak import Streak

_DARK_BELOW = 0.05  # of the range from black to white; a flat is asked for at 15 % or above
_IN_PAIRS = ("noise", "dark-current")


@dataclass
class Judged:
    """The frames as far as they can be judged: records with flags, remarks in words, and those that wait for what."""

    records: tuple[FrameRecord, ...]
    remarks: dict[str, str] = field(default_factory=dict)
    waiting: dict[str, str] = field(default_factory=dict)
    results: Results = field(default_factory=dict)
    concludes: bool = True  # there is enough for a conclusion


@dataclass
class Handheld:
    """Handheld frames judged before, by content, the tripod frames that they were judged against, and the reference
    that these make."""

    tripod: tuple[str | None, ...] = ()
    reference: StillSeries | None = None
    known: dict[str, tuple[FrameRecord, str, Measurement]] = field(default_factory=dict)


def judge(module: str, context: RunContext, before: Handheld) -> Judged:
    """Measure what has not been measured, and return what is to be said of each frame; `before` is kept from call to
    call. Raises KitgaugeError."""
    measures = context.protocol.measures
    if measures in _IN_PAIRS:
        return _in_pairs(module, context)
    if measures == "blur":
        return _blur(module, context, before)
    if measures == "practice":
        return _looked_at(context)
    return _sharpness(module, context)


def needed_again(context: RunContext, shots: Sequence[Shot]) -> frozenset[Path]:
    """Return the files whose decoded frames will be asked for once more.

    A pair needs the samples of both of its frames, and darks that come after their flats tell these the black level: of
    noise and dark current, that is all frames of an ISO or exposure time until it has what the list asks for. Tripod
    frames are looked at one by one, then measured against each other. A practice series is measured when it is
    complete.
    """
    measures, used = context.protocol.measures, context.used()
    if measures == "practice":
        return frozenset(record.path for record in used)
    if measures == "blur":
        moving = context.used("handheld", "subject")
        return frozenset() if moving else frozenset(record.path for record in context.used("tripod"))
    if measures not in _IN_PAIRS or context.protocol.setting is None:
        return frozenset()
    setting = context.protocol.setting

    def value_of(of: Shot | FrameRecord) -> float | None:
        value = getattr(of, setting)
        return None if value is None else same_setting_key(setting, value)

    there: dict[float | None, list[Path]] = defaultdict(list)
    for record in context.records:
        if record.status != "rejected" and not record.reason:
            there[value_of(record)].append(record.path)
    asked = Counter(value for shot in shots if (value := value_of(shot)) for _ in range(shot.frames))
    # frames of a setting that is left to the photographer may join any
    free = sum(shot.frames for shot in shots if value_of(shot) is None)
    to_come = free and sum(map(len, there.values())) < asked.total() + free
    unfinished = [
        paths
        for value, paths in there.items()
        if to_come or len(paths) < (asked[value] if value else 0) or len(paths) % 2
    ]
    return frozenset(path for paths in unfinished for path in paths)


def prepare(module: str, context: RunContext) -> None:
    """Measure tripod frames against their reference, before the first handheld frame has to wait for that."""
    if context.protocol.measures == "blur" and context.used("tripod") and not context.used("handheld", "subject"):
        import_module(module).measure(context, {})


def conclude(module: str, context: RunContext, results: Results) -> Section:
    """Return what the run makes of the results; a function of plain values, for a worker to do."""
    section: Section = import_module(module).conclude(context, results)
    return section


def _in_pairs(module: str, context: RunContext) -> Judged:
    """Measure the frames that have a partner of the same settings; look at the others."""
    lone = _without_partner(context.records)
    paired = replace(context, records=tuple(record for record in context.records if record.file not in lone))
    results: Results = {}
    records: Sequence[FrameRecord] = paired.records
    kind = import_module(module)
    if any(record.status != "rejected" and not record.reason for record in paired.records):
        kind.measure(paired, results)
        records = kind.conclude(paired, results).records
    looks: Results = {}
    single = [record for record in context.records if record.file in lone]
    _look_at(context, single, looks)
    found = Judged((*records, *(_seen(record, looks, context) for record in single)), results=results)
    found.concludes = bool(results)
    for group in results.values():
        found.remarks |= {file: f"level {100.0 * level:.0f} % of saturation" for file, level in _levels(group)}
    for record in found.records:
        if record.file in lone and record.status != "rejected":
            found.waiting[record.file] = f"{_brightness(looks[record.file])}; waiting for its partner"
    return replace(found, records=tuple(sorted(found.records, key=capture_order)))


def _levels(group: Measurement) -> Iterator[tuple[str, float]]:
    """Yield the flats of an ISO, raw or developed, with the level of their green [share of saturation]."""
    for file, frame in (group.get("frames") or {}).items():  # of developed pictures
        if frame["role"] == "flat":
            yield file, frame["level"]
    if "flat_sets" not in group:
        return
    from kitgauge.ingest.frame_sets import FrameSets
    from kitgauge.ingest.iso_pairs import plane_pairs

    green = [plane for plane in plane_pairs(group) if plane.colour in ("G", "G1", "G2")]
    for number, one in enumerate(FrameSets.from_dict(group["flat_sets"])):
        flats = [plane.flats[number] for plane in green]
        shares = [flat.signal_dn / (flat.white_dn - flat.black_dn) for flat in flats]
        for file in one.files if shares else ():
            yield file, sum(shares) / len(shares)


def _without_partner(records: Sequence[FrameRecord]) -> set[str]:
    """Return the last frame of each setting that an odd number of frames has."""
    groups: dict[tuple[Any, ...], list[FrameRecord]] = defaultdict(list)
    for record in sorted(records, key=capture_order):
        if record.status != "rejected" and not record.reason:
            settings = [
                same_setting_key(name, value) if (value := getattr(record, name)) else 0.0
                for name in ("iso", "shutter_s", "f_number")
            ]
            groups[(record.role, record.step, *settings)].append(record)
    return {group[-1].file for group in groups.values() if len(group) % 2}


def _seen(record: FrameRecord, looks: Results, context: RunContext) -> FrameRecord:
    """Return a frame that was looked at, with the role that its level tells where nobody said."""
    from kitgauge.ingest.developed_group import is_scene
    from kitgauge.ingest.match import step_label

    (record,) = with_refusals([record], {record.file: looks[record.file]})
    level = looks[record.file].get("level")
    if record.status == "rejected" or record.role is not None or level is None:
        return record
    if context.kit.developed and is_scene(record):
        return replace(record, role="scene", step=f"scene ISO {record.iso:g}")
    role = "dark" if level < _DARK_BELOW else "flat"
    step = next((step for step in context.protocol.step if step.role == role), None)
    if step is None or context.protocol.setting is None:
        return record
    value = None if step.at == "once" else getattr(record, context.protocol.setting)
    return replace(record, role=role, step=step_label(context.protocol, step, value))


def _brightness(look: Mapping[str, Any]) -> str:
    level = look.get("level")
    if level is None:
        return "not opened"
    if level < _DARK_BELOW:
        return "dark"
    clipped = f", {100.0 * look['clipped']:.0f} % of it clipped" if look["clipped"] >= 0.005 else ""
    return f"level {100.0 * level:.0f} % of saturation{clipped}"


def _look_at(context: RunContext, records: Sequence[FrameRecord], looks: Results) -> None:
    from kitgauge.ingest.frame_look import look_task

    if records:
        together = context.protocol.measures in _IN_PAIRS  # as pairs are measured
        tasks = [look_task(record, context.cache, together=together) for record in records]
        context.run("looking at frames", tasks, looks)


def _looked_at(context: RunContext) -> Judged:
    """Look at each frame; what a series shows is measured when it is complete, on all of its frames together."""
    looks: Results = {}
    used = context.used()
    _look_at(context, used, looks)
    remarks = {record.file: _brightness(looks[record.file]) for record in used if looks[record.file].get("shape")}
    return Judged(with_refusals(context.records, looks), remarks, concludes=False)


def _sharpness(module: str, context: RunContext) -> Judged:
    from kitgauge.runs.sharpness import edges_of, judged

    results: Results = {}
    import_module(module).measure(context, results)
    shape = common_shape(results)
    remarks: dict[str, str] = {}
    records = []
    for record in with_refusals(context.records, results):
        measured = results.get(record.file)
        if measured is not None:
            edges = edges_of(measured)
            record = judged(record, measured, edges, shape)
            usable = sum(edge.usable for edge in edges)
            remarks[record.file] = f"{usable} edge{'' if usable == 1 else 's'} measured"
        records.append(record)
    return Judged(tuple(records), remarks, results=results)


def _blur(module: str, context: RunContext, before: Handheld) -> Judged:
    """Judge handheld frames against the tripod frames: the new ones, as long as the tripod frames are the same."""
    from kitgauge.runs.blur import frames_seen

    if not context.used("handheld", "subject") or not context.used("tripod"):
        return _still_only(context)
    tripod = tuple(record.sha256 for record in context.used("tripod"))
    if tripod != before.tripod or context.used("subject"):  # a subject's scale comes from all of its frames
        before.tripod, before.reference, before.known = tripod, None, {}
    old = {
        record.file: before.known[record.sha256]
        for record in context.used("handheld")
        if record.sha256 in before.known and before.known[record.sha256][0].file == record.file
    }
    new = replace(context, records=tuple(record for record in context.records if record.file not in old))
    results: Results = {}
    import_module(module).measure(new, results)
    seen = frames_seen(new, results, before.reference)
    if seen.scene is None:
        before.reference = seen.reference
    remarks: dict[str, str] = {}
    limit_px = context.criteria.streak_limit_px(seen.shape) if seen.shape is not None else math.nan
    for record in seen.records:
        streak = seen.streaks.get(record.file)
        if record.role == "tripod" or streak is None:
            continue
        remarks[record.file] = _streak_words(streak, limit_px)
        if record.sha256 is not None and record.role == "handheld":
            before.known[record.sha256] = (record, remarks[record.file], results[record.file])
    records = (*seen.records, *(record for record, _, _ in old.values()))
    remarks |= {file: words for file, (_, words, _) in old.items()}
    results |= {file: measured for file, (_, _, measured) in old.items()}
    return Judged(tuple(sorted(records, key=capture_order)), remarks, results=results)


def _streak_words(streak: Streak, limit_px: float) -> str:
    if streak.censored == "below":
        return "as sharp as the tripod frames"
    if streak.censored == "above":
        return f"streak over {streak.bound_px:.1f} px: not sharp"
    if not math.isfinite(streak.streak_px):
        return ""
    sharp = "sharp" if streak.streak_px <= limit_px else "not sharp"
    return f"streak {streak.streak_px:.1f} px: {sharp} (up to {limit_px:.1f} px)"


def _still_only(context: RunContext) -> Judged:
    """Judge tripod frames each by itself; handheld ones wait for them."""
    from kitgauge.ingest.blur_frames import in_two_directions, tripod_task, usable_edges

    results: Results = {}
    tripod = context.used("tripod")
    if tripod:
        tasks = [tripod_task(record, context.cache, still=()) for record in tripod]
        context.run("measuring frames", tasks, results)
    remarks: dict[str, str] = {}
    for file, measured in results.items():
        if measured.get("refused"):
            continue
        edges = usable_edges(measured)
        if in_two_directions(edges):
            remarks[file] = f"{len(edges)} edges of the target found"
        elif edges:
            remarks[file] = "edges in one direction only: blur along them is not seen"
        else:
            remarks[file] = "no edges of a target found: the scene itself is compared, with a larger error"
    waiting = {record.file: "waiting for tripod frames to compare with" for record in context.records
               if record.status == "used" and record.role != "tripod"}  # fmt: skip
    return Judged(with_refusals(context.records, results), remarks, waiting, results, concludes=False)
