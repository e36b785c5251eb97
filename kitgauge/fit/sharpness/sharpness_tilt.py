"""One side of the frame softer than the other: a tilted target, or a tilted or decentred lens.

A target turned by theta puts places that lie dx pixels apart in the frame at distances that differ by
ds = dx tan(theta) / (pixels per millimetre). Their pictures lie m^2 ds apart in depth (thin lens, longitudinal
magnification; Hecht, Optics, ch. 5, from memory), where the cone of light of f-number N (1 + m) is m dx tan(theta) /
(N (1 + m)) pixels wide: a disc of diameter d has the standard deviation d / 4 along each axis. Where the focus lies is
not known, so this is the most by which the blur of the two sides can differ.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy.optimize import brentq

from kitgauge.fit.sharpness.radial_fall import Levelled
from kitgauge.fit.sharpness.sharpness_contrasts import (
    ERROR_ALLOWANCE,
    Contrast,
    Finding,
    Ratio,
    Table,
    Verdict,
    difference,
    either,
    in_region,
    mean_ratio,
    table_of,
    whole_error,
)
from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint
from kitgauge.fit.sharpness.target_seen import TargetSeen
from kitgauge.measure.edges.diffraction import diffraction_px, system_mtf50
from kitgauge.measure.edges.regions import REGIONS

_SMALLEST_LEAN = 0.3  # of the mean of the pairs that every pair must show for a tilt ...
_LEAN_SIGMA = 3.0  # ... and by which at least two pairs must lean for themselves
_LARGEST_SIGMA_PX = 60.0
_EXPLAINS = 0.8  # share of the blur's difference that the target's tilt must account for to be blamed ...
_EXPLAINS_NOT = 0.5  # ... and under which it is cleared, at the near and the far end of its 95 % interval


def tilt_contrasts(points: Sequence[Levelled], print_error: float) -> list[Contrast]:
    """Compare opposite sides of the frame: each with the corners on it; the mean of the pairs."""
    tables = {region: table_of(points, print_error, in_region(region)) for region in REGIONS}
    contrasts: list[Contrast] = []
    for one, other in (("left", "right"), ("top", "bottom")):
        pairs = [difference(tables[a], tables[a.replace(one, other)]) for a in REGIONS if one in a.split("-")]
        table: Table = {}
        leaning: set[float] = set()
        for f_number in sorted(set().union(*pairs)):
            ratios = [pair[f_number] for pair in pairs if f_number in pair]
            # a single weak corner is no tilt: at least two pairs must lean the same way
            if len(ratios) < 2:
                continue
            table[f_number] = Ratio(
                float(np.mean([ratio.value for ratio in ratios])),
                math.sqrt(sum(ratio.stderr**2 for ratio in ratios)) / len(ratios),
                math.inf,
                math.sqrt(sum(ratio.common**2 for ratio in ratios)) / len(ratios),
            )
            if _lean(ratios):
                leaning.add(f_number)
        if not table:
            continue
        means = [mean_ratio([pair[n] for n in table if n in pair]) for pair in pairs if any(n in pair for n in table)]
        contrasts.append(Contrast("tilt", one, table, either, other, frozenset(leaning), _lean(means)))
    return contrasts


def _lean(pairs: Sequence[Ratio]) -> bool:
    """Tell whether all pairs lean one way, none much less than their mean, and at least two of them for themselves."""
    ratio = np.array([pair.value for pair in pairs])
    error = np.array([whole_error(pair) for pair in pairs])
    mean = float(ratio.mean())
    for_themselves = int(np.sum(np.abs(ratio) > _LEAN_SIGMA * ERROR_ALLOWANCE * error))
    return bool(np.all(ratio * mean > 0) and np.abs(ratio).min() >= _SMALLEST_LEAN * abs(mean)) and for_themselves >= 2


def tilt_finding(
    verdict: Verdict,
    points: Sequence[SharpnessPoint],
    pitch_um: float | None,
    target: TargetSeen | None,
    wavelength_um: float,
    frame_shape: tuple[int, int] | None,
) -> Finding:
    """Return the finding of a side that is softer, with what the target's own tilt has to do with it."""
    cause, words = "", ""
    if target is not None and pitch_um is not None and frame_shape is not None:
        cause, words = _blame(verdict, points, pitch_um, target, wavelength_um, frame_shape)
    if not words:
        words = (
            "Either the target was not square to the camera, or the lens or the sensor is tilted: turn the camera "
            "upside down and shoot again. If the same side of the frame is soft then, it is the camera or the lens."
        )
    text = (
        f"The {verdict.region} side of the frame is {verdict.amount()} softer than the opposite side{verdict.where()}."
    )
    return verdict.finding(f"{text} {words}", z=-abs(verdict.z), cause=cause)  # the side named is the softer one


def _blame(
    verdict: Verdict,
    points: Sequence[SharpnessPoint],
    pitch_um: float,
    target: TargetSeen,
    wavelength_um: float,
    frame_shape: tuple[int, int],
) -> tuple[str, str]:
    """Return ("target", "lens" or "", sentence), two empty strings where the markers do not tell the tilt."""
    sideways = verdict.region in ("left", "right")
    tilt, error = (
        (target.tilt_x_deg, target.tilt_x_stderr_deg) if sideways else (target.tilt_y_deg, target.tilt_y_stderr_deg)
    )
    if not (math.isfinite(tilt) and math.isfinite(error)):
        return "", ""
    hard_side = {"left": "right", "right": "left", "top": "bottom", "bottom": "top"}[verdict.region]
    f_number = verdict.f_number or min(verdict.contrast.table)
    soft = [p for p in points if p.f_number == f_number and verdict.region in p.region.split("-")]
    hard = [p for p in points if p.f_number == f_number and hard_side in p.region.split("-")]
    apart_px = abs(_middle(soft, sideways) - _middle(hard, sideways)) * frame_shape[1 if sideways else 0]
    m = target.magnification(pitch_um)
    acting = f_number * (1.0 + m)
    cutoff = float(diffraction_px(acting, pitch_um, wavelength_um))
    needed = _sigma(soft, cutoff) - _sigma(hard, cutoff)
    least, most = (
        m * apart_px * math.tan(math.radians(angle)) / (4.0 * acting)
        for angle in (max(abs(tilt) - 1.96 * error, 0.0), abs(tilt) + 1.96 * error)
    )
    if not needed > 0:
        return "", ""
    stated = f"The target's markers show that it was turned by {abs(tilt):.1f} ± {error:.1f} degrees that way"
    if most < _EXPLAINS_NOT * needed:
        return "lens", (
            f"{stated}, which cannot make that difference: the lens or the sensor is tilted, or the lens is decentred."
        )
    if least > _EXPLAINS * needed:
        return "target", f"{stated}, which is enough to explain it: set the target square and shoot again."
    return "", (
        f"{stated}, which may explain a part of it or all: set the target square and shoot again, or turn the camera "
        "upside down."
    )


def _middle(points: Sequence[SharpnessPoint], sideways: bool) -> float:
    return float(np.mean([p.x_norm if sideways else p.y_norm for p in points]))


def _sigma(points: Sequence[SharpnessPoint], cutoff_px: float) -> float:
    """Return the normal blur [px] that with diffraction and pixel gives the points' mean MTF50, 0 if none is needed."""
    mtf50 = math.exp(float(np.mean([math.log(p.mtf50_cy_per_px) for p in points])))

    def excess(sigma: float) -> float:
        return float(system_mtf50(cutoff_px, sigma)) - mtf50

    return float(brentq(excess, 0.0, _LARGEST_SIGMA_PX)) if excess(0.0) > 0 > excess(_LARGEST_SIGMA_PX) else 0.0
