"""Red and blue against green at each edge of the target, averaged over the frames of one f-number."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from kitgauge.fit.sharpness.sharpness_patches import Track, edge_tracks, patch_numbers, place_of
from kitgauge.measure.edges.edge_measurement import EdgeColour, EdgeMeasurement
from kitgauge.measure.edges.regions import region_of


@dataclass(frozen=True)
class ColourPoint:
    """One colour of one edge at one f-number, the mean of `frames` frames.

    (`x_px`, `y_px`) is the middle of the edge from the frame's top left pixel, (`normal_x`, `normal_y`) its unit normal
    towards the bright side, `patch` the number of the target patch it belongs to. `offset_px` is how far the colour's
    edge lies from green's along the normal. Errors hold noise and what repeated frames scatter beyond it.
    `log_ratio` is ln of the colour's MTF50 over green's of the same edge and frames.
    """

    f_number: float
    channel: str
    region: str
    place: str
    patch: int
    side: str
    orientation: str
    x_px: float
    y_px: float
    x_norm: float
    y_norm: float
    normal_x: float
    normal_y: float
    offset_px: float
    offset_px_stderr: float
    mtf50_cy_per_px: float
    mtf50_cy_per_px_stderr: float
    log_ratio: float
    log_ratio_stderr: float
    frames: int

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return asdict(self)


def colour_points(
    frames: Sequence[Sequence[EdgeMeasurement]], f_number: float, frame_shape: tuple[int, int]
) -> list[ColourPoint]:
    """Return one point per edge and colour of one f-number; empty where no colour but green was measured.

    frames : per frame, all its edge measurements; f_number : exact; frame_shape : (rows, columns).
    """
    tracks = edge_tracks(frames)
    points: list[ColourPoint] = []
    for track, patch in zip(tracks, patch_numbers(tracks), strict=True):
        channels = sorted({colour.channel for edge in track.values() for colour in edge.colours}, reverse=True)
        for channel in channels:
            point = _colour_point(track, patch, channel, f_number, frame_shape)
            if point is not None:
                points.append(point)
    return points


def _colour_point(
    track: Track, patch: int, channel: str, f_number: float, shape: tuple[int, int]
) -> ColourPoint | None:
    pairs = [(edge, colour) for edge in track.values() for colour in edge.colours if colour.channel == channel]
    offsets = [(c.offset_px, c.offset_stderr_px) for _, c in pairs if _known(c.offset_px, c.offset_stderr_px)]
    blurs = [(e, c) for e, c in pairs if _known(c.mtf50_cy_per_px, c.mtf50_stderr) and c.mtf50_cy_per_px > 0]
    if not offsets and not blurs:
        return None
    edge = pairs[0][0]
    offset, offset_error = _mean(offsets)
    mtf50, mtf50_error = _mean([(c.mtf50_cy_per_px, c.mtf50_stderr) for _, c in blurs])
    ratio, ratio_error = _mean([_log_ratio(e, c) for e, c in blurs])
    x_norm = min(max((edge.x_px + 0.5) / shape[1], 0.0), 1.0)
    y_norm = min(max((edge.y_px + 0.5) / shape[0], 0.0), 1.0)
    return ColourPoint(
        f_number=f_number,
        channel=channel,
        region=region_of(x_norm, y_norm),
        place=place_of([track]),
        patch=patch,
        side=edge.candidate.side,
        orientation=edge.orientation,
        x_px=edge.x_px,
        y_px=edge.y_px,
        x_norm=x_norm,
        y_norm=y_norm,
        normal_x=edge.candidate.normal_x,
        normal_y=edge.candidate.normal_y,
        offset_px=offset,
        offset_px_stderr=offset_error,
        mtf50_cy_per_px=mtf50,
        mtf50_cy_per_px_stderr=mtf50_error,
        log_ratio=ratio,
        log_ratio_stderr=ratio_error,
        frames=len(pairs),
    )


def _known(value: float, error: float) -> bool:
    return math.isfinite(value) and math.isfinite(error) and error > 0


def _log_ratio(edge: EdgeMeasurement, colour: EdgeColour) -> tuple[float, float]:
    ratio = math.log(colour.mtf50_cy_per_px / edge.mtf50_cy_per_px)
    errors = colour.mtf50_stderr / colour.mtf50_cy_per_px, edge.mtf50_stderr / edge.mtf50_cy_per_px
    return ratio, math.hypot(*errors)


def _mean(values: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Return the weighted mean and its error, widened where the frames scatter more than their errors; NaN of none."""
    if not values:
        return math.nan, math.nan
    value, error = np.array(values).T
    weight = 1.0 / error**2
    mean = float(weight @ value / weight.sum())
    scatter = 1.0
    if value.size > 1:
        scatter = max(1.0, float(weight @ (value - mean) ** 2) / (value.size - 1))
    return mean, math.sqrt(scatter / float(weight.sum()))
