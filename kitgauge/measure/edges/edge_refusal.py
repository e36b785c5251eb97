"""Which of the edges that were followed can be measured, and why the others cannot."""

from __future__ import annotations

import math

import numpy as np

from kitgauge.measure.edges.edge_strip import StripEdge, straighten
from kitgauge.measure.edges.search_picture import SearchPicture

SHORTEST_USABLE_PX = 30.0
SMALLEST_TILT_DEG = 1.0
LARGEST_TILT_DEG = 43.0
SMALLEST_CONTRAST = 1.25
SMALLEST_FREE_PX = 8.0
LARGEST_SATURATED_FRACTION = 0.001
# A lens with radial distortion D at the corner (half diagonal R) bends a line by at most about 6 D/R (second derivative
# of D r^3/R^2): 5 % is more than any lens for straight lines has
LARGEST_CURVATURE = 0.3  # times R
LARGEST_PATCH_BOW = 0.03  # of the length, for a side of a closed patch: a fisheye bends those
_BOW_TOLERANCE_PX = 0.6
LARGEST_TEXTURE = 0.025  # of the contrast
LARGEST_WANDER_PX = 0.25  # of long parts of the edge
LARGEST_RAGGEDNESS_PX = 0.5  # of single rows


def reason_against(
    edge: StripEdge, picture: SearchPicture, shortest_px: float, *, of_patch: bool
) -> tuple[str, str] | None:
    """Return (flag, reason in plain words) where the edge cannot be measured, None where it can.

    `of_patch`: the edge is a side of a patch of which at least three sides were seen.
    """
    block = picture.block
    length = (edge.stop - edge.start) * block
    rise, bow = edge.rise * block, edge.bow * block
    most = _BOW_TOLERANCE_PX + 0.05 * rise + LARGEST_CURVATURE * length**2 / (4.0 * math.hypot(*picture.shape))
    if of_patch:
        most = max(most, LARGEST_PATCH_BOW * length)
    curved = "edge-curved", f"bends by {bow:.1f} px over {length:.0f} px"
    if length < shortest_px:
        if bow > most:  # a disc is cut into short pieces because it bends
            return curved
        return "edge-short", f"{length:.0f} px long, {shortest_px:.0f} px needed"
    contrast = edge.bright / edge.dark if edge.dark > 0 else math.inf
    if contrast < SMALLEST_CONTRAST:
        return "low-contrast", f"contrast {contrast:.2f} to 1, {SMALLEST_CONTRAST} to 1 needed"
    share = _clipped_share(edge, picture)
    if share > LARGEST_SATURATED_FRACTION:
        return "edge-clipped", f"{100 * share:.1f} % of the samples beside the edge are at the white level"
    tilt = tilt_deg(edge.along_x, edge.along_y)
    if tilt < SMALLEST_TILT_DEG or tilt > LARGEST_TILT_DEG:
        return "edge-angle", f"tilted by {tilt:.1f} degrees, {SMALLEST_TILT_DEG:.0f} to {LARGEST_TILT_DEG:.0f} needed"
    if bow > most:
        return curved
    free = min(edge.free_dark, edge.free_bright) * block
    needed = max(SMALLEST_FREE_PX, 1.5 * rise)
    if free < needed:
        return "edge-crowded", f"free ground of {free:.0f} px beside the edge, {needed:.0f} px needed"
    rows, parts = edge.stray.rows * block, edge.stray.parts * block
    if parts > LARGEST_WANDER_PX + 0.05 * rise or rows > LARGEST_RAGGEDNESS_PX + 0.05 * rise:
        return "edge-textured", f"its course strays by {max(rows, parts):.1f} px"
    if edge.texture > LARGEST_TEXTURE:
        return "edge-textured", f"the ground beside it is rough: {100 * edge.texture:.0f} % of the contrast"
    return None


def tilt_deg(along_x: float, along_y: float) -> float:
    """Return the angle of a direction to the nearest axis [degrees], 0 to 45."""
    angle = math.degrees(math.atan2(abs(along_y), abs(along_x)))
    return min(angle, 90.0 - angle)


def _clipped_share(edge: StripEdge, picture: SearchPicture) -> float:
    """Return the share of saturated samples around the edge."""
    if picture.clipped is None:
        return 0.0
    strip = straighten(
        picture.clipped,
        edge.x,
        edge.y,
        edge.along_x,
        edge.along_y,
        np.arange(edge.start, edge.stop + 0.5),
        np.arange(-min(12.0, max(edge.free_dark, 3.0)), min(12.0, max(edge.free_bright, 3.0))),
    )
    beside = strip[np.isfinite(strip)]
    return float(beside.mean()) if beside.size else 0.0
