"""What the lens does wrong: differences between places and directions that noise does not explain.

Each comparison is a mean log ratio over the f-numbers with a standard error from the points and, where the f-numbers
scatter more than their errors, from that scatter. A finding is reported where its two-sided probability stays under
1 % after division by the number of comparisons made (Bonferroni) and its size is at least 2 %: smaller differences
have no consequence in a picture and may come from print and alignment.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from scipy import stats

from kitgauge.fit.sharpness_points import SharpnessPoint
from kitgauge.measure.regions import CORNERS, REGIONS

FAMILY_PROBABILITY = 0.01
SMALLEST_SIZE = 0.02


@dataclass(frozen=True)
class Finding:
    """One fault: `size` in `unit`, `z` standard errors from nothing, `text` in plain words."""

    kind: str
    region: str
    size: float
    unit: str
    z: float
    text: str
    probability: float  # after the correction for the number of comparisons

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return asdict(self)


@dataclass(frozen=True)
class _Contrast:
    kind: str
    region: str
    log_ratio: float
    stderr: float
    probability: float
    z: float


def find_faults(points: Sequence[SharpnessPoint]) -> list[Finding]:
    """Return the significant differences: weak corner, tilt, astigmatism; strongest first."""
    good = [
        p for p in points if math.isfinite(p.mtf50_cy_per_px) and p.mtf50_cy_per_px > 0 and p.mtf50_cy_per_px_stderr > 0
    ]
    contrasts = [*_weak_corners(good), *_tilts(good), *_astigmatism(good)]
    findings: list[Finding] = []
    for contrast in contrasts:
        corrected = min(1.0, contrast.probability * len(contrasts))
        size = 1.0 - math.exp(-abs(contrast.log_ratio))
        if corrected < FAMILY_PROBABILITY and size >= SMALLEST_SIZE:
            findings.append(_finding(contrast, size, corrected))
    return sorted(findings, key=lambda finding: -abs(finding.z))


def _table(
    points: Sequence[SharpnessPoint], choose: Callable[[SharpnessPoint], bool]
) -> dict[float, tuple[float, float]]:
    """Return f-number -> (mean ln MTF50, standard error) of the chosen points, both directions weighing the same."""
    table: dict[float, tuple[float, float]] = {}
    for f_number in sorted({point.f_number for point in points}):
        chosen = [p for p in points if p.f_number == f_number and choose(p)]
        if not chosen:
            continue
        logs = [math.log(p.mtf50_cy_per_px) for p in chosen]
        errors = [p.mtf50_cy_per_px_stderr / p.mtf50_cy_per_px for p in chosen]
        table[f_number] = float(np.mean(logs)), math.sqrt(sum(e * e for e in errors)) / len(chosen)
    return table


def _compare(
    kind: str, region: str, first: dict[float, tuple[float, float]], second: dict[float, tuple[float, float]]
) -> _Contrast | None:
    """Return the mean log ratio first/second over the f-numbers both have, None where there are none."""
    shared = sorted(first.keys() & second.keys())
    if not shared:
        return None
    difference = np.array([first[n][0] - second[n][0] for n in shared])
    variance = np.array([first[n][1] ** 2 + second[n][1] ** 2 for n in shared])
    weight = 1.0 / variance
    mean = float(np.sum(weight * difference) / weight.sum())
    error = math.sqrt(1.0 / weight.sum())
    freedom = len(shared) - 1
    probability_of = stats.norm.sf
    if freedom > 0:
        chi_square = float(np.sum(weight * (difference - mean) ** 2)) / freedom
        error *= math.sqrt(max(1.0, chi_square))
    z = mean / error
    return _Contrast(kind, region, mean, error, float(2.0 * probability_of(abs(z))), z)


def _weak_corners(points: Sequence[SharpnessPoint]) -> list[_Contrast]:
    """Compare each corner with the other corners together; only a softer one counts."""
    tables = {corner: _table(points, lambda p, c=corner: p.region == c) for corner in CORNERS}  # type: ignore[misc]
    present = [corner for corner in CORNERS if tables[corner]]
    if len(present) < 3:
        return []
    contrasts: list[_Contrast] = []
    for corner in present:
        others: dict[float, tuple[float, float]] = {}
        for f_number in tables[corner]:
            values = [tables[c][f_number] for c in present if c != corner and f_number in tables[c]]
            if len(values) >= 2:
                others[f_number] = (
                    float(np.mean([v[0] for v in values])),
                    math.sqrt(sum(v[1] ** 2 for v in values)) / len(values),
                )
        contrast = _compare("weak-corner", corner, tables[corner], others)
        if contrast is not None and contrast.log_ratio < 0:
            contrasts.append(contrast)
    return contrasts


def _tilts(points: Sequence[SharpnessPoint]) -> list[_Contrast]:
    """Compare opposite sides of the frame: each with the corners on it."""
    contrasts: list[_Contrast] = []
    for one, other in (("left", "right"), ("top", "bottom")):
        pairs = [(a, a.replace(one, other)) for a in REGIONS if one in a.split("-")]
        means: list[_Contrast] = []
        for a, b in pairs:
            table_a = _table(points, lambda p, r=a: p.region == r)  # type: ignore[misc]
            table_b = _table(points, lambda p, r=b: p.region == r)  # type: ignore[misc]
            contrast = _compare("tilt", one, table_a, table_b)
            if contrast is not None:
                means.append(contrast)
        # a single weak corner is no tilt: at least two pairs must lean the same way
        if len(means) < 2 or len({contrast.log_ratio > 0 for contrast in means}) > 1:
            continue
        mean = float(np.mean([contrast.log_ratio for contrast in means]))
        error = math.sqrt(sum(contrast.stderr**2 for contrast in means)) / len(means)
        if min(abs(contrast.log_ratio) for contrast in means) < 0.3 * abs(mean):
            continue
        z = mean / error
        softer = one if mean < 0 else other
        contrasts.append(_Contrast("tilt", softer, -abs(mean), error, float(2.0 * stats.norm.sf(abs(z))), -abs(z)))
    return contrasts


def _astigmatism(points: Sequence[SharpnessPoint]) -> list[_Contrast]:
    """Compare the two edge directions of each region."""
    contrasts: list[_Contrast] = []
    for region in REGIONS:
        both = [
            _table(points, lambda p, r=region, o=o: p.region == r and p.orientation == o)  # type: ignore[misc]
            for o in ("vertical", "horizontal")
        ]
        contrast = _compare("astigmatism", region, both[0], both[1])
        if contrast is not None:
            contrasts.append(contrast)
    return contrasts


def _finding(contrast: _Contrast, size: float, probability: float) -> Finding:
    percent = 100.0 * size
    error = 100.0 * contrast.stderr * (1.0 - size)
    amount = f"{percent:.0f} % (± {error:.1f})"
    if contrast.kind == "weak-corner":
        text = (
            f"The {contrast.region} corner is {amount} softer than the other corners. A decentred lens does this; so "
            "does a target that stands closer or farther on that side: turn the camera upside down and shoot again."
        )
    elif contrast.kind == "tilt":
        text = (
            f"The {contrast.region} side of the frame is {amount} softer than the opposite side. Either the target was "
            "not square to the camera or the lens is tilted: turn the camera upside down and shoot again."
        )
    else:
        worse = "vertical" if contrast.log_ratio < 0 else "horizontal"
        place = "the centre" if contrast.region == "centre" else f"the {contrast.region} of the frame"
        text = (
            f"In {place} {worse} edges are {amount} softer than edges in the other direction: astigmatism, or "
            "vibration in one direction."
        )
    return Finding(contrast.kind, contrast.region, percent, "%", contrast.z, text, probability)
