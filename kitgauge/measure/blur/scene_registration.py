"""Registration of two frames of one scene: shift, small rotation and scale, from the whole frame and then from tiles.

The reduced frames are compared at a few rotations by phase correlation (Kuglin and Hines, Proc. IEEE Conf. Cybernetics
and Society, 1975, from memory), the best one is refined by maximising the enhanced correlation coefficient (Evangelidis
and Psarakis, IEEE TPAMI 30, 2008, from memory), which does not depend on brightness and contrast. Shifts of single
tiles follow from the phase of their cross spectra and refine the affine map by robust least squares.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Image = NDArray[np.float32]

_SIDE = 512  # long side of the reduced pictures
_SMOOTHED = (1.0, 4.0)  # pixels of them: what a long streak has wiped out must not count as a difference
_TURNS_DEG = (0.0, -1.0, 1.0, -2.0, 2.0, -3.5, 3.5)
_GOOD_CORRELATION = 0.5  # of the aligned reduced pictures, slow parts taken off
_MOST_SHIFT = 0.35  # of the frame
_MOST_SCALE = 0.1
_OUTLIER = 4.0
_LEAST_OUTLIER_PX = 0.5


@dataclass(frozen=True)
class Registration:
    """Where a place of the reference lies in the other frame: (x, y) -> `matrix` (2, 3) applied to (x, y, 1) [px].

    `correlation` is that of the aligned reduced pictures, slow parts taken off (0 to 1).
    """

    matrix: Array
    correlation: float

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Return the place in the other frame [px]."""
        found = self.matrix @ np.array([x, y, 1.0])
        return float(found[0]), float(found[1])


def register(reference: Image, other: Image, shape: tuple[int, int]) -> Registration | None:
    """Return the map from reduced pictures of two frames of `shape`; None where they show no common scene.

    Robust against light, exposure, noise and blur of some percent of the frame; shifts up to a third of the frame,
    rotations up to 4 degrees, scales within 10 %.
    """
    factor = min(1.0, _SIDE / max(reference.shape))
    size = (round(reference.shape[1] * factor), round(reference.shape[0] * factor))
    a, b = (
        np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.float32)
        for picture in (reference, other)
    )
    for smooth in _SMOOTHED:
        found = _affine(*(_flattened(picture, smooth, max(size) / 24.0) for picture in (a, b)))
        if found is not None:
            break
    else:
        return None
    matrix, correlation = found
    # pixel centres at integers: a reduced pixel (x) is the frame's (x + 0.5) scale - 0.5
    scale = shape[1] / size[0]
    offset = 0.5 * scale - 0.5
    full = matrix.copy()
    full[:, 2] = scale * matrix[:, 2] + offset - matrix[:, :2] @ np.array([offset, offset])
    return Registration(full, correlation)


def _affine(a: Image, b: Image) -> tuple[Array, float] | None:
    """Return the affine map between two flattened pictures and their correlation, None where they do not match."""
    size = (a.shape[1], a.shape[0])
    start = _best_turn(a, b)
    best = start, _aligned_correlation(a, b, start)
    for mode in (cv2.MOTION_EUCLIDEAN, cv2.MOTION_AFFINE):
        try:
            criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-5)
            _, moved = cv2.findTransformECC(a, b, best[0].copy(), mode, criteria)
        except cv2.error:
            continue
        refined = np.asarray(moved, dtype=np.float32)
        value = _aligned_correlation(a, b, refined)
        if value > best[1]:
            best = refined, value
    matrix, correlation = np.asarray(best[0], dtype=np.float64), best[1]
    if correlation < _GOOD_CORRELATION * _attenuated(a, b, matrix):
        return None
    if abs(matrix[0, 2]) > _MOST_SHIFT * size[0] or abs(matrix[1, 2]) > _MOST_SHIFT * size[1]:
        return None
    if abs(np.linalg.det(matrix[:, :2]) - 1.0) > 2.0 * _MOST_SCALE:
        return None
    return matrix, correlation


def _flattened(picture: Image, smoothed: float, spread: float) -> Image:
    smooth = cv2.GaussianBlur(picture, (0, 0), smoothed)
    wide = cv2.GaussianBlur(picture, (0, 0), spread)
    # relative to the level around, so that vignetting and light count little
    floor = max(0.05 * float(np.mean(np.abs(wide))), 1e-3)
    return np.asarray((smooth - wide) / np.maximum(wide, floor), dtype=np.float32)


def _best_turn(a: Image, b: Image) -> NDArray[np.float32]:
    hann = cv2.createHanningWindow((a.shape[1], a.shape[0]), cv2.CV_32F)
    middle = ((a.shape[1] - 1) / 2.0, (a.shape[0] - 1) / 2.0)
    best: tuple[float, NDArray[np.float32]] = (-1.0, np.eye(2, 3, dtype=np.float32))
    for turn in _TURNS_DEG:
        turned = cv2.getRotationMatrix2D(middle, turn, 1.0)
        seen = b if turn == 0.0 else cv2.warpAffine(b, turned, (b.shape[1], b.shape[0]), flags=cv2.WARP_INVERSE_MAP)
        # copies: it multiplies its arguments by the window in place where their sides suit a Fourier transform
        (x, y), response = cv2.phaseCorrelate(a.copy(), np.array(seen, dtype=np.float32), hann)
        if response > best[0]:
            start = turned.copy()
            start[:, 2] += turned[:, :2] @ np.array([x, y])
            best = response, np.asarray(start, dtype=np.float32)
    return best[1]


def _aligned(a: Image, b: Image, matrix: NDArray[np.float32] | Array) -> tuple[Array, Array]:
    """Return the values of both pictures where they overlap."""
    size = (a.shape[1], a.shape[0])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    moved = cv2.warpAffine(b, np.asarray(matrix, dtype=np.float32), size, flags=flags)
    seen = cv2.warpAffine(np.ones_like(b), np.asarray(matrix, dtype=np.float32), size, flags=flags) > 0.999
    return a[seen].astype(np.float64), moved[seen].astype(np.float64)


def _aligned_correlation(a: Image, b: Image, matrix: NDArray[np.float32] | Array) -> float:
    one, two = _aligned(a, b, matrix)
    if one.size < 0.2 * a.size or np.std(one) == 0 or np.std(two) == 0:
        return 0.0
    return float(np.corrcoef(one, two)[0, 1])


def _attenuated(a: Image, b: Image, matrix: Array) -> float:
    """Return the correlation to expect of blurred or noisy frames against a clear pair: the smaller contrast's share,
    not below a half."""
    one, two = _aligned(a, b, matrix)
    if one.size == 0:
        return 1.0
    low, high = sorted((float(np.std(one)), float(np.std(two))))
    return max(0.5, low / high) if high > 0 else 1.0


def refine(
    registration: Registration, places: Sequence[tuple[float, float]], shifts: Array, information: Array
) -> tuple[Registration, NDArray[np.bool_]]:
    """Return the map corrected by the shifts (tile, x and y) [px] that tiles around `places` (x, y) still show.

    `information` (tile, 2, 2) weights them by direction. Also which tiles agree. An affine correction where six or more
    tiles allow it, a shift otherwise; tiles that disagree with it, in directions that they tell, are left out one round
    after the other.
    """
    points = np.array([[x, y, 1.0] for x, y in places])
    middle, spread = points[:, :2].mean(axis=0), max(float(np.ptp(points[:, :2], axis=0).max()), 1.0)
    design = np.column_stack([(points[:, :2] - middle) / spread, np.ones(len(points))])
    if len(points) < 6 or np.linalg.matrix_rank(design, tol=1e-3) < 3:
        design = design[:, 2:]
    told = information / np.linalg.eigvalsh(information)[:, -1, None, None]

    def distance_from(predicted: Array) -> Array:
        off = shifts - predicted
        return np.asarray(np.sqrt(np.maximum(np.einsum("ti,tij,tj->t", off, told, off), 0.0)))

    distance = distance_from(np.median(shifts, axis=0))
    keep = distance <= max(8.0, _OUTLIER * 1.4826 * float(np.median(distance)))
    solved = np.zeros((design.shape[1], 2))
    for _ in range(5):
        normal = np.einsum("ta,tij,tb->aibj", design[keep], information[keep], design[keep])
        force = np.einsum("ta,tij,tj->ai", design[keep], information[keep], shifts[keep])
        solved = np.linalg.lstsq(normal.reshape(force.size, force.size), force.ravel(), rcond=1e-9)[0].reshape(-1, 2)
        distance = distance_from(design @ solved)
        limit = max(_LEAST_OUTLIER_PX, _OUTLIER * 1.4826 * float(np.median(distance[keep])))
        now = distance <= limit
        if np.array_equal(now, keep) or np.count_nonzero(now) < design.shape[1] + 1:
            break
        keep = now
    correction = np.zeros((2, 3))
    if design.shape[1] == 3:
        correction[:, :2] = solved[:2].T / spread
        correction[:, 2] = solved[2] - correction[:, :2] @ middle
    else:
        correction[:, 2] = solved[0]
    return Registration(registration.matrix + correction, registration.correlation), keep
