"""A first look at a frame that has no partner yet: whether it opens, and how bright it is."""

from __future__ import annotations

from functools import partial

import numpy as np

from kitgauge.errors import FrameError
from kitgauge.frames.opening import open_frame
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.opened import describe, refusal
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.tasks import Measurement, Task


def look_task(record: FrameRecord, cache: MeasurementCache, *, together: bool = False) -> Task:
    """Return the task that opens a frame and takes its level.

    `together` opens it as `open_frame` does: the form in which it will be measured, where it is kept for that.
    """
    return Task(
        label=record.file,
        key=cache.key("look", [record.sha256], {}),
        files=(record.file,),
        work=partial(_look, record, together),
    )


def _look(record: FrameRecord, together: bool) -> Measurement:
    """Return size and flags, `level`, the mean of the brightest colour as a share of the range from black to white, and
    `clipped`, the share of samples at white."""
    try:
        mosaic = open_frame(record.path, together=together)
    except FrameError as error:
        return refusal(record, error)
    levels = [
        (float(np.mean(plane.samples)) - plane.black_dn) / (plane.white_dn - plane.black_dn)
        for plane in mosaic.planes()
    ]
    return {**describe(mosaic), "level": max(levels), "clipped": float(np.mean(mosaic.saturated()))}
