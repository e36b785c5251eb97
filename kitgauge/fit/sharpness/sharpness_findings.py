"""What the lens does wrong: differences between places and directions that noise does not explain.

The tests and what makes a finding are in `sharpness_contrasts`; this module puts the comparisons together: weak corners
and a soft centre (here), tilt (`sharpness_tilt`), astigmatism and decentring (`sharpness_astigmatism`), and files
sharper than optics allow (`sharpness_ceiling`). Comparisons between places and directions share one family of tests,
whose false alarms stay under 1 % of the sweeps.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from kitgauge.fit.sharpness.print_scatter import print_error
from kitgauge.fit.sharpness.radial_fall import Levelled, levelled
from kitgauge.fit.sharpness.sharpness_astigmatism import astigmatism_findings, field_of_astigmatism, region_astigmatism
from kitgauge.fit.sharpness.sharpness_ceiling import sharpened_finding
from kitgauge.fit.sharpness.sharpness_contrasts import (
    Contrast,
    Finding,
    Ratio,
    Table,
    Verdict,
    count_tests,
    difference,
    in_region,
    judge,
    significant,
    softer,
    table_of,
)
from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint
from kitgauge.fit.sharpness.sharpness_tilt import tilt_contrasts, tilt_finding
from kitgauge.fit.sharpness.target_seen import TargetSeen
from kitgauge.measure.edges.diffraction import GREEN_WAVELENGTH_UM
from kitgauge.measure.edges.regions import CORNERS

__all__ = ["Finding", "find_faults"]

_FEWEST_CORNERS = 3
_MEDIAN_OF_THREE_VARIANCE = 1.0 - math.sqrt(3.0) / math.pi  # normal values of variance 1 (Jones 1948, from memory)


def find_faults(
    points: Sequence[SharpnessPoint],
    pitch_um: float | None = None,
    target: TargetSeen | None = None,
    wavelength_um: float = GREEN_WAVELENGTH_UM,
    frame_shape: tuple[int, int] | None = None,
) -> list[Finding]:
    """Return the significant faults, strongest first.

    A corner on the soft side of a tilt counts as weak only where it is softer than the tilt makes that side; so does
    the astigmatism of one region where the whole frame explains it. `pitch_um` (with `target`, what the target's
    markers tell of distance and tilt, and `frame_shape`, rows and columns) lets a tilt of the target be told from one
    of the lens, and files be compared with what the optics allow.
    """
    good = [
        p for p in points if math.isfinite(p.mtf50_cy_per_px) and p.mtf50_cy_per_px > 0 and p.mtf50_cy_per_px_stderr > 0
    ]
    if not good:
        return []
    error = print_error(good)
    level = levelled(good, frame_shape)
    corners, tilts, centre = _weak_corners(level, error), tilt_contrasts(level, error), _soft_centre(level, error)
    field = field_of_astigmatism(good, error, frame_shape)
    regions = region_astigmatism(good, error)
    tests = sum(count_tests(contrast) for contrast in (*corners, *tilts, *centre, *field, *regions))
    leaning = significant(tilts, tests)
    weak = [
        verdict
        for verdict in significant(corners, tests)
        if not _explained(verdict.contrast.region, leaning, level, tests, error)
    ]
    found = [_weak_corner_finding(verdict) for verdict in weak]
    found += [tilt_finding(verdict, good, pitch_um, target, wavelength_um, frame_shape) for verdict in leaning]
    found += [_soft_centre_finding(verdict) for verdict in significant(centre, tests)]
    found += astigmatism_findings(field, good, error, tests, frame_shape)
    magnification = 0.0 if target is None else target.magnification(pitch_um)
    raw = [point for point in good if "rendered" not in point.flags]  # developed pictures are sharpened, and say so
    sharpened = sharpened_finding(raw, pitch_um, wavelength_um, magnification)
    if sharpened is not None:
        found.append(sharpened)
    return sorted(found, key=lambda finding: -abs(finding.z))


def _weak_corners(points: Sequence[Levelled], error: float) -> list[Contrast]:
    """Compare each corner with the median of the others, which one other odd corner does not move."""
    tables = {corner: table_of(points, error, in_region(corner)) for corner in CORNERS}
    present = [corner for corner in CORNERS if tables[corner]]
    contrasts: list[Contrast] = []
    for corner in present:
        others: Table = {}
        for f_number in tables[corner]:
            values = [tables[c][f_number] for c in present if c != corner and f_number in tables[c]]
            if len(values) >= 2:
                share = (_MEDIAN_OF_THREE_VARIANCE if len(values) == 3 else 0.5) / len(values)
                others[f_number] = Ratio(
                    float(np.median([v.value for v in values])),
                    math.sqrt(share * sum(v.stderr**2 for v in values)),
                    math.inf,
                    math.sqrt(share * sum(v.common**2 for v in values)),
                )
        table = difference(tables[corner], others)
        if table:
            contrasts.append(Contrast("weak-corner", corner, table, softer))
    return contrasts


def _soft_centre(points: Sequence[Levelled], error: float) -> list[Contrast]:
    """Compare the centre with the mean of the corners, where three of them were measured."""
    corners = [table_of(points, error, in_region(corner)) for corner in CORNERS]
    mean: Table = {}
    for f_number in sorted(set().union(*corners)):
        own = [table[f_number] for table in corners if f_number in table]
        if len(own) >= _FEWEST_CORNERS:
            stderr, common = (
                math.sqrt(sum(getattr(ratio, name) ** 2 for ratio in own)) / len(own) for name in ("stderr", "common")
            )
            mean[f_number] = Ratio(float(np.mean([ratio.value for ratio in own])), stderr, math.inf, common)
    table = difference(table_of(points, error, in_region("centre")), mean)
    return [Contrast("field-curvature", "centre", table, softer)] if table else []


def _soft_centre_finding(verdict: Verdict) -> Finding:
    return verdict.finding(
        f"The centre is {verdict.amount()} softer than the corners{verdict.where()}. Lenses are sharpest in the "
        "centre, so the focus lay better for the corners: the field is curved, and the focus was missed in the centre "
        "or set elsewhere. Which way it is curved one focus setting cannot tell: the protocol focus-bracket does."
    )


def _explained(corner: str, tilts: Sequence[Verdict], points: Sequence[Levelled], tests: int, error: float) -> bool:
    """Tell whether a tilt makes this corner soft: it lies on the soft side and is no softer than the rest of it."""
    soft_sides = [verdict.region for verdict in tilts if verdict.region in corner.split("-")]
    if not soft_sides:
        return False
    if len(soft_sides) == 2:
        return True
    (neighbour,) = (c for c in CORNERS if c != corner and soft_sides[0] in c.split("-"))
    table = difference(table_of(points, error, in_region(corner)), table_of(points, error, in_region(neighbour)))
    return judge(Contrast("weak-corner", corner, table, softer), tests) is None


def _weak_corner_finding(verdict: Verdict) -> Finding:
    return verdict.finding(
        f"The {verdict.region} corner is {verdict.amount()} softer than the other corners{verdict.where()}. A "
        "decentred lens does this; so does a sheet that stands closer or farther there: turn the camera upside down "
        "and shoot again. If the same corner of the frame is soft then, it is the lens."
    )
