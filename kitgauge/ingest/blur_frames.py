"""Open the frames of a blur series: the edges of one tripod frame are found, and found again in all others."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from kitgauge.errors import FrameError
from kitgauge.frames.opening import open_frame
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.edge_frames import refused_edges, search_picture
from kitgauge.ingest.opened import describe, refusal
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.tasks import Measurement, Task
from kitgauge.measure.blur.edge_tracking import follow_edges
from kitgauge.measure.edges.clear_ground import widen_edges
from kitgauge.measure.edges.edge_candidate import EdgeCandidate
from kitgauge.measure.edges.edge_finding import find_edges_in
from kitgauge.measure.edges.edge_profile import edge_profiles
from kitgauge.measure.edges.target_pose import find_sheets


def first_frame_task(record: FrameRecord, cache: MeasurementCache) -> Task:
    """Return the task that finds all edges of a tripod frame and takes their profiles."""
    return Task(
        label=record.file,
        key=cache.key("blur, first frame", [record.sha256], {}),
        files=(record.file,),
        work=lambda: _measure(record, None),
    )


def following_task(
    record: FrameRecord, edges: Sequence[EdgeCandidate], first: FrameRecord, cache: MeasurementCache
) -> Task:
    """Return the task that finds the `edges` of the tripod frame `first` again and takes their profiles."""
    return Task(
        label=record.file,
        key=cache.key("blur, following frame", [record.sha256, first.sha256], {}),
        files=(record.file,),
        work=lambda: _measure(record, edges),
    )


def _measure(record: FrameRecord, edges: Sequence[EdgeCandidate] | None) -> Measurement:
    """Return `profiles` of the edges of one frame, the edges refused (`unusable`), flags, and in the first
    frame the sheets of the printed `target` seen, in the others how the target moved.
    """
    try:
        mosaic = open_frame(record.path)
    except FrameError as error:
        return refusal(record, error)
    signal, mask, saturated = mosaic.signal(), mosaic.green_mask(), mosaic.saturated()
    told: dict[str, Any] = {}
    if edges is None:
        picture = search_picture(mosaic)
        sheets = find_sheets(picture.image, picture.block, picture.shape)
        search = find_edges_in(picture, sheets=sheets)
        told = {"target": [sheet.as_dict() for sheet in sheets]}
        # motion of tens of pixels needs all the free ground beside an edge, more than its sharpness does
        candidates, refused = widen_edges(signal, mask, search.candidates), search.refused
    else:
        followed = follow_edges(signal, mask, saturated, edges)
        candidates, refused = followed.candidates, followed.refused
        told = {
            "shift_x_px": followed.shift_x_px,
            "shift_y_px": followed.shift_y_px,
            "turn_deg": followed.turn_deg,
        }
    profiles = edge_profiles(signal, mask, saturated, candidates)
    return {
        **describe(mosaic),
        **told,
        "profiles": [profile.as_dict() for profile in profiles],
        "unusable": refused_edges(refused),
    }
