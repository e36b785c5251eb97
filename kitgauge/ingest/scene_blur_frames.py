"""Open the frames of a series of any scene: the blur of each frame against still frames, the reference.

The reference comes with the tripod frames (`blur_frames.tripod_task`) and is handed to every task.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np

from kitgauge.errors import FrameError
from kitgauge.frames.mosaic import Mosaic
from kitgauge.frames.opening import open_frame
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.opened import describe, refusal
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.tasks import Measurement, Task
from kitgauge.measure.blur.scene_blur import measure_scene_streak, measure_still_streak
from kitgauge.measure.blur.scene_reference import SceneReference
from kitgauge.measure.blur.scene_tiles import SceneFrame


def scene_frame(mosaic: Mosaic) -> SceneFrame:
    """Return the green samples of a frame for the measurement of a scene."""
    wanted = np.array([[name in ("G", "G1", "G2") for name in names] for names in mosaic.pattern], dtype=bool)
    return SceneFrame(mosaic.samples, wanted, mosaic.black_dn, mosaic.white_dn)


def scene_blur_task(
    record: FrameRecord, reference: Measurement, still: Sequence[FrameRecord], cache: MeasurementCache
) -> Task:
    """Return the task that measures the blur of one frame against the frames `still` of its scene, whose `reference`
    is given as plain values."""
    return Task(
        label=record.file,
        key=cache.key("blur of a scene", [record.sha256, *(one.sha256 for one in still)], {}),
        files=(record.file,),
        work=partial(measure_scene_frame, record, reference),
    )


def measure_scene_frame(record: FrameRecord, reference: Measurement) -> Measurement:
    """Return shape, flags, and `scene_streak`, the fields of a Streak."""
    try:
        mosaic = open_frame(record.path)
    except FrameError as error:
        return refusal(record, error)
    streak = measure_scene_streak(scene_frame(mosaic), SceneReference.from_dict(reference))
    return {**describe(mosaic), "scene_streak": streak.as_dict()}


def still_blur_task(
    number: int, seen: Measurement, reference: Measurement, still: Sequence[FrameRecord], cache: MeasurementCache
) -> Task:
    """Return the task that measures one of the frames `still` against the others; nothing is opened for it.

    `seen` is what its frame has told already.
    """
    record = still[number]
    return Task(
        label=record.file,
        key=cache.key("blur of a still scene", [record.sha256, *(one.sha256 for one in still)], {}),
        files=(record.file,),
        work=partial(_measure_still, number, {name: seen[name] for name in ("shape", "flags")}, reference),
    )


def _measure_still(number: int, seen: Measurement, reference: Measurement) -> Measurement:
    return {**seen, "scene_streak": measure_still_streak(SceneReference.from_dict(reference), number).as_dict()}
