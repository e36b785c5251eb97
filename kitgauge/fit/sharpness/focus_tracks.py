"""The same edge in frames of different focus: which measurement belongs to which edge, which edges to one patch."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from kitgauge.measure.edges.edge_sfr import EdgeMeasurement
from kitgauge.measure.edges.regions import region_of

Track = dict[int, EdgeMeasurement]  # number of the frame -> the edge in it

_SAME_PLACE = 0.35  # edges of two frames are one edge within this share of its length
_SAME_SENSE = 0.9


def track_edges(frames: Sequence[Sequence[EdgeMeasurement]]) -> list[Track]:
    """Return one track per physical edge, over the usable edges of the frames in their order.

    Edges that a marker names are matched by name and side; others by place against the frame nearest in order that
    shows the edge, since the picture grows and shrinks slowly while the focus moves.
    """
    tracks: list[Track] = []
    for number, frame in enumerate(frames):
        taken: set[int] = set()
        for edge in (edge for edge in frame if edge.usable):
            index = _track_of(edge, tracks, taken)
            if index is None:
                tracks.append({number: edge})
                taken.add(len(tracks) - 1)
            else:
                tracks[index][number] = edge
                taken.add(index)
    return tracks


def _track_of(edge: EdgeMeasurement, tracks: Sequence[Track], taken: set[int]) -> int | None:
    name = _name(edge)
    best: tuple[float, int] | None = None
    for index, track in enumerate(tracks):
        other = track[max(track)]
        if index in taken or other.orientation != edge.orientation:
            continue
        if name is not None and _name(other) is not None:
            if name == _name(other):
                return index
            continue
        along = other.candidate.normal_x * edge.candidate.normal_x + other.candidate.normal_y * edge.candidate.normal_y
        distance = math.hypot(other.x_px - edge.x_px, other.y_px - edge.y_px)
        near = distance < _SAME_PLACE * min(other.length_px, edge.length_px)
        if along > _SAME_SENSE and near and (best is None or distance < best[0]):
            best = distance, index
    return None if best is None else best[1]


def patches_of_tracks(tracks: Sequence[Track]) -> list[list[Track]]:
    """Return the tracks by patch: edges that any frame puts into one group (one square of the target)."""
    owner = list(range(len(tracks)))

    def root(index: int) -> int:
        while owner[index] != index:
            index = owner[index]
        return index

    first_with: dict[tuple[int, int], int] = {}
    for index, track in enumerate(tracks):
        for number, edge in track.items():
            other = first_with.setdefault((number, edge.group), index)
            owner[root(index)] = root(other)
    patches: dict[int, list[Track]] = {}
    for index, track in enumerate(tracks):
        patches.setdefault(root(index), []).append(track)
    return list(patches.values())


def _name(edge: EdgeMeasurement) -> tuple[str, str] | None:
    place = str(getattr(edge.candidate, "place", "") or "")
    return (place, edge.candidate.side) if place else None


def region_of_track(track: Mapping[int, EdgeMeasurement], frame_shape: tuple[int, int]) -> str:
    """Return the region of the frame (rows, columns) in which the edge lies."""
    x, y = place_of_track(track, frame_shape)
    return region_of(x, y)


def place_of_track(track: Mapping[int, EdgeMeasurement], frame_shape: tuple[int, int]) -> tuple[float, float]:
    """Return the edge's mean place, 0 to 1 from the left and the top."""
    rows, columns = frame_shape
    x = sum((edge.x_px + 0.5) / columns for edge in track.values()) / len(track)
    y = sum((edge.y_px + 0.5) / rows for edge in track.values()) / len(track)
    return min(max(x, 0.0), 1.0), min(max(y, 0.0), 1.0)
