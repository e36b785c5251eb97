"""Open the frames of a blur series of any scene: still frames as the reference, and the blur of each frame against it.

The reference is made once, when the first frame needs it, and shared by all workers; where every measurement comes from
the cache nothing is opened at all.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence

import numpy as np

from kitgauge.errors import FrameError
from kitgauge.frames.mosaic import Mosaic
from kitgauge.frames.opening import open_frame
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.opened import describe, refusal
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.tasks import Measurement, Task
from kitgauge.measure.blur.scene_blur import SceneReference, measure_scene_streak, scene_reference
from kitgauge.measure.blur.scene_tiles import SceneFrame


class StillFrames:
    """The frames that others are compared with, opened when first asked for; safe to share between threads."""

    def __init__(self, records: Sequence[FrameRecord]) -> None:
        """Take the still frames, the best first."""
        self.records = tuple(records)
        self._lock = threading.Lock()
        self._reference: SceneReference | None = None
        self._error: FrameError | None = None

    def reference_for(self, record: FrameRecord) -> SceneReference:
        """Return the reference for one frame: the frame itself is not in it. Raises FrameError."""
        with self._lock:
            if self._error is not None:
                raise self._error
            if self._reference is None:
                try:
                    self._reference = scene_reference(self._opened())
                except FrameError as error:
                    self._error = error
                    raise
        files = [still.file for still in self.records]
        return self._reference.without(files.index(record.file)) if record.file in files else self._reference

    def _opened(self) -> Iterator[SceneFrame]:
        for record in self.records:
            yield scene_frame(open_frame(record.path))


def scene_frame(mosaic: Mosaic) -> SceneFrame:
    """Return the green samples of a frame for the measurement of a scene."""
    wanted = np.array([[name in ("G", "G1", "G2") for name in names] for names in mosaic.pattern], dtype=bool)
    return SceneFrame(mosaic.samples, wanted, mosaic.black_dn, mosaic.white_dn)


def scene_blur_task(record: FrameRecord, still: StillFrames, cache: MeasurementCache) -> Task:
    """Return the task that measures the blur of one frame against the still frames of its scene."""
    return Task(
        label=record.file,
        key=cache.key("blur of a scene", [record.sha256, *(one.sha256 for one in still.records)], {}),
        files=(record.file,),
        work=lambda: measure_scene_frame(record, still),
    )


def measure_scene_frame(record: FrameRecord, still: StillFrames) -> Measurement:
    """Return shape, flags, and `scene_streak`, the fields of a Streak."""
    try:
        mosaic = open_frame(record.path)
    except FrameError as error:
        return refusal(record, error)
    return {**describe(mosaic), **blur_against(record, mosaic, still)}


def blur_against(record: FrameRecord, mosaic: Mosaic, still: StillFrames) -> Measurement:
    """Return `scene_streak` of an opened frame; nothing where the still frames cannot be opened."""
    try:
        reference = still.reference_for(record)
    except FrameError:
        return {}
    return {"scene_streak": measure_scene_streak(scene_frame(mosaic), reference).as_dict()}
