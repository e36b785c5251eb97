"""Small pictures of edges at 100 %, one pixel of the frame per pixel, to look at beside the numbers.

A crop is for the eye only: no number is measured on it. Samples that lack the measured colour are filled in from their
neighbours; all others stay as they are. The light is scaled to the edge's own bright ground, so that frames of
different exposure look alike, and encoded for the screen (sRGB, IEC 61966-2-1).
"""

from __future__ import annotations

import base64
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.edge_candidate import EdgeCandidate
from kitgauge.measure.edges.regions import CORNERS, region_of
from kitgauge.srgb import linear_to_srgb

CROP_PX = 96
_HEADROOM = 1.15  # white stands this far above the edge's bright ground: a bright line along it stays visible
_GREYS = 64  # that a crop has: a noisy picture of more packs badly, and nobody sees them
_STEP = 0.04  # of the frame's diagonal: places that differ by less are taken in a fixed order of sides
_BRIGHT_PERCENTILE = 90.0
_NEAR = np.array([[0.5, 1.0, 0.5], [1.0, 0.0, 1.0], [0.5, 1.0, 0.5]], dtype=np.float32)


@dataclass(frozen=True)
class EdgeCrop:
    """One crop: where it is in the frame, which edge it shows, and the picture as base64 of a grey PNG file.

    (`x_px`, `y_px`) is the middle of the edge; `left_px` and `top_px` the frame's pixel that became the crop's first.
    """

    region: str
    x_px: float
    y_px: float
    orientation: str
    side: str
    place: str
    left_px: int
    top_px: int
    width_px: int
    height_px: int
    png: str

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return asdict(self)


def edge_crops(
    signal: NDArray[np.float32],
    mask: NDArray[np.bool_],
    candidates: Sequence[EdgeCandidate],
    size_px: int = CROP_PX,
) -> list[EdgeCrop]:
    """Return a crop of one edge in the centre and one in each corner of the frame, as far as there are edges.

    signal : (row, column) [DN], black subtracted; mask : (row, column) True for samples of the measured colour.
    In the centre the edge nearest to the middle is taken, in a corner the outermost one, steep edges before flat
    ones: the same edge in every frame of a series, whether it can be measured there or not.
    """
    return [
        edge_crop(signal, mask, edge, region, size_px)
        for region, edge in chosen_edges(signal.shape, candidates).items()
    ]


def chosen_edges(shape: tuple[int, ...], candidates: Sequence[EdgeCandidate]) -> dict[str, EdgeCandidate]:
    """Return region -> the edge that stands for it, of the centre and the corners of a frame of (rows, columns)."""
    rows, columns = shape[:2]
    diagonal = math.hypot(rows, columns)
    chosen: dict[str, tuple[tuple[Any, ...], EdgeCandidate]] = {}
    for edge in candidates:
        x_norm = min(max((edge.x_px + 0.5) / columns, 0.0), 1.0)
        y_norm = min(max((edge.y_px + 0.5) / rows, 0.0), 1.0)
        region = region_of(x_norm, y_norm)
        if region != "centre" and region not in CORNERS:
            continue
        away = math.hypot(edge.x_px - 0.5 * (columns - 1), edge.y_px - 0.5 * (rows - 1)) / diagonal
        outward = away if region == "centre" else -away
        key = (round(outward / _STEP), edge.orientation != "vertical", edge.side, edge.place, edge.x_px, edge.y_px)
        if region not in chosen or key < chosen[region][0]:
            chosen[region] = key, edge
    return {region: edge for region, (_, edge) in sorted(chosen.items(), key=lambda item: item[0] != "centre")}


def edge_crop(
    signal: NDArray[np.float32],
    mask: NDArray[np.bool_],
    edge: EdgeCandidate,
    region: str = "",
    size_px: int = CROP_PX,
) -> EdgeCrop:
    """Return the crop around the middle of an edge: (size, size) pixels, less where the frame is smaller.

    Arguments as for `edge_crops`. At the frame's border the crop is moved inwards. Raises ValueError where signal and
    mask differ in shape.
    """
    if signal.shape != mask.shape:
        raise ValueError(f"signal and mask must have one shape, got {signal.shape} and {mask.shape}")
    rows, columns = signal.shape
    height, width = min(size_px, rows), min(size_px, columns)
    top = min(max(round(edge.y_px - 0.5 * height), 0), rows - height)
    left = min(max(round(edge.x_px - 0.5 * width), 0), columns - width)
    # one more row and column all round, so that the crop's own border is filled in like its middle
    outer_top, outer_left = max(top - 1, 0), max(left - 1, 0)
    window = np.s_[outer_top : min(top + height + 1, rows), outer_left : min(left + width + 1, columns)]
    filled = filled_in(signal[window], mask[window])
    light = filled[top - outer_top :, left - outer_left :][:height, :width]
    return EdgeCrop(
        region=region,
        x_px=edge.x_px,
        y_px=edge.y_px,
        orientation=edge.orientation,
        side=edge.side,
        place=edge.place,
        left_px=left,
        top_px=top,
        width_px=width,
        height_px=height,
        png=_png(_greys(light)),
    )


def filled_in(signal: NDArray[np.float32], mask: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Return the samples with those outside the mask replaced by the mean of their neighbours inside it.

    The four next neighbours count twice as much as the four diagonal ones. In a 2 x 2 or 6 x 6 pattern every sample
    has a green one beside it; one that has none stays 0.
    """
    if mask.all():
        return signal
    known = mask.astype(np.float32)
    total = cv2.filter2D(signal * known, -1, _NEAR, borderType=cv2.BORDER_CONSTANT)
    weight = cv2.filter2D(known, -1, _NEAR, borderType=cv2.BORDER_CONSTANT)
    near = np.divide(total, weight, out=np.zeros_like(total), where=weight > 0)
    return np.where(mask, signal, near).astype(np.float32)


def _greys(light: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Return screen codes: black at no light, white somewhat above the bright ground."""
    bright = float(np.percentile(light, _BRIGHT_PERCENTILE))
    relative = np.clip(light / (_HEADROOM * bright), 0.0, 1.0) if bright > 0 else np.zeros_like(light)
    encoded = linear_to_srgb(relative)
    return np.asarray(np.rint(np.rint(encoded * (_GREYS - 1)) * (255.0 / (_GREYS - 1))), dtype=np.uint8)


def _png(grey: NDArray[np.uint8]) -> str:
    _, encoded = cv2.imencode(".png", grey, [cv2.IMWRITE_PNG_COMPRESSION, 9])
    return base64.b64encode(encoded.tobytes()).decode("ascii")
