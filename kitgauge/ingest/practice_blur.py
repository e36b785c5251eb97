"""The blur of the still parts of a practice frame: against one frame of its series, what moves left out."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache, partial

from kitgauge.errors import FrameError
from kitgauge.frames.opening import open_frame
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.opened import refusal
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.scene_blur_frames import scene_frame
from kitgauge.ingest.tasks import Measurement, Task
from kitgauge.measure.blur.scene_blur import measure_scene_streak
from kitgauge.measure.blur.scene_matching import REDUCED
from kitgauge.measure.blur.scene_reference import SceneReference, scene_reference
from kitgauge.measure.blur.scene_tiles import SceneFrame
from kitgauge.measure.practice.moving_blur import thing_spectrum

Boxes = tuple[tuple[int, int, int, int], ...]  # left, top, right, bottom [px]


def blur_label(file: str) -> str:
    """Return the label of the task that measures the blur of a frame."""
    return f"blur of {file}"


def practice_blur_task(
    record: FrameRecord,
    against: FrameRecord,
    moving: Boxes,
    thing: tuple[float, float] | None,
    cache: MeasurementCache,
) -> Task:
    """Return the task that measures the streak of a frame's still parts against those of the frame `against`.

    `moving` are the parts of `against` in which something moves, `thing` is where it is in this frame (x, y) [px].
    """
    place = None if thing is None else (round(thing[0]), round(thing[1]))
    given = {"moving": [list(box) for box in moving], "thing": place}
    return Task(
        label=blur_label(record.file),
        key=cache.key("practice blur", [record.sha256, against.sha256], given),
        files=(record.file,),
        work=partial(measure_practice_blur, record, against, moving, place),
    )


def measure_practice_blur(
    record: FrameRecord, against: FrameRecord, moving: Boxes, thing: tuple[int, int] | None = None
) -> Measurement:
    """Return `scene_streak`, the fields of a Streak, and `thing`, the spectrum of the moving thing; without the former
    where `against` cannot be opened."""
    try:
        frame = _opened(record)
    except FrameError as error:
        return refusal(record, error)
    seen = None if thing is None else thing_spectrum(frame, *thing)
    found: Measurement = {"thing": None if seen is None else seen.as_dict()}
    reference = _still_parts(against, moving)
    if isinstance(reference, FrameError):
        return found
    if record.file == against.file:
        reference = reference.without(0)
    return {**found, "scene_streak": measure_scene_streak(frame, reference).as_dict()}


def _opened(record: FrameRecord) -> SceneFrame:
    return scene_frame(open_frame(record.path))


@lru_cache(maxsize=1)
def _still_parts(record: FrameRecord, moving: Boxes) -> SceneReference | FrameError:
    """Return the reference without the parts that move: where samples count as clipped, no tile is taken."""
    try:
        frame = _opened(record)
    except FrameError as error:
        return error
    samples = frame.samples.copy()
    for left, top, right, bottom in moving:
        samples[max(0, top) : max(0, bottom), max(0, left) : max(0, right)] = 65535
    reference = scene_reference([replace(frame, samples=samples)])
    return replace(reference, reduced=frame.reduced(REDUCED))
