"""Open an everyday frame and say how it is exposed."""

from __future__ import annotations

import math
from functools import partial

import numpy as np

from kitgauge.errors import FrameError
from kitgauge.frames.mosaic import Mosaic
from kitgauge.frames.opening import open_frame
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.opened import describe, refusal
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.scene_blur_frames import StillFrames, blur_against
from kitgauge.ingest.tasks import Measurement, Task

NEAR_BLACK = 2.0**-10  # ten stops below saturation


def scene_task(record: FrameRecord, cache: MeasurementCache, still: StillFrames | None = None) -> Task:
    """Return the task that measures how one frame is exposed and, with `still`, its blur against that frame."""
    others = () if still is None else tuple(one.sha256 for one in still.records)
    return Task(
        label=record.file,
        key=cache.key("scene", [record.sha256, *others], {}),
        files=(record.file,),
        work=partial(measure_scene, record, still),
    )


def measure_scene(record: FrameRecord, still: StillFrames | None = None) -> Measurement:
    """Return level and clipping of one frame, and its streak against a still one (`scene_streak`)."""
    try:
        mosaic = open_frame(record.path)
    except FrameError as error:
        return refusal(record, error)
    return {**describe(mosaic), **exposure_of(mosaic), **({} if still is None else blur_against(record, mosaic, still))}


def exposure_of(mosaic: Mosaic) -> dict[str, float]:
    """Return the median green level [stops below saturation] and the shares clipped and near black (0 to 1).

    A sample is clipped when it reaches the white level, in any colour; near black when it lies ten stops or more below
    saturation, in green.
    """
    green = [plane for plane in mosaic.planes() if plane.colour in ("G", "G1", "G2")]
    spans = [plane.white_dn - plane.black_dn for plane in green]
    medians = [
        (float(np.median(plane.samples[::4, ::4])) - plane.black_dn) / span
        for plane, span in zip(green, spans, strict=True)
    ]
    level = min(float(np.mean(medians)), 1.0)  # what lies above the white level is white
    dark = [
        float(np.mean(plane.samples < plane.black_dn + NEAR_BLACK * span))
        for plane, span in zip(green, spans, strict=True)
    ]
    return {
        "level_stops_below_saturation": math.log2(1.0 / level) if level > 0 else math.nan,
        "clipped_share": float(np.mean(mosaic.samples >= mosaic.white_dn)),
        "near_black_share": float(np.mean(dark)),
    }


def mean_level(mosaic: Mosaic) -> float:
    """Return the mean green level as a share of saturation (0 to 1): what a light meter sees of the whole frame."""
    green = [plane for plane in mosaic.planes() if plane.colour in ("G", "G1", "G2")]
    shares = [(float(np.mean(plane.samples)) - plane.black_dn) / (plane.white_dn - plane.black_dn) for plane in green]
    return float(np.mean(shares))
