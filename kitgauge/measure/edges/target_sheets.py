"""From markers to sheets: which markers lie on one sheet, where the sheet lies, how the lens distorts.

Coordinates here are those of the picture. A sheet is a plane, so a homography takes its millimetres to the picture
(Hartley and Zisserman, Multiple View Geometry, chapter 4) once radial distortion is taken away. The distortion
is one number for all sheets of a frame, found with the homographies (variable projection, Golub and Pereyra, SIAM J.
Numer. Anal. 10, 1973): seen = middle + (straight - middle) (1 + k rho^2), rho the straight distance from the middle of
the frame in half diagonals (Brown, Photogrammetric Engineering 37, 1971, first radial term): k is the share by which a
corner is displaced.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.target_markers import MarkerSeen, agreement, refine_corners
from kitgauge.target.layout import MARKERS, Design, designs_told, marker_code, marker_digits, sheet_layout

Array = NDArray[np.float64]

LEAST_MARKERS = 2
_STRAY = 0.35  # corners may lie this far from their sheet's, in markers
_STRAY_OF_PAIR = 0.8  # the same for a sheet that is known by two markers only
_LARGEST_RESIDUAL = 0.12  # root mean square of a sheet's corners, in markers, distortion still in it
_LARGEST_RESIDUAL_OF_PAIR = 0.03
_LARGEST_DEPTH_RATIO = 1.6
_MOST_PAIRS = 80
_LEAST_GUIDED_AGREEMENT = 0.75
_LARGEST_DISTORTION_STDERR = 0.003
_STANDARD_DIGITS = 3


@dataclass(frozen=True)
class Placed:
    """One sheet in the picture: its markers' corners (marker, 4, 2) [px of the picture]; `to_flat` takes mm to picture
    coordinates without distortion; `residual` are the corners' deviations (marker, 4, 2)."""

    sheet: int
    design: Design
    positions: tuple[int, ...]
    corners: Array
    to_flat: Array
    residual: Array


@dataclass(frozen=True)
class Distortion:
    """k of the module's text with its standard error; `k` is 0 and `known` false where the markers cannot tell."""

    k: float
    stderr: float
    known: bool


def find_placed(image: NDArray[np.uint8], markers: Sequence[MarkerSeen]) -> tuple[list[Placed], Distortion]:
    """Return the sheets that the markers of an 8-bit picture make, largest first, and the lens's distortion."""
    groups = [group for sheet in sorted({m.sheet for m in markers}) for group in _sheets_of(sheet, markers)]
    if not groups:
        return [], Distortion(0.0, math.nan, known=False)
    distortion = _distortion(groups, image.shape)
    groups = [_complete(image, group, distortion) for group in groups]
    groups = [_without_strays(group, image.shape, distortion) for group in groups]
    distortion = _distortion(groups, image.shape, distortion.k, passes=2)
    placed = [_fitted(group, image.shape, distortion) for group in groups]
    placed = [group for group in placed if len(group.positions) >= LEAST_MARKERS]
    placed.sort(key=lambda group: (-len(group.positions), -_size(group)))
    apart = [group for index, group in enumerate(placed) if not any(_on_one_place(group, o) for o in placed[:index])]
    return sorted(apart, key=lambda group: -_size(group)), distortion


def _on_one_place(group: Placed, other: Placed) -> bool:
    """Tell whether two groups of markers are one sheet, seen twice."""
    middle, there = (
        project(one.to_flat, np.array([one.design.width_mm / 2, one.design.height_mm / 2])) for one in (group, other)
    )
    return float(np.hypot(*(middle - there))) < 0.3 * math.sqrt(_size(other)) * other.design.height_mm


def _size(group: Placed) -> float:
    middle = np.array([[[group.design.width_mm / 2, group.design.height_mm / 2]]])
    return float(abs(np.linalg.det(jacobian(group.to_flat, middle[0, 0]))))


# Which markers belong together


def _sheets_of(sheet: int, markers: Sequence[MarkerSeen]) -> list[Placed]:
    """Return all sheets of one number: copies of it, and sheets of other designs."""
    found = []
    for digit in range(_STANDARD_DIGITS + 1):
        left = [m for m in markers if m.sheet == sheet and min(m.digit, _STANDARD_DIGITS) == digit]
        while len({m.position for m in left}) >= LEAST_MARKERS:
            group = _largest_group(sheet, left)
            if group is None:
                break
            found.append(group)
            used = {corners.tobytes() for corners in group.corners}
            left = [m for m in left if m.corners.tobytes() not in used]
    return found


def _largest_group(sheet: int, markers: Sequence[MarkerSeen]) -> Placed | None:
    """Return the largest set of markers that one plane explains, None where no two agree."""
    digits = {
        m.position: Counter(o.digit for o in markers if o.position == m.position).most_common(1)[0][0] for m in markers
    }
    best: Placed | None = None
    designs = designs_told(digits)
    if len(digits) == len(markers):
        for design in designs:
            group = _agreeing(sheet, design, markers, markers)
            if group is not None and _better(group, best):
                best = group
        if best is not None and len(best.positions) == len(markers):
            return best
    pairs = sorted(
        ((a, b) for a, b in combinations(markers, 2) if a.position != b.position),
        key=lambda pair: float(np.hypot(*(pair[0].corners.mean(axis=0) - pair[1].corners.mean(axis=0)))),
    )[:_MOST_PAIRS]
    # (many designs are possible only where few markers tell: fewer pairs then, so that nothing takes seconds)
    for pair in pairs[: max(3, 2 * _MOST_PAIRS // max(1, len(designs)))]:
        for design in designs:
            group = _agreeing(sheet, design, pair, markers)
            if group is not None and _better(group, best):
                best = group
    return best


def _better(group: Placed, best: Placed | None) -> bool:
    if best is None or len(group.positions) != len(best.positions):
        return best is None or len(group.positions) > len(best.positions)
    return float(np.square(group.residual).mean()) < float(np.square(best.residual).mean())


def _agreeing(sheet: int, design: Design, start: Sequence[MarkerSeen], markers: Sequence[MarkerSeen]) -> Placed | None:
    """Return the markers that agree with the plane through `start`, after refitting to them; None if fewer than two."""
    chosen = list(start)
    for _ in range(4):
        if len({m.position for m in chosen}) < LEAST_MARKERS:
            return None
        matrix = _homography(
            marker_corners(design, [m.position for m in chosen]), np.array([m.corners for m in chosen])
        )
        if matrix is None:
            return None
        if not _plausible(matrix, design):
            return None
        limit = _STRAY_OF_PAIR if len(chosen) <= LEAST_MARKERS else _STRAY
        nearest: dict[int, tuple[float, MarkerSeen]] = {}
        predicted = project(matrix, marker_corners(design, [m.position for m in markers]))
        for marker, place in zip(markers, predicted, strict=True):
            size = float(np.hypot(*(marker.corners[2] - marker.corners[0]))) / math.sqrt(2.0)
            off = float(np.hypot(*(place - marker.corners).T).max()) / size
            if off < limit and off < nearest.get(marker.position, (math.inf,))[0]:
                nearest[marker.position] = off, marker
        again = [marker for _, marker in nearest.values()]
        if {id(m) for m in again} == {id(m) for m in chosen}:
            break
        chosen = again
    if len(chosen) < LEAST_MARKERS:
        return None
    positions = tuple(m.position for m in chosen)
    corners = np.array([m.corners for m in chosen])
    points = marker_corners(design, positions)
    matrix = _homography(points, corners)
    if matrix is None or not _plausible(matrix, design):
        return None
    residual = project(matrix, points) - corners
    size = float(np.linalg.norm(corners[:, 2] - corners[:, 0], axis=-1).mean()) / math.sqrt(2.0)
    limit = _LARGEST_RESIDUAL_OF_PAIR if len(chosen) <= LEAST_MARKERS else _LARGEST_RESIDUAL
    if float(np.sqrt(np.square(residual).mean())) > limit * size:
        return None
    return Placed(sheet, design, positions, corners, matrix, residual)


def _plausible(matrix: Array, design: Design) -> bool:
    """Tell whether a sheet may look like this: not mirrored, and no part of it much nearer than another."""
    right, low = design.width_mm, design.height_mm
    depth = [float(matrix[2] @ (x, y, 1.0)) for x, y in ((0.0, 0.0), (right, 0.0), (right, low), (0.0, low))]
    middle = jacobian(matrix, np.array([right / 2, low / 2]))
    return min(depth) > 0 and max(depth) < _LARGEST_DEPTH_RATIO * min(depth) and float(np.linalg.det(middle)) > 0


def marker_corners(design: Design, positions: Sequence[int]) -> Array:
    """Return (marker, 4, 2) the corners [mm] of the markers at `positions`."""
    return _lattice(design)[list(positions)]


@lru_cache(maxsize=256)
def _lattice(design: Design) -> Array:
    return np.array([marker.box.corners for marker in sheet_layout(design).markers], dtype=np.float64)


# Planes and distortion


def _homography(points_mm: Array, points_px: Array) -> Array | None:
    """Return the plane's homography by the normalised direct linear transformation (Hartley and Zisserman, 4.4)."""
    flat, seen = points_mm.reshape(-1, 2), points_px.reshape(-1, 2)
    if len(flat) < 4:
        return None
    scaled, there = _normalised(flat)
    aims, here = _normalised(seen)
    x, y, u, v = *scaled.T, *aims.T
    one, nothing = np.ones_like(x), np.zeros_like(x)
    rows = np.concatenate(
        [
            np.stack([x, y, one, nothing, nothing, nothing, -u * x, -u * y, -u], axis=1),
            np.stack([nothing, nothing, nothing, x, y, one, -v * x, -v * y, -v], axis=1),
        ]
    )
    solution = np.linalg.eigh(rows.T @ rows)[1][:, 0].reshape(3, 3)
    matrix = np.linalg.inv(here) @ solution @ there
    if not np.isfinite(matrix).all() or abs(matrix[2, 2]) < 1e-12 * np.abs(matrix).max():
        return None
    return np.asarray(matrix / matrix[2, 2])


def _normalised(points: Array) -> tuple[Array, Array]:
    """Return points moved and scaled to mean 0 and mean distance sqrt(2), and the matrix that does it."""
    middle = points.mean(axis=0)
    scale = math.sqrt(2.0) / max(float(np.hypot(*(points - middle).T).mean()), 1e-12)
    return (points - middle) * scale, np.array(
        [[scale, 0, -scale * middle[0]], [0, scale, -scale * middle[1]], [0, 0, 1.0]]
    )


def project(matrix: Array, points: Array) -> Array:
    """Return points (..., 2) put through a homography."""
    x, y = points[..., 0], points[..., 1]
    w = matrix[2, 0] * x + matrix[2, 1] * y + matrix[2, 2]
    return np.stack(
        [
            (matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2]) / w,
            (matrix[1, 0] * x + matrix[1, 1] * y + matrix[1, 2]) / w,
        ],
        axis=-1,
    )


def jacobian(matrix: Array, point: Array) -> Array:
    """Return (2, 2) the derivative of a homography at a point: [px per mm]."""
    w = float(matrix[2, :2] @ point + matrix[2, 2])
    value = project(matrix, point)
    return np.asarray((matrix[:2, :2] - np.outer(value, matrix[2, :2])) / w)


def distorted(points: Array, shape: tuple[int, int], k: float) -> Array:
    """Return where a lens of distortion `k` puts straight places (..., 2)."""
    middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    rho = np.linalg.norm(points - middle, axis=-1, keepdims=True) / (0.5 * math.hypot(*shape))
    return np.asarray(middle + (points - middle) * (1.0 + k * rho**2))


def flattened(points: Array, shape: tuple[int, int], k: float) -> Array:
    """Return seen places (..., 2) without distortion: the inverse of `distorted`, by Newton's steps."""
    middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    seen = np.linalg.norm(points - middle, axis=-1) / (0.5 * math.hypot(*shape))
    rho = seen.copy()
    for _ in range(6):
        rho -= (rho * (1.0 + k * rho**2) - seen) / np.maximum(1.0 + 3.0 * k * rho**2, 0.2)
    return np.asarray(middle + (points - middle) * np.where(seen > 1e-9, rho / np.maximum(seen, 1e-9), 1.0)[..., None])


def _fitted(group: Placed, shape: tuple[int, ...], distortion: Distortion) -> Placed:
    flat = flattened(group.corners, (shape[0], shape[1]), distortion.k)
    points = marker_corners(group.design, group.positions)
    matrix = _homography(points, flat)
    if matrix is None:
        return group
    return replace(group, to_flat=matrix, residual=_without_growth(project(matrix, points) - flat, flat))


def _without_growth(residual: Array, corners: Array) -> Array:
    """Return deviations (marker, 4, 2) without what makes all markers larger or smaller alike.

    Ink that spreads and blur that rounds corners do that; it moves no sheet.
    """
    outward = corners - corners.mean(axis=1, keepdims=True)
    outward /= np.linalg.norm(outward, axis=-1, keepdims=True)
    growth = float((residual * outward).sum(axis=-1).mean())
    return np.asarray(residual - growth * outward)


def _distortion(groups: Sequence[Placed], shape: tuple[int, ...], k: float = 0.0, passes: int = 1) -> Distortion:
    """Return the distortion that leaves the least residuals, where its standard error is small enough to serve.

    Gauss's steps from `k`; the residuals are nearly linear in it.
    """
    unknown = Distortion(0.0, math.nan, known=False)

    def residuals(k: float) -> Array:
        fits = [_fitted(group, shape, Distortion(k, 0.0, known=True)) for group in groups]
        return np.concatenate([fit.residual.ravel() for fit in fits])

    step = 0.002
    free = sum(8 * len(group.positions) - 8 for group in groups) - 1
    if free < 8:
        return unknown
    power = math.nan
    for _ in range(passes):
        here = residuals(k)
        slope = (residuals(k + step) - here) / step
        power = float(slope @ slope)
        if not power > 0:
            return unknown
        k -= float(slope @ here) / power
        if not abs(k) < 0.3:
            return unknown
    here = residuals(k)
    variance = float(here @ here) / free / power
    stderr = math.sqrt(variance)
    return Distortion(k, stderr, known=True) if stderr < _LARGEST_DISTORTION_STDERR else replace(unknown, stderr=stderr)


# Markers that the search missed, and those that do not fit


def _complete(image: NDArray[np.uint8], group: Placed, distortion: Distortion) -> Placed:
    """Return the sheet with the markers that were not found by themselves but are where they should be."""
    shape = image.shape[0], image.shape[1]
    fit = _fitted(group, shape, distortion)
    missing = [position for position in range(MARKERS) if position not in group.positions]
    if not missing:
        return fit
    expected = distorted(project(fit.to_flat, marker_corners(group.design, missing)), shape, distortion.k)
    within = ((expected > 2) & (expected < (shape[1] - 3, shape[0] - 3))).all(axis=(1, 2))
    places = [missing[index] for index in np.flatnonzero(within)]
    if not places:
        return fit
    expected = expected[within]
    refined = refine_corners(image, expected)
    size = np.linalg.norm(expected[:, 2] - expected[:, 0], axis=-1) / math.sqrt(2.0)
    near = np.linalg.norm(refined - expected, axis=-1).max(axis=1) < 0.25 * size
    digits = marker_digits(group.design)
    codes = np.array([marker_code(group.sheet, position, digits[position]) for position in places])
    good = np.flatnonzero(near & (agreement(image, refined, codes) >= _LEAST_GUIDED_AGREEMENT))
    added = tuple(places[index] for index in good)
    corners = np.concatenate([group.corners, refined[good]])
    return _fitted(replace(group, positions=group.positions + added, corners=corners), shape, distortion)


def _without_strays(group: Placed, shape: tuple[int, ...], distortion: Distortion) -> Placed:
    """Return the sheet without markers that lie far off the others' plane, compared with the typical deviation."""
    for _ in range(2):
        if len(group.positions) < 5:
            return group
        off = np.sqrt(np.square(group.residual).sum(axis=-1).mean(axis=-1))
        keep = [value <= 4.0 * float(np.median(off)) + 0.05 for value in off.tolist()]
        if all(keep):
            return group
        kept = tuple(position for position, fits in zip(group.positions, keep, strict=True) if fits)
        group = _fitted(replace(group, positions=kept, corners=group.corners[keep]), shape, distortion)
    return group
