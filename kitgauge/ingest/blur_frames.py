"""Open the frames of a blur series: the edges of one tripod frame are found, and found again in all others."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from typing import Any, NamedTuple

from kitgauge.errors import FrameError
from kitgauge.frames.mosaic import Mosaic
from kitgauge.frames.opening import open_frame
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.edge_frames import refused_edges, search_picture
from kitgauge.ingest.opened import describe, refusal
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.scene_blur_frames import scene_frame
from kitgauge.ingest.tasks import Measurement, Task
from kitgauge.measure.blur.edge_tracking import follow_edges
from kitgauge.measure.blur.scene_reference import SceneReference, begin_reference, extended
from kitgauge.measure.edges.clear_ground import widen_edges
from kitgauge.measure.edges.edge_candidate import EdgeCandidate
from kitgauge.measure.edges.edge_finding import find_edges_in
from kitgauge.measure.edges.edge_profile import EdgeProfile, edge_profiles
from kitgauge.measure.edges.target_pose import find_sheets

_LONE_EDGE = 0.03  # of the frame's diagonal, at least


class KnownEdges(NamedTuple):
    """Edges of a target, and the frame that they were found in."""

    edges: list[EdgeCandidate]
    of: FrameRecord


def tripod_task(
    record: FrameRecord,
    cache: MeasurementCache,
    *,
    known: KnownEdges | None = None,
    still: Sequence[FrameRecord] | None = None,
    reference: SceneReference | None = None,
) -> Task:
    """Return the task that finds all edges of a tripod frame, or those `known` by another, and takes their profiles.

    With `still`, the tripod frames opened before, and the `reference` that they make: where the frame shows no edges in
    two directions, it is taken into the reference of its scene while it is open (`scene`).
    """
    before = [] if still is None else [one.sha256 for one in still]
    parameters = {"scene": still is not None, "edges": None if known is None else known.of.sha256}
    return Task(
        label=record.file,
        key=cache.key("blur, tripod frame", [record.sha256, *before], parameters),
        files=(record.file,),
        work=partial(_measure_tripod, record, known, still is not None, reference),
    )


def following_task(
    record: FrameRecord, edges: Sequence[EdgeCandidate], first: FrameRecord, cache: MeasurementCache
) -> Task:
    """Return the task that finds the `edges` of the tripod frame `first` again and takes their profiles."""
    return Task(
        label=record.file,
        key=cache.key("blur, following frame", [record.sha256, first.sha256], {}),
        files=(record.file,),
        work=partial(_measure, record, edges),
    )


def usable_edges(measurement: Measurement) -> list[EdgeCandidate]:
    """Return the edges of a frame's measurement that others can be searched for.

    Of the printed target, all; else those of patches, and lone ones of some length: short straight pieces turn up in
    any scene full of detail (leaves, say), and are no edges when looked at closely.
    """
    profiles = [EdgeProfile.from_dict(profile) for profile in measurement.get("profiles") or []]
    edges = [profile.candidate for profile in profiles if not profile.flags]
    if measurement.get("target") or not edges:
        return edges
    sides: dict[int, set[str]] = {}
    for edge in edges:
        sides.setdefault(edge.group, set()).add(edge.side)
    long_enough = _LONE_EDGE * math.hypot(*measurement["shape"])
    return [edge for edge in edges if len(sides[edge.group]) > 1 or edge.length_px >= long_enough]


def in_two_directions(edges: Sequence[EdgeCandidate]) -> bool:
    """Tell whether there are edges of both orientations."""
    return len({edge.orientation for edge in edges}) == 2


def _measure_tripod(
    record: FrameRecord, known: KnownEdges | None, in_scene: bool, reference: SceneReference | None
) -> Measurement:
    try:
        mosaic = open_frame(record.path)
    except FrameError as error:
        return refusal(record, error)
    found = _measured(mosaic, None if known is None else known.edges)
    if in_scene and not in_two_directions(usable_edges(found)):
        frame = scene_frame(mosaic)
        if reference is None:
            found["scene"] = begin_reference(frame).as_dict()
        else:
            found["scene"] = extended(reference, frame).last_as_dict()
    return found


def _measure(record: FrameRecord, edges: Sequence[EdgeCandidate]) -> Measurement:
    try:
        mosaic = open_frame(record.path)
    except FrameError as error:
        return refusal(record, error)
    return _measured(mosaic, edges)


def _measured(mosaic: Mosaic, edges: Sequence[EdgeCandidate] | None) -> Measurement:
    """Return `profiles` of the edges of one frame, the edges refused (`unusable`), flags, and in the first
    frame the sheets of the printed `target` seen, in the others how the target moved.
    """
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
