"""Find the straight tilted edges of a frame by themselves: any dark or bright patch, or a lone edge, on any chart.

Route: mean of the measured colour in blocks, logarithm (two stops of uneven light become a small offset), straight
segments at three scales (line segment detector of OpenCV: von Gioi and others, Image Processing On Line 2012), then
each segment is followed on the linear image, from whose two levels, course and surroundings it is used or refused.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edge_candidate import (
    EdgeCandidate,
    EdgeSearch,
    Orientation,
    RefusedEdge,
    candidate_from_line,
)
from kitgauge.measure.edge_groups import group_edges
from kitgauge.measure.edge_strip import REACH_PX, Image, StripEdge, follow_edge, straighten

__all__ = ["EdgeCandidate", "EdgeSearch", "Orientation", "RefusedEdge", "candidate_from_line", "find_edges"]

REDUCED_LONG_SIDE = 1500
SHORTEST_USABLE_PX = 30.0
SMALLEST_TILT_DEG = 1.0
LARGEST_TILT_DEG = 43.0
SMALLEST_CONTRAST = 1.25
SMALLEST_FREE_PX = 8.0
LARGEST_BOW_FRACTION = 0.03
LARGEST_SATURATED_FRACTION = 0.001
_FAINT_GAIN = 2.5
_MOST_SEGMENTS = 400  # longest first: a frame full of texture must not cost minutes


def reduce_frame(signal: NDArray[np.float32], mask: NDArray[np.bool_], block: int) -> Image:
    """Return (row, column) the mean of the masked samples in blocks of `block` pixels; a ragged border is cut off."""
    if block == 1:
        return np.ascontiguousarray(signal, dtype=np.float32)
    total = _block_means(np.multiply(signal, mask, dtype=np.float32), block)
    share = _block_means(mask.view(np.uint8).astype(np.float32), block)
    return np.asarray(total / np.maximum(share, 1e-6), dtype=np.float32)


def _block_means(values: NDArray[np.float32], block: int) -> Image:
    rows, columns = (size // block for size in values.shape)
    part = values[: rows * block, : columns * block]
    return np.asarray(cv2.resize(part, (columns, rows), interpolation=cv2.INTER_AREA), dtype=np.float32)


def find_edges(
    signal: NDArray[np.float32],
    mask: NDArray[np.bool_],
    saturated: NDArray[np.bool_],
    *,
    shortest_px: float = SHORTEST_USABLE_PX,
) -> EdgeSearch:
    """Find every straight edge of a frame that might be measured, and say of the others why not.

    `signal` (row, column) [DN] black subtracted, `mask` (row, column) True for samples of the measured colour,
    `saturated` (row, column) True at the white level. `shortest_px`: usable length needed [px].
    """
    if signal.shape != mask.shape or signal.shape != saturated.shape:
        raise ValueError(
            f"signal, mask and saturated must have one shape, got {signal.shape}, {mask.shape}, {saturated.shape}"
        )
    block = 1 if mask.all() else 2
    while max(signal.shape) / block > REDUCED_LONG_SIDE:
        block += 1 if block == 1 else 2
    image = reduce_frame(signal, mask, block)
    full = saturated & mask
    clipped = reduce_frame(saturated.astype(np.float32), mask, block) if full.any() else np.zeros_like(image)
    edges = _follow_all(image, _segments(image), REACH_PX / block)
    accepted: list[StripEdge] = []
    refused: list[RefusedEdge] = []
    for edge in edges:
        verdict = _refuse(edge, clipped, block, shortest_px)
        if verdict is None:
            accepted.append(edge)
        elif (edge.stop - edge.start) * block >= 0.5 * shortest_px:
            refused.append(_as_refused(edge, block, *verdict))
    return EdgeSearch(candidates=_as_candidates(accepted, edges, block), refused=tuple(refused))


def _segments(image: Image) -> NDArray[np.float64]:
    """Return (segment, 4) x0, y0, x1, y1 of straight brightness steps on the reduced image, longest first."""
    high = float(np.percentile(image[::3, ::3], 99.5))
    if not high > 0:
        return np.zeros((0, 4))
    floor = 0.02 * high
    tone = np.log(np.clip(image, 0.0, None) + floor)
    low, top = math.log(floor), math.log(high + floor)
    tone = np.clip((tone - low) / (top - low), 0.0, 1.0)
    detector = cv2.createLineSegmentDetector(cv2.LSD_REFINE_NONE)
    found: list[NDArray[np.float64]] = []
    for step in (1, 2, 4):
        if min(image.shape) < 24 * step:
            break
        level = tone
        if step > 1:
            level = cv2.resize(tone, (image.shape[1] // step, image.shape[0] // step), interpolation=cv2.INTER_AREA)
            # noise is averaged out here, so a faint step may be drawn larger, against its surroundings
            level = np.clip(0.5 + _FAINT_GAIN * (level - cv2.blur(level, (31, 31))), 0.0, 1.0)
        lines = detector.detect(np.asarray(level * 255.0, dtype=np.uint8))[0]
        if lines is not None:
            found.append((lines.reshape(-1, 4).astype(np.float64) + 0.5) * step - 0.5)
    if not found:
        return np.zeros((0, 4))
    segments = np.concatenate(found)
    length = np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1])
    order = np.argsort(-length)
    order = order[length[order] >= 6.0]
    return segments[order]


def _follow_all(image: Image, segments: NDArray[np.float64], reach: float) -> list[StripEdge]:
    """Follow the segments, longest first, leaving out those that lie on an edge already followed."""
    edges: list[StripEdge] = []
    tried = 0
    for x0, y0, x1, y1 in segments:
        if any(_lies_on(edge, x0, y0, x1, y1) for edge in edges):
            continue
        tried += 1
        if tried > _MOST_SEGMENTS:
            break
        edge = follow_edge(image, x0, y0, x1, y1, reach)
        if edge is None:
            continue
        ends = (*edge.point(edge.start), *edge.point(edge.stop))
        if any(_lies_on(other, *ends) for other in edges):
            continue
        edges.append(edge)
    return edges


def _lies_on(edge: StripEdge, x0: float, y0: float, x1: float, y1: float) -> bool:
    """Tell whether the middle half of a segment lies along an edge."""
    near = 2.0 + 0.7 * edge.rise + edge.bow
    slack = 3.0 + edge.rise
    for part in (0.3, 0.7):
        dx, dy = x0 + part * (x1 - x0) - edge.x, y0 + part * (y1 - y0) - edge.y
        along = dx * edge.along_x + dy * edge.along_y
        across = -dx * edge.along_y + dy * edge.along_x
        if abs(across) > near or not edge.start - slack <= along <= edge.stop + slack:
            return False
    return True


def tilt_deg(along_x: float, along_y: float) -> float:
    """Return the angle of a direction to the nearest axis [degrees], 0 to 45."""
    angle = math.degrees(math.atan2(abs(along_y), abs(along_x)))
    return min(angle, 90.0 - angle)


def _refuse(edge: StripEdge, clipped: Image, block: int, shortest_px: float) -> tuple[str, str] | None:
    """Return (flag, reason) where the edge cannot be measured, None where it can."""
    length = (edge.stop - edge.start) * block
    if length < shortest_px:
        return "edge-short", f"{length:.0f} px long, {shortest_px:.0f} px needed"
    contrast = edge.bright / edge.dark if edge.dark > 0 else math.inf
    if contrast < SMALLEST_CONTRAST:
        return "low-contrast", f"contrast {contrast:.2f} to 1, {SMALLEST_CONTRAST} to 1 needed"
    share = _clipped_share(edge, clipped)
    if share > LARGEST_SATURATED_FRACTION:
        return "edge-clipped", f"{100 * share:.1f} % of the samples beside the edge are at the white level"
    tilt = tilt_deg(edge.along_x, edge.along_y)
    if tilt < SMALLEST_TILT_DEG or tilt > LARGEST_TILT_DEG:
        return "edge-angle", f"tilted by {tilt:.1f} degrees, {SMALLEST_TILT_DEG:.0f} to {LARGEST_TILT_DEG:.0f} needed"
    if edge.bow * block > max(LARGEST_BOW_FRACTION * length, 1.5):
        return "edge-curved", f"bends by {edge.bow * block:.1f} px over {length:.0f} px"
    free = min(edge.free_dark, edge.free_bright) * block
    needed = max(SMALLEST_FREE_PX, 1.5 * edge.rise * block)
    if free < needed:
        return "edge-crowded", f"free ground of {free:.0f} px beside the edge, {needed:.0f} px needed"
    if edge.scatter > 0.6 + 0.25 * edge.rise:
        return "edge-textured", f"its course strays by {edge.scatter * block:.1f} px"
    return None


def _clipped_share(edge: StripEdge, clipped: Image) -> float:
    """Return the share of saturated samples around the edge."""
    reach = min(12.0, max(edge.free_bright, 3.0))
    strip = straighten(
        clipped,
        edge.x,
        edge.y,
        edge.along_x,
        edge.along_y,
        np.arange(edge.start, edge.stop + 0.5),
        np.arange(-min(12.0, max(edge.free_dark, 3.0)), reach),
    )
    beside = strip[np.isfinite(strip)]
    return float(beside.mean()) if beside.size else 0.0


def _full(value: float, block: int) -> float:
    """Return a reduced pixel coordinate in full-size pixels."""
    return (value + 0.5) * block - 0.5


def _as_refused(edge: StripEdge, block: int, flag: str, text: str) -> RefusedEdge:
    x0, y0 = edge.point(edge.start)
    x1, y1 = edge.point(edge.stop)
    return RefusedEdge(_full(x0, block), _full(y0, block), _full(x1, block), _full(y1, block), flag, text)


def _as_candidates(accepted: list[StripEdge], everything: list[StripEdge], block: int) -> tuple[EdgeCandidate, ...]:
    """Return the accepted edges in full-size pixels with their groups."""
    candidates: list[EdgeCandidate] = []
    for edge, member in zip(accepted, group_edges(accepted, everything), strict=True):
        x0, y0 = edge.point(edge.start)
        x1, y1 = edge.point(edge.stop)
        normal = (-edge.along_y, edge.along_x)
        outward = normal if member.patch_is_dark else (-normal[0], -normal[1])
        if abs(outward[0]) > abs(outward[1]):
            side = "right" if outward[0] > 0 else "left"
        else:
            side = "bottom" if outward[1] > 0 else "top"
        candidates.append(
            candidate_from_line(
                _full(x0, block),
                _full(y0, block),
                _full(x1, block),
                _full(y1, block),
                normal,
                min(edge.free_dark, edge.free_bright) * block,
                group=member.group,
                side=side,
                half_width_dark_px=edge.free_dark * block,
                half_width_bright_px=edge.free_bright * block,
                blur_px=edge.rise * block,
                contrast=edge.bright / edge.dark if edge.dark > 0 else math.nan,
                patch_px=member.patch * block,
                patch_is_dark=member.patch_is_dark,
            )
        )
    return tuple(candidates)
