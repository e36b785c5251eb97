"""Personal f-number limits: where MTF50 keeps a share of its peak, in the centre and over the whole frame."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kitgauge.errors import LimitsError
from kitgauge.exposure import DialStep, format_exact_f_number
from kitgauge.fit.sharpness.sharpness_aperture import RegionFit, SharpnessFit
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.f_number_range import FNumberRange, f_number_range, limit_of_range
from kitgauge.limits.model import Limit

Array = NDArray[np.float64]


def aperture_limits(
    fit: SharpnessFit,
    criteria: Criteria,
    lens: str | None = None,
    focal_mm: float | None = None,
    dial: DialStep = "thirds",
) -> list[Limit]:
    """Return the f-number limit of the centre, and of the whole frame where regions beside the centre were measured.

    In the whole frame every region must keep the share `mtf50_fraction` of its own sharpest aperture. Where no
    f-number does that, the limit is the f-number that comes nearest, flagged `criterion-not-met`, and its text says
    so. Raises LimitsError where no region has a curve.
    """
    if not fit.regions:
        reasons = "; ".join(f"{region}: {reason}" for region, reason in fit.missing.items())
        raise LimitsError(
            "no f-number limit: no region has a curve",
            got=reasons or "no edges measured",
            needed="at least 3 f-numbers with measured edges in one region",
            fix="shoot the target at more f-numbers; `kitgauge brief aperture-sweep` lists them",
        )
    limits: list[Limit] = []
    if "centre" in fit.regions:
        limits.append(_limit("centre", [fit.regions["centre"]], fit, criteria, lens, focal_mm, dial))
    if len(fit.regions) > 1 or "centre" not in fit.regions:
        limits.append(_limit("whole frame", list(fit.regions.values()), fit, criteria, lens, focal_mm, dial))
    return limits


def _weakest(regions: Sequence[RegionFit], grid: Array, draw: int | None) -> Array:
    """Return (grid,) the lowest share of its own peak among the regions; of the fit, or of one draw."""
    shares = []
    for region in regions:
        curve = region.curve.mtf50 if draw is None else region.curve.draws[draw]
        shares.append(np.interp(np.log(grid), np.log(region.curve.f_number), curve / curve.max()))
    return np.asarray(np.min(shares, axis=0))


def _limit(
    where: str,
    regions: Sequence[RegionFit],
    fit: SharpnessFit,
    criteria: Criteria,
    lens: str | None,
    focal_mm: float | None,
    dial: DialStep,
) -> Limit:
    fraction = criteria.mtf50_fraction
    found = f_number_range(regions, lambda grid, draw: _weakest(regions, grid, draw), fraction, dial)
    text = _text(where, found, fraction, lens)
    return limit_of_range(found, where, regions, fit, {"mtf50_fraction": fraction}, text, lens, focal_mm)


def _text(where: str, found: FNumberRange, fraction: float, lens: str | None) -> str:
    """Return the limit as one plain sentence."""
    start = f"{lens}, {where}" if lens else where.capitalize()
    best = "the best sharpness" if where == "centre" else "each place's own best sharpness"
    share = f"{100 * fraction:.0f} % of {best}"
    if not found.met:
        return (
            f"{start}: no f-number keeps {share} everywhere; "
            f"{format_exact_f_number(found.low)} comes nearest with {100 * found.best:.0f} %."
        )
    return f"{start}: {found.words} keep at least {share}."
