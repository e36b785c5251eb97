"""What the parts of a run share: the kit, the inputs, and what a part gives back."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from kitgauge.frames.kept_frames import KeptFrames
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.frame_region import FrameRegion
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.tasks import Measurement, Task, run_tasks
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.model import Limit
from kitgauge.protocol.model import Protocol

_T = TypeVar("_T")
Results = dict[str, Measurement]


@dataclass(frozen=True)
class Kit:
    """The body and lens of a run, as far as the frames and the user tell."""

    name: str
    body: str | None
    body_serial: str | None
    lens: str | None
    focal_mm: float | None
    focal_35mm: float | None
    pixel_pitch_um: float | None
    pixel_pitch_source: str
    developed: bool  # JPEG, TIFF or PNG instead of raw samples

    def as_dict(self, shape: tuple[int, int] | None) -> dict[str, Any]:
        """Return plain values, with the frame size if it is known by now."""
        height_px, width_px = shape or (None, None)
        return {
            "name": self.name,
            "body": self.body,
            "body_serial": self.body_serial,
            "lens": self.lens,
            "focal_mm": self.focal_mm,
            "focal_35mm": self.focal_35mm,
            "pixel_pitch_um": self.pixel_pitch_um,
            "pixel_pitch_source": self.pixel_pitch_source,
            "width_px": width_px,
            "height_px": height_px,
            "sensor_pixels": None if shape is None else shape[0] * shape[1],
            "developed": self.developed,
        }


@dataclass(frozen=True)
class RunContext:
    """The inputs of one run, and where to tell what is happening."""

    protocol: Protocol
    records: tuple[FrameRecord, ...]
    kit: Kit
    criteria: Criteria
    technique: str | None
    cache: MeasurementCache
    executor: Executor  # does the work on frames
    workers: int  # how many pieces of it at a time
    tell: Callable[[Task, Measurement, bool], None]  # a measurement has ended (task, result, from the cache)
    expect: Callable[[str, int], None]  # a stage begins (its name, number of measurements)
    regions: tuple[FrameRegion, ...] = ()  # where to look for edges; empty: everywhere
    subject_name: str | None = None  # what a plan calls the moving subject
    distance_m: float | None = None  # from the lens to the subject, as given
    results: Path = Path("results")  # where the accepted limits of kits are
    kept: KeptFrames | None = None  # decoded frames that wait to be needed again

    def used(self, *roles: str) -> list[FrameRecord]:
        """Return the frames in use that have one of `roles` (any role if none is named)."""
        return [record for record in self.records if record.status == "used" and (not roles or record.role in roles)]

    def run(self, stage: str, tasks: Sequence[Task], results: Results) -> None:
        """Run the tasks of a stage into `results`."""
        self.expect(stage, len(tasks))
        if self.kept is not None:
            tasks = [replace(task, work=partial(self.kept.doing, task.work)) for task in tasks]
        run_tasks(tasks, results, self.cache, executor=self.executor, at_once=self.workers, done=self.tell)


@dataclass(frozen=True)
class Section:
    """What one kind of run gives: its part of curves.json, the limits, the frames, and what is missing."""

    curves: dict[str, Any] | None
    records: tuple[FrameRecord, ...]
    limits: tuple[Limit, ...] = ()
    missing: tuple[str, ...] = ()  # why the run is only partial
    notes: tuple[str, ...] = ()  # worth telling, nothing missing
    no_limit: tuple[str, ...] = ()  # those of the notes that say why there is no limit
    shape: tuple[int, int] | None = None
    arrays: dict[str, dict[str, Any]] = field(default_factory=dict)  # file name (.npz) -> name -> array
    files: dict[str, bytes] = field(default_factory=dict)  # name below the run's folder -> content


def common_shape(results: Results) -> tuple[int, int] | None:
    """Return the frame size (rows, columns) that most measurements have, None if there are none."""
    shapes = Counter(tuple(result["shape"]) for result in results.values() if result.get("shape"))
    if not shapes:
        return None
    (rows, columns), _ = shapes.most_common(1)[0]
    return int(rows), int(columns)


def with_refusals(records: Sequence[FrameRecord], results: Results) -> tuple[FrameRecord, ...]:
    """Return the records, those that could not be opened or had another size rejected with the reason."""
    refused: dict[str, list[str]] = {}
    for result in results.values():
        refused |= result.get("refused") or {}
    return tuple(record.rejected(*refused[record.file]) if record.file in refused else record for record in records)


def most_common(values: Sequence[_T | None]) -> _T | None:
    """Return the value that occurs most (the first of equals), None if there is none."""
    counts = Counter(value for value in values if value is not None)
    return counts.most_common(1)[0][0] if counts else None
