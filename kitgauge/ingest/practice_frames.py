"""Open the frames of a practice series: what each shows place by place, laid on one frame of the series."""

from __future__ import annotations

from array import array
from functools import lru_cache, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.errors import FrameError
from kitgauge.frames.mosaic import Mosaic
from kitgauge.frames.opening import open_frame
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.opened import describe, refusal
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.scene_blur_frames import scene_frame
from kitgauge.ingest.scene_frames import exposure_of, mean_level
from kitgauge.ingest.tasks import Measurement, Task
from kitgauge.measure.blur.scene_registration import register
from kitgauge.measure.practice.changes import laid_on
from kitgauge.measure.practice.tile_table import measure_tiles, tile_grid

_REGISTERED_PX = 750  # long side of the pictures that are laid on each other


def practice_task(record: FrameRecord, against: FrameRecord, cache: MeasurementCache) -> Task:
    """Return the task that measures one frame of a series, laid on the frame `against`."""
    return Task(
        label=record.file,
        key=cache.key("practice", [record.sha256, against.sha256], {}),
        files=(record.file,),
        work=partial(measure_practice_frame, record, against),
    )


def measure_practice_frame(record: FrameRecord, against: FrameRecord) -> Measurement:
    """Return level, clipping, tiles and the map of changes of one frame.

    `matrix` takes places (x, y, 1) of the reference frame into this one, None where they show no common scene; then
    there are no `tiles` and no `map`.
    """
    try:
        mosaic = open_frame(record.path)
    except FrameError as error:
        return refusal(record, error)
    return {
        **describe(mosaic),
        **exposure_of(mosaic),
        "mean_level": mean_level(mosaic),
        **_places(mosaic, record, against),
    }


def _places(mosaic: Mosaic, record: FrameRecord, against: FrameRecord) -> dict[str, Any]:
    nothing: dict[str, Any] = {"matrix": None, "tiles": None, "map": None}
    frame = scene_frame(mosaic)
    reduced = frame.reduced(_REGISTERED_PX)
    matrix = np.eye(2, 3)
    if record.file != against.file:
        other = _reduced(against)
        if isinstance(other, FrameError) or other[1] != frame.shape:
            return nothing
        found = register(other[0], reduced, frame.shape)
        if found is None:
            return nothing
        matrix = found.matrix
    grid = tile_grid(frame.shape)
    laid = laid_on(reduced, matrix, frame.shape) / (frame.white_dn - float(np.mean(frame.black_dn)))
    return {
        "matrix": matrix.tolist(),
        "tiles": measure_tiles(frame, grid, matrix).as_dict(),
        "map": {"rows": len(laid), "values": array("f", [round(float(x), 5) for x in laid.ravel()])},
    }


@lru_cache(maxsize=1)
def _reduced(record: FrameRecord) -> tuple[NDArray[np.float32], tuple[int, int]] | FrameError:
    """Return the reduced picture of a frame and the size of the whole, or why it cannot be opened."""
    try:
        frame = scene_frame(open_frame(record.path))
    except FrameError as error:
        return error
    return frame.reduced(_REGISTERED_PX), frame.shape
