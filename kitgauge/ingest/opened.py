"""What every measurement of a frame keeps of the frame itself, and what is left of one that cannot be opened."""

from __future__ import annotations

from typing import Any

from kitgauge.errors import FrameError
from kitgauge.frames.mosaic import Mosaic
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.tasks import Measurement

# where the black level came from, as a flag; masked pixels need none
BLACK_FLAGS = {"dark": "black-from-dark", "metadata": "black-from-metadata", "unknown": "black-unknown"}


def refusal(record: FrameRecord, error: FrameError) -> Measurement:
    """Return the measurement of a file that cannot be opened: its flag and the reason."""
    return {"refused": {record.file: [error.flag, error.what]}}


def describe(mosaic: Mosaic) -> dict[str, Any]:
    """Return what a measurement keeps of the frame itself: its shape and flags."""
    flag = "rendered" if mosaic.rendered else BLACK_FLAGS.get(mosaic.black_source)
    return {"shape": list(mosaic.shape), "flags": [] if flag is None else [flag]}
