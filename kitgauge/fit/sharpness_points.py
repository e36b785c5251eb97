"""From edges to points: one per target patch and edge direction at one f-number, with an honest standard error."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from kitgauge.measure.edge_sfr import EdgeMeasurement
from kitgauge.measure.regions import region_of

_SYSTEMATIC = 0.003  # edges of one patch are weighted no more unequally than this share of MTF50 allows
_CLEARLY_SOFTER = 0.05  # share of MTF50 ...
_CLEARLY_SOFTER_SIGMA = 5.0  # ... and standard errors by which a frame must fall behind another of its setting
_SAME_PLACE = 0.25  # edges of two frames are one edge within this share of its length


@dataclass(frozen=True)
class SharpnessPoint:
    """MTF50 of one target patch in one edge direction at one f-number, the mean of `frames` frames.

    (`x_norm`, `y_norm`) is the centre of the measured edges, 0 to 1 from the left and top. `orientation` names the
    direction of the edges. `repeat_stderr` is the part of the standard error that only repeated frames show
    (focus, shake), NaN for a single frame.
    """

    f_number: float
    region: str
    x_norm: float
    y_norm: float
    orientation: str
    channel: str
    mtf50_cy_per_px: float
    mtf50_cy_per_px_stderr: float
    frames: int
    edges: int
    repeat_stderr: float
    flags: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Return plain values in the order of the file contract."""
        return {**asdict(self), "flags": list(self.flags)}


@dataclass(frozen=True)
class SofterFrame:
    """A frame that is clearly softer than another of the same setting, in edges of one direction."""

    frame: int  # its place in the sequence given
    orientation: str
    softer: float  # share of the other frame's MTF50 that it lacks
    z: float  # in standard errors


@dataclass(frozen=True)
class _Patch:
    """One patch and direction: per frame the weighted mean and its standard error."""

    orientation: str
    numbers: tuple[int, ...]  # of the frames
    x_px: float
    y_px: float
    values: list[float]
    errors: list[float]
    edges: int
    flags: tuple[str, ...]


def combine_edges(
    frames: Sequence[Sequence[EdgeMeasurement]],
    f_number: float,
    frame_shape: tuple[int, int],
    channel: str = "G",
    flags: Sequence[str] = (),
) -> list[SharpnessPoint]:
    """Return the points of one f-number from the edges measured in each of its frames.

    Parameters
    ----------
    frames : per frame, all its edge measurements (refused ones are left out here)
    f_number : exact f-number of these frames
    frame_shape : (rows, columns) of the frame
    channel : colour that was measured
    flags : flags of the frames that hold for every point (`rendered`)

    Edges of different frames are matched by place. The error of a point is that of its edges' noise plus what
    repeated frames scatter beyond it (variance between frames after DerSimonian and Laird 1986, Controlled Clinical
    Trials 7, 177, pooled over the patches of the f-number, because focus and shake act on the whole frame; for each
    edge direction apart, because shake has a direction). Points with a frame as of `softer_frames` are flagged.
    """
    patches = _patches(frames)
    directions = {patch.orientation for patch in patches}
    between = {o: _between_frames([patch for patch in patches if patch.orientation == o]) for o in directions}
    spoilt = {found.orientation for found in _softer(patches)}
    rows, columns = frame_shape
    points: list[SharpnessPoint] = []
    for patch in patches:
        values, errors = np.array(patch.values), np.array(patch.errors)
        count = values.size
        tau_squared = between[patch.orientation]
        own_flags = {*flags, *patch.flags}
        if count == 1:
            own_flags.add("single-frame")
        elif patch.orientation in spoilt:
            own_flags.add("softer-than-its-twin")
        weight = 1.0 / (errors**2 + tau_squared * values.mean() ** 2)
        mean = float(np.sum(weight * values) / weight.sum())
        repeat = math.sqrt(tau_squared / count) * mean if count > 1 else math.nan
        x_norm = min(max((patch.x_px + 0.5) / columns, 0.0), 1.0)
        y_norm = min(max((patch.y_px + 0.5) / rows, 0.0), 1.0)
        points.append(
            SharpnessPoint(
                f_number=f_number,
                region=region_of(x_norm, y_norm),
                x_norm=x_norm,
                y_norm=y_norm,
                orientation=patch.orientation,
                channel=channel,
                mtf50_cy_per_px=mean,
                mtf50_cy_per_px_stderr=float(1.0 / math.sqrt(weight.sum())),
                frames=count,
                edges=patch.edges,
                repeat_stderr=repeat,
                flags=tuple(sorted(own_flags)),
            )
        )
    return points


def softer_frames(frames: Sequence[Sequence[EdgeMeasurement]]) -> list[SofterFrame]:
    """Return the frames of one setting that are over 5 % and 5 standard errors softer than another of them.

    One entry per frame at most: the edge direction in which it lacks most.
    """
    worst: dict[int, SofterFrame] = {}
    for found in _softer(_patches(frames)):
        if found.frame not in worst or found.softer > worst[found.frame].softer:
            worst[found.frame] = found
    return [worst[number] for number in sorted(worst)]


def _softer(patches: Sequence[_Patch]) -> list[SofterFrame]:
    """Compare every two frames, direction by direction, over the patches that both show."""
    found: list[SofterFrame] = []
    for orientation in sorted({patch.orientation for patch in patches}):
        logs: list[dict[int, tuple[float, float]]] = [
            {n: (math.log(v), e / v) for n, v, e in zip(patch.numbers, patch.values, patch.errors, strict=True)}
            for patch in patches
            if patch.orientation == orientation
        ]
        numbers = sorted(set().union(*logs))
        for number in numbers:
            behind: list[tuple[float, float]] = []  # log ratio, z
            for other in numbers:
                shared = [(patch[number], patch[other]) for patch in logs if number in patch and other in patch]
                if number == other or not shared:
                    continue
                difference = np.array([one[0] - two[0] for one, two in shared])
                weight = 1.0 / np.array([one[1] ** 2 + two[1] ** 2 for one, two in shared])
                mean = float(weight @ difference / weight.sum())
                behind.append((mean, mean * math.sqrt(weight.sum())))
            mean, z = min(behind, default=(0.0, 0.0))
            if 1.0 - math.exp(mean) > _CLEARLY_SOFTER and z < -_CLEARLY_SOFTER_SIGMA:
                found.append(SofterFrame(number, orientation, 1.0 - math.exp(mean), z))
    return found


def _patches(frames: Sequence[Sequence[EdgeMeasurement]]) -> list[_Patch]:
    """Match edges across frames and collect them by patch and direction."""
    usable = [[edge for edge in frame if edge.usable] for frame in frames]
    tracks: list[dict[int, EdgeMeasurement]] = []  # one physical edge: frame -> its measurement
    for number, frame in enumerate(usable):
        for edge in frame:
            track = _track_of(edge, number, tracks)
            if track is None:
                tracks.append({number: edge})
            else:
                track[number] = edge
    # tracks belong to one patch if any frame puts them into one group
    owner = list(range(len(tracks)))

    def root(index: int) -> int:
        while owner[index] != index:
            index = owner[index]
        return index

    for first in range(len(tracks)):
        for second in range(first + 1, len(tracks)):
            shared = tracks[first].keys() & tracks[second].keys()
            if any(tracks[first][k].group == tracks[second][k].group for k in shared):
                owner[root(second)] = root(first)
    together: dict[tuple[int, str], list[dict[int, EdgeMeasurement]]] = {}
    for index, track in enumerate(tracks):
        direction = next(iter(track.values())).orientation
        together.setdefault((root(index), direction), []).append(track)
    return [_collect(direction, members) for (_, direction), members in together.items()]


def _track_of(
    edge: EdgeMeasurement, frame: int, tracks: Sequence[dict[int, EdgeMeasurement]]
) -> dict[int, EdgeMeasurement] | None:
    """Return the track whose edge lies where `edge` lies, None where there is none yet."""
    best: tuple[float, dict[int, EdgeMeasurement]] | None = None
    for track in tracks:
        other = next(iter(track.values()))
        same_sense = (
            other.candidate.normal_x * edge.candidate.normal_x + other.candidate.normal_y * edge.candidate.normal_y
        )
        if frame in track or other.orientation != edge.orientation or same_sense < 0.9:
            continue
        distance = math.hypot(other.x_px - edge.x_px, other.y_px - edge.y_px)
        if distance < _SAME_PLACE * min(other.length_px, edge.length_px) and (best is None or distance < best[0]):
            best = distance, track
    return None if best is None else best[1]


def _collect(direction: str, tracks: Sequence[dict[int, EdgeMeasurement]]) -> _Patch:
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
    return _Patch(
        orientation=direction,
        numbers=tuple(numbers),
        x_px=float(sum(w * e.x_px for w, e in zip(share, first, strict=True))),
        y_px=float(sum(w * e.y_px for w, e in zip(share, first, strict=True))),
        values=values,
        errors=errors,
        edges=len(everywhere),
        flags=flags,
    )


def _between_frames(patches: Sequence[_Patch]) -> float:
    """Return the relative variance between frames beyond noise (DerSimonian-Laird, pooled), 0 with single frames."""
    excess = freedom = weight_sum = 0.0
    for patch in patches:
        if len(patch.values) < 2:
            continue
        values = np.array(patch.values)
        relative = values / values.mean()
        weight = (values.mean() / np.array(patch.errors)) ** 2
        mean = np.sum(weight * relative) / weight.sum()
        excess += float(np.sum(weight * (relative - mean) ** 2))
        freedom += values.size - 1
        weight_sum += float(weight.sum() - np.sum(weight**2) / weight.sum())
    if freedom == 0 or weight_sum == 0:
        return 0.0
    return max(0.0, (excess - freedom) / weight_sum)
