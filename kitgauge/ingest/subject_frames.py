"""Open the frames of a moving subject: the target's edges are found again wherever it went, its markers are read."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from kitgauge.errors import FrameError
from kitgauge.frames.opening import open_frame
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.edge_frames import refused_edges, search_picture
from kitgauge.ingest.opened import describe, refusal
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.tasks import Measurement, Task
from kitgauge.measure.blur.subject_tracking import follow_subject
from kitgauge.measure.edges.edge_candidate import EdgeCandidate
from kitgauge.measure.edges.edge_profile import edge_profiles
from kitgauge.measure.edges.target_pose import SheetSeen, find_sheets


def subject_task(
    record: FrameRecord,
    edges: Sequence[EdgeCandidate],
    sheets: Sequence[SheetSeen],
    first: FrameRecord,
    cache: MeasurementCache,
) -> Task:
    """Return the task that finds the `edges` of the frame at rest `first`, with its `sheets`, in a frame of the subject
    and takes their profiles.
    """
    return Task(
        label=record.file,
        key=cache.key("subject, moving frame", [record.sha256, first.sha256], {}),
        files=(record.file,),
        work=partial(_moving, record, edges, sheets),
    )


def seen_sheets(measurement: Measurement) -> tuple[SheetSeen, ...]:
    """Return the sheets that a measurement of one of these tasks tells."""
    return tuple(SheetSeen.from_dict(values) for values in measurement.get("target") or ())


def _moving(record: FrameRecord, edges: Sequence[EdgeCandidate], at_rest: Sequence[SheetSeen]) -> Measurement:
    """Return what a following frame gives, with the sheets seen (`target`) and whether they told the place."""
    try:
        mosaic = open_frame(record.path)
    except FrameError as error:
        return refusal(record, error)
    picture = search_picture(mosaic)
    sheets = find_sheets(picture.image, picture.block, picture.shape)
    signal, mask, saturated = mosaic.signal(), mosaic.green_mask(), mosaic.saturated()
    found = follow_subject(signal, mask, saturated, edges, at_rest, sheets)
    profiles = edge_profiles(signal, mask, saturated, found.edges.candidates)
    return {
        **describe(mosaic),
        "shift_x_px": found.shift_x_px,
        "shift_y_px": found.shift_y_px,
        "turn_deg": found.turn_deg,
        "by_markers": found.by_markers,
        "target": [sheet.as_dict() for sheet in sheets],
        "profiles": [profile.as_dict() for profile in profiles],
        "unusable": refused_edges(found.edges.refused),
    }
