"""Edges of several frames sorted into patches: which edges are one edge, and which patch they belong to."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.edge_sfr import EdgeMeasurement

Array = NDArray[np.float64]
Track = dict[int, EdgeMeasurement]  # one physical edge: frame -> its measurement

_SYSTEMATIC = 0.003  # edges of one patch are weighted no more unequally than this share of MTF50 allows
_SAME_PLACE = 0.25  # edges of two frames are one edge within this share of its length


@dataclass(frozen=True)
class MtfCurve:
    """MTF against frequency [cycles/pixel]; all arrays (frequency,)."""

    frequency_cy_per_px: Array
    mtf: Array
    mtf_stderr: Array


@dataclass(frozen=True)
class Patch:
    """One patch and direction: per frame the weighted mean and its standard error from the edges' noise."""

    place: str
    orientation: str
    numbers: tuple[int, ...]  # of the frames
    x_px: float
    y_px: float
    values: list[float]
    errors: list[float]
    edges: int
    flags: tuple[str, ...]
    curve: MtfCurve | None  # mean of edges and frames, its error from noise alone; None where no edge has one
    edge_means: tuple[tuple[float, float], ...]  # (mean over frames, error) of each edge


def edge_tracks(frames: Sequence[Sequence[EdgeMeasurement]]) -> list[Track]:
    """Return the usable edges of several frames, each with its measurement in every frame that shows it.

    Edges whose place is known from the target's markers are one edge where place and side are equal; others where
    they lie within a quarter of their length, with the bright side on the same side.
    """
    tracks: list[Track] = []
    for number, frame in enumerate(frames):
        for edge in frame:
            if not edge.usable:
                continue
            track = _track_of(edge, number, tracks)
            if track is None:
                tracks.append({number: edge})
            else:
                track[number] = edge
    return tracks


def _track_of(edge: EdgeMeasurement, frame: int, tracks: Sequence[Track]) -> Track | None:
    """Return the track whose edge is `edge` in another frame, None where there is none yet."""
    best: tuple[float, Track] | None = None
    for track in tracks:
        other = next(iter(track.values()))
        if frame in track or other.orientation != edge.orientation:
            continue
        if edge.candidate.place and other.candidate.place:
            if (edge.candidate.place, edge.candidate.side) == (other.candidate.place, other.candidate.side):
                return track
            continue
        same_sense = (
            other.candidate.normal_x * edge.candidate.normal_x + other.candidate.normal_y * edge.candidate.normal_y
        )
        if same_sense < 0.9:
            continue
        distance = math.hypot(other.x_px - edge.x_px, other.y_px - edge.y_px)
        if distance < _SAME_PLACE * min(other.length_px, edge.length_px) and (best is None or distance < best[0]):
            best = distance, track
    return None if best is None else best[1]


def patches_of(frames: Sequence[Sequence[EdgeMeasurement]]) -> list[Patch]:
    """Match edges across frames and collect them by patch and direction."""
    tracks = edge_tracks(frames)
    together: dict[tuple[int, str], list[Track]] = {}
    for track, owner in zip(tracks, patch_numbers(tracks), strict=True):
        direction = next(iter(track.values())).orientation
        together.setdefault((owner, direction), []).append(track)
    return [_collect(direction, members) for (_, direction), members in together.items()]


def patch_numbers(tracks: Sequence[Track]) -> list[int]:
    """Return for each track the number of its patch.

    Tracks are of one patch where the markers name the same place for both, or where one of them has no name and any
    frame puts both into one group.
    """
    owner = list(range(len(tracks)))
    places = [place_of([track]) for track in tracks]
    groups = [{(number, edge.group) for number, edge in track.items()} for track in tracks]

    def root(index: int) -> int:
        while owner[index] != index:
            index = owner[index]
        return index

    for first, place in enumerate(places):
        for second in range(first + 1, len(tracks)):
            named = place and places[second]
            if place == places[second] if named else not groups[first].isdisjoint(groups[second]):
                owner[root(second)] = root(first)
    return [root(index) for index in range(len(tracks))]


def place_of(tracks: Sequence[Track]) -> str:
    """Return the name of the patch as the target's markers tell it, "" where none of its edges knows."""
    return next((edge.candidate.place for track in tracks for edge in track.values() if edge.candidate.place), "")


def _collect(direction: str, tracks: Sequence[Track]) -> Patch:
    """Average the edges of one patch and direction within each frame.

    The edges of a patch differ truly (the lens is not the same everywhere), so only edges seen in every frame that
    shows the patch enter; else a frame that lacks one edge would look softer or sharper than the rest.
    """
    numbers = sorted(set().union(*(track.keys() for track in tracks)))
    everywhere = [track for track in tracks if len(track) == len(numbers)]
    if not everywhere:
        everywhere = [max(tracks, key=len)]
        numbers = sorted(everywhere[0])
    error = np.array(
        [np.mean([track[k].mtf50_stderr / track[k].mtf50_cy_per_px for k in numbers]) for track in everywhere]
    )
    share = 1.0 / (error**2 + _SYSTEMATIC**2)
    share /= share.sum()
    values, errors = [], []
    for number in numbers:
        edges = [track[number] for track in everywhere]
        values.append(float(sum(w * e.mtf50_cy_per_px for w, e in zip(share, edges, strict=True))))
        errors.append(math.sqrt(sum((w * e.mtf50_stderr) ** 2 for w, e in zip(share, edges, strict=True))))
    first = [track[numbers[0]] for track in everywhere]
    flags = tuple(sorted({flag for track in everywhere for edge in track.values() for flag in edge.flags}))
    return Patch(
        place=place_of(tracks),
        orientation=direction,
        numbers=tuple(numbers),
        x_px=float(sum(w * e.x_px for w, e in zip(share, first, strict=True))),
        y_px=float(sum(w * e.y_px for w, e in zip(share, first, strict=True))),
        values=values,
        errors=errors,
        edges=len(everywhere),
        flags=flags,
        curve=_mean_curve(everywhere, numbers, share),
        edge_means=tuple(_mean_of(track, numbers) for track in everywhere),
    )


def _mean_of(track: Track, numbers: Sequence[int]) -> tuple[float, float]:
    """Return the plain mean of one edge over its frames, and its error from noise."""
    values = [track[k].mtf50_cy_per_px for k in numbers]
    errors = [track[k].mtf50_stderr for k in numbers]
    return float(np.mean(values)), math.sqrt(sum(e * e for e in errors)) / len(errors)


def _mean_curve(tracks: Sequence[Track], numbers: Sequence[int], share: Array) -> MtfCurve | None:
    """Return the mean MTF of edges (weighted by `share`) and frames (alike)."""
    pairs = [(w, track[k]) for w, track in zip(share, tracks, strict=True) for k in numbers]
    pairs = [(w, edge) for w, edge in pairs if edge.frequency_cy_per_px.size > 1]
    if not pairs:
        return None
    frequency = pairs[0][1].frequency_cy_per_px
    mtf, variance, total = np.zeros(frequency.size), np.zeros(frequency.size), sum(w for w, _ in pairs)
    for weight, edge in pairs:
        mtf += weight / total * np.interp(frequency, edge.frequency_cy_per_px, edge.mtf)
        variance += (weight / total * np.interp(frequency, edge.frequency_cy_per_px, edge.mtf_stderr)) ** 2
    return MtfCurve(frequency, mtf, np.sqrt(variance))
