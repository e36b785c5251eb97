"""Personal f-number limits: where MTF50 keeps a share of its peak, in the centre and over the whole frame."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence

import numpy as np
from numpy.typing import NDArray

from kitgauge.errors import LimitsError
from kitgauge.exposure import DialStep, f_number_dial, format_exact_f_number, format_f_number
from kitgauge.fit.sharpness.sharpness_aperture import RegionFit, SharpnessFit, sharp_range_of
from kitgauge.limits.criteria import Criteria
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


def common_grid(regions: Sequence[RegionFit]) -> Array:
    """Return the f-numbers at which all regions have a curve."""
    low = max(float(region.curve.f_number[0]) for region in regions)
    high = min(float(region.curve.f_number[-1]) for region in regions)
    if not high > low:
        raise LimitsError(
            "no f-number limit for the whole frame: its regions were measured at different f-numbers",
            got="; ".join(f"{r.region}: f/{r.curve.f_number[0]:.3g} to f/{r.curve.f_number[-1]:.3g}" for r in regions),
            needed="f-numbers at which all regions were measured",
            fix="shoot the target filling the frame at every f-number",
        )
    return np.geomspace(low, high, max(int(48 * math.log2(high / low)), 24) + 1)


def _weakest(regions: Sequence[RegionFit], grid: Array, draw: int | None) -> Array:
    """Return (grid,) the lowest share of its own peak among the regions; of the fit, or of one draw."""
    shares = []
    for region in regions:
        curve = region.curve.mtf50 if draw is None else region.curve.draws[draw]
        shares.append(np.interp(np.log(grid), np.log(region.curve.f_number), curve / curve.max()))
    return np.asarray(np.min(shares, axis=0))


def range_of(relative: Array, grid: Array, fraction: float) -> tuple[float, float, tuple[str, ...]]:
    """Return (low, high, open ends) of the stretch of `grid` around the best where `relative` >= `fraction`.

    Where the fraction is never reached, that is the best f-number alone.
    """
    best = int(np.argmax(relative))
    if relative[best] < fraction:
        return float(grid[best]), float(grid[best]), ()
    return sharp_range_of(grid, relative, fraction)


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
    grid = regions[0].curve.f_number if len(regions) == 1 else common_grid(regions)
    relative = _weakest(regions, grid, None)
    low, high, open_ends = range_of(relative, grid, fraction)
    count = min(region.curve.draws.shape[0] for region in regions)
    draws = np.array([range_of(_weakest(regions, grid, k), grid, fraction)[:2] for k in range(count)])
    (low_a, low_b), (high_a, high_b) = (np.percentile(draws[:, k], [2.5, 97.5]) for k in (0, 1))
    met = bool(relative.max() >= fraction)
    flags = set(fit.flags) | {flag for region in regions for flag in region.flags if flag == "optics-refuted"}
    if open_ends:
        flags.add("range-open")
    if not met:
        flags.add("criterion-not-met")
    low_dial, high_dial = inward(low, high, float(grid[np.argmax(relative)]), dial)
    stops = 2.0 * np.log2(draws)
    return Limit(
        kind="f_number",
        value={"f_number_low": low, "f_number_high": high},
        dial={"f_number_low": low_dial, "f_number_high": high_dial},
        ci_low=float(low_a),
        ci_high=float(high_b),
        stderr_stops=float(stops.std(axis=0, ddof=1).max()),
        criterion={"mtf50_fraction": fraction},
        text=_text(where, low, high, low_dial, high_dial, fraction, float(relative.max()), open_ends, met, lens)
        + reservation(flags),
        lens=lens,
        focal_mm=focal_mm,
        region=where,
        flags=tuple(sorted(flags)),
        extra={
            "f_number_low_ci": [float(low_a), float(low_b)],
            "f_number_high_ci": [float(high_a), float(high_b)],
            "range_open": list(open_ends),
            "regions": [region.region for region in regions],
        },
    )


def reservation(flags: Collection[str]) -> str:
    """Return a further sentence on what the limit rests on, empty where it rests on the optics."""
    if "rendered" in flags:
        return " It holds for this picture style only: the frames are developed pictures."
    if "sharpened" in flags:
        return (
            " The frames are sharper than the optics allow (sharpened, or the pixel pitch is wrong): it rests on a "
            "smooth curve through the points and holds for files made like these only."
        )
    if "optics-refuted" in flags:
        return " The points do not follow the optics: it rests on a smooth curve through them."
    return ""


def inward(low: float, high: float, best: float, step: DialStep) -> tuple[float, float]:
    """Return the marked f-numbers of the dial inside [low, high]; the mark nearest to `best` where none is inside."""
    marks = f_number_dial(step)
    first, last = marks.at_least(low), marks.at_most(high)
    if first is None or last is None or first > last:
        nearest = marks.nearest(best)
        return marks.nominal[nearest], marks.nominal[nearest]
    return marks.nominal[first], marks.nominal[last]


def _text(
    where: str,
    low: float,
    high: float,
    low_dial: float,
    high_dial: float,
    fraction: float,
    best_share: float,
    open_ends: tuple[str, ...],
    met: bool,
    lens: str | None,
) -> str:
    """Return the limit as one plain sentence, exact f-numbers first, those of the dial behind them."""
    start = f"{lens}, {where}" if lens else where.capitalize()
    best = "the best sharpness" if where == "centre" else "each place's own best sharpness"
    share = f"{100 * fraction:.0f} % of {best}"
    if not met:
        return (
            f"{start}: no f-number keeps {share} everywhere; "
            f"{format_exact_f_number(low)} comes nearest with {100 * best_share:.0f} %."
        )
    if low_dial == high_dial:
        dial = f"on the dial only {format_f_number(low_dial)}"
    else:
        dial = f"on the dial {format_f_number(low_dial)} to {format_f_number(high_dial)}"
    tail = ""
    if open_ends:
        ends = {"low": f"below {format_exact_f_number(low)}", "high": f"beyond {format_exact_f_number(high)}"}
        tail = f"; nothing was measured {' or '.join(ends[end] for end in open_ends)}"
    span = f"{format_exact_f_number(low)} to {format_exact_f_number(high)}"
    return f"{start}: {span} ({dial}{tail}) keep at least {share}."
