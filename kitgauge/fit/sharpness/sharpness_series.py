"""One curve of points per region, though a region holds several patches and two edge directions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint

Array = NDArray[np.float64]

_SAME_PATCH_NORM = 0.06  # patches of two f-numbers are one within this share of the frame
_SAME_F_NUMBER_STOPS = 0.05


@dataclass(frozen=True)
class RegionSeries:
    """MTF50 [cy/px] and its standard error per f-number (rising) of one region."""

    region: str
    f_number: Array
    mtf50: Array
    stderr: Array
    patches: int  # patch and direction combinations behind it
    inconsistency: float  # reduced chi-square of the patches against one common shape, NaN with one patch
    dropped: tuple[str, ...]


def same_patch(points: Sequence[SharpnessPoint]) -> list[list[SharpnessPoint]]:
    """Return the points sorted into patches: same direction and place, by its name or within 6 % of the frame."""
    patches: list[list[SharpnessPoint]] = []
    for point in points:
        for patch in patches:
            other = patch[0]
            taken = any(_same_f_number(point.f_number, known.f_number) for known in patch)
            if other.orientation == point.orientation and _same_place(other, point) and not taken:
                patch.append(point)
                break
        else:
            patches.append([point])
    return patches


def _same_place(one: SharpnessPoint, two: SharpnessPoint) -> bool:
    if one.place and two.place:
        return one.place == two.place
    return math.hypot(one.x_norm - two.x_norm, one.y_norm - two.y_norm) < _SAME_PATCH_NORM


def _same_f_number(a: float, b: float) -> bool:
    return abs(2.0 * math.log2(a / b)) < _SAME_F_NUMBER_STOPS


def region_series(region: str, points: Sequence[SharpnessPoint]) -> RegionSeries:
    """Return one value per f-number from all patches and directions of a region.

    Where every patch was measured at every f-number, their geometric mean: every patch weighs the same everywhere,
    so the curve is the mean of their curves and its error is that of the points alone. Else ln MTF50 of patch s at
    f-number N is m_N + k_s with sum k_s = 0 over the patches seen at most f-numbers, by weighted least squares: a patch
    that is missing at one f-number hardly moves the curve there, and where the patches disagree about the shape by more
    than their errors the errors are widened by the root of the reduced chi-square.
    """
    good = [p for p in points if p.mtf50_cy_per_px > 0 and p.mtf50_cy_per_px_stderr > 0]
    dropped = tuple(
        f"f/{p.f_number:.3g} {p.orientation}: MTF50 or its error not known" for p in points if p not in good
    )
    if not good:
        empty = np.empty(0)
        return RegionSeries(region, empty, empty, empty, 0, math.nan, dropped)
    f_numbers: list[float] = []
    for value in sorted(p.f_number for p in good):
        if not f_numbers or not _same_f_number(value, f_numbers[-1]):
            f_numbers.append(value)
    patches = same_patch(good)
    count_n, count_s = len(f_numbers), len(patches)
    rows = [
        (int(np.argmin([abs(math.log(p.f_number / n)) for n in f_numbers])), s, p)
        for s, patch in enumerate(patches)
        for p in patch
    ]
    design = np.zeros((len(rows), count_n + count_s))
    right = np.zeros(len(rows))
    for row, (n, s, p) in enumerate(rows):
        weight = p.mtf50_cy_per_px / p.mtf50_cy_per_px_stderr
        design[row, n] = design[row, count_n + s] = weight
        right[row] = weight * math.log(p.mtf50_cy_per_px)
    # patches seen at fewer than half of the f-numbers have no say in the mean level: their offset is uncertain
    most = max(len(patch) for patch in patches)
    seen = np.array([float(2 * len(patch) >= most) for patch in patches])
    constraint = np.concatenate([np.zeros(count_n), seen]) * (1e3 * np.abs(design).max() / seen.sum())
    information = design.T @ design + np.outer(constraint, constraint)
    covariance = np.linalg.pinv(information, rcond=1e-14, hermitian=True)
    solution = covariance @ (design.T @ right)
    misfit = right - design @ solution
    freedom = len(rows) - count_n - count_s + 1
    reduced = float(misfit @ misfit) / freedom if freedom > 0 else math.nan
    scale = max(1.0, reduced) if freedom > 0 else 1.0
    if all(len(patch) == count_n for patch in patches):
        ordered = [sorted(patch, key=lambda p: p.f_number) for patch in patches]
        logs = np.array([[math.log(p.mtf50_cy_per_px) for p in patch] for patch in ordered])
        errors = np.array([[p.mtf50_cy_per_px_stderr / p.mtf50_cy_per_px for p in patch] for patch in ordered])
        mtf50 = np.exp(logs.mean(axis=0))
        stderr = mtf50 * np.sqrt(np.sum(errors**2, axis=0)) / count_s
        return RegionSeries(region, np.array(f_numbers), mtf50, stderr, count_s, reduced, dropped)
    mtf50 = np.exp(solution[:count_n])
    stderr = mtf50 * np.sqrt(np.diag(covariance)[:count_n] * scale)
    return RegionSeries(region, np.array(f_numbers), mtf50, stderr, count_s, reduced, dropped)
