"""A range of f-numbers in which what was measured stays at or above what is wanted, with the intervals of its ends."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.errors import LimitsError
from kitgauge.exposure import DialStep, f_number_dial, format_exact_f_number, format_f_number
from kitgauge.fit.sharpness.sharpness_aperture import RegionFit, SharpnessFit, sharp_range_of
from kitgauge.limits.model import Limit

Array = NDArray[np.float64]


@dataclass(frozen=True)
class FNumberRange:
    """Ends of the range, exact and on the dial, and their 95 % intervals; `best` is the greatest value in it.

    `met` is False where what is wanted is reached nowhere: both ends are the best f-number then. `open_ends` ("low",
    "high") are those where the measured f-numbers end before the range does. `stderr_stops` is that of the less certain
    end, NaN where nothing varies.
    """

    low: float
    high: float
    low_dial: float
    high_dial: float
    low_ci: tuple[float, float]
    high_ci: tuple[float, float]
    stderr_stops: float
    best: float
    met: bool
    open_ends: tuple[str, ...]

    @property
    def words(self) -> str:
        """The range as words: exact f-numbers first, those of the dial behind them."""
        if self.low_dial == self.high_dial:
            dial = f"on the dial only {format_f_number(self.low_dial)}"
        else:
            dial = f"on the dial {format_f_number(self.low_dial)} to {format_f_number(self.high_dial)}"
        low, high = format_exact_f_number(self.low), format_exact_f_number(self.high)
        ends = {"low": f"below {low}", "high": f"beyond {high}"}
        tail = f"; nothing was measured {' or '.join(ends[end] for end in self.open_ends)}" if self.open_ends else ""
        return f"{low} to {high} ({dial}{tail})"


def f_number_range(
    regions: Sequence[RegionFit], value_at: Callable[[Array, int | None], Array], wanted: float, dial: DialStep
) -> FNumberRange:
    """Return where the lowest value among `regions` is `wanted` or more.

    `value_at(grid, draw)` gives that value at each f-number of a grid, of the fit (None) or of one of its draws. Raises
    LimitsError where the regions share no f-numbers.
    """
    grid = regions[0].curve.f_number if len(regions) == 1 else common_grid(regions)
    value = value_at(grid, None)
    low, high, open_ends = range_of(value, grid, wanted)
    count = min(region.curve.draws.shape[0] for region in regions)
    draws = np.array([range_of(value_at(grid, k), grid, wanted)[:2] for k in range(count)])
    (low_a, low_b), (high_a, high_b) = (np.percentile(draws[:, k], [2.5, 97.5]) for k in (0, 1))
    low_dial, high_dial = inward(low, high, float(grid[np.argmax(value)]), dial)
    spread = float((2.0 * np.log2(draws)).std(axis=0, ddof=1).max())
    return FNumberRange(
        low=low,
        high=high,
        low_dial=low_dial,
        high_dial=high_dial,
        low_ci=(float(low_a), float(low_b)),
        high_ci=(float(high_a), float(high_b)),
        stderr_stops=spread if spread > 0 else math.nan,
        best=float(value.max()),
        met=bool(value.max() >= wanted),
        open_ends=open_ends,
    )


def limit_of_range(
    found: FNumberRange,
    where: str,
    regions: Sequence[RegionFit],
    fit: SharpnessFit,
    criterion: dict[str, float],
    text: str,
    lens: str | None,
    focal_mm: float | None,
    extra: Mapping[str, Any] | None = None,
) -> Limit:
    """Return the range as a limit; `text` is its sentence, to which what it rests on is added."""
    flags = set(fit.flags) | {flag for region in regions for flag in region.flags if flag == "optics-refuted"}
    if found.open_ends:
        flags.add("range-open")
    if not found.met:
        flags.add("criterion-not-met")
    return Limit(
        kind="f_number",
        value={"f_number_low": found.low, "f_number_high": found.high},
        dial={"f_number_low": found.low_dial, "f_number_high": found.high_dial},
        ci_low=found.low_ci[0],
        ci_high=found.high_ci[1],
        stderr_stops=found.stderr_stops,
        criterion=criterion,
        text=text + reservation(flags),
        lens=lens,
        focal_mm=focal_mm,
        region=where,
        flags=tuple(sorted(flags)),
        extra={
            "f_number_low_ci": list(found.low_ci),
            "f_number_high_ci": list(found.high_ci),
            "range_open": list(found.open_ends),
            "regions": [region.region for region in regions],
            **(extra or {}),
        },
    )


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


def range_of(relative: Array, grid: Array, fraction: float) -> tuple[float, float, tuple[str, ...]]:
    """Return (low, high, open ends) of the stretch of `grid` around the best where `relative` >= `fraction`.

    Where the fraction is never reached, that is the best f-number alone.
    """
    best = int(np.argmax(relative))
    if relative[best] < fraction:
        return float(grid[best]), float(grid[best]), ()
    return sharp_range_of(grid, relative, fraction)


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
