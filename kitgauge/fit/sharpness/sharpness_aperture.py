"""Sharpness against f-number: points, a curve per region, the sharpest aperture, the sharp range, and findings."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.fit.sharpness.lens_faults import LensFaults, lens_faults
from kitgauge.fit.sharpness.sharpness_ceiling import SMALLEST_EXCESS, beyond_ceiling
from kitgauge.fit.sharpness.sharpness_colours import ColourPoint
from kitgauge.fit.sharpness.sharpness_contrasts import Finding
from kitgauge.fit.sharpness.sharpness_model import ApertureCurve, fit_physical, fit_smooth, physics_refuted
from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint, combine_edges
from kitgauge.fit.sharpness.sharpness_series import RegionSeries, region_series
from kitgauge.fit.sharpness.sharpness_spherical import followed
from kitgauge.fit.sharpness.target_seen import TargetSeen
from kitgauge.measure.edges.diffraction import GREEN_WAVELENGTH_UM, diffraction_px, system_mtf50
from kitgauge.measure.edges.regions import REGIONS

__all__ = [
    "RegionFit",
    "SharpnessFit",
    "SharpnessPoint",
    "combine_edges",
    "fit_sharpness",
    "mark_sharpened",
]

Array = NDArray[np.float64]

FEWEST_F_NUMBERS = 3
_GRID_PER_STOP = 24
_NOT_OPTICS = frozenset({"sharpened", "rendered"})  # points that software has made what they are


@dataclass(frozen=True)
class RegionFit:
    """The curve of one region and what it says at the asked share of its peak.

    `sharp_range` and the intervals never leave the measured f-numbers; `range_open` tells at which ends ("low",
    "high") the curve is still above the share there, so that the true range goes on beyond.
    """

    region: str
    curve: ApertureCurve
    series: RegionSeries
    fraction: float
    sharpest_f_number: float
    sharpest_f_number_ci: tuple[float, float]
    peak_mtf50_cy_per_px: float
    peak_mtf50_stderr: float
    sharp_range: tuple[float, float]
    sharp_range_low_ci: tuple[float, float]
    sharp_range_high_ci: tuple[float, float]
    range_open: tuple[str, ...]
    diffraction_takes_over_f_number: float
    flags: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values in the order of the file contract."""
        low, high = np.percentile(self.curve.draws, [2.5, 97.5], axis=0)
        return {
            "sharpest_f_number": self.sharpest_f_number,
            "sharpest_f_number_ci": list(self.sharpest_f_number_ci),
            "sharp_range": list(self.sharp_range),
            "sharp_range_low_ci": list(self.sharp_range_low_ci),
            "sharp_range_high_ci": list(self.sharp_range_high_ci),
            "range_open": list(self.range_open),
            "mtf50_fraction": self.fraction,
            "peak_mtf50_cy_per_px": self.peak_mtf50_cy_per_px,
            "peak_mtf50_cy_per_px_stderr": self.peak_mtf50_stderr,
            "diffraction_takes_over_f_number": self.diffraction_takes_over_f_number,
            "parameters": self.curve.result.as_dict()["parameters"],
            "fit": self.curve.result.as_dict(),
            "curve": {
                "f_number": self.curve.f_number.tolist(),
                "mtf50_cy_per_px": self.curve.mtf50.tolist(),
                "mtf50_low_cy_per_px": low.tolist(),
                "mtf50_high_cy_per_px": high.tolist(),
            },
            "flags": list(self.flags),
        }


@dataclass(frozen=True)
class SharpnessFit:
    """All regions that could be fitted, why the others could not, and the lens's faults."""

    regions: dict[str, RegionFit]
    missing: dict[str, str]  # region -> reason in plain words
    faults: LensFaults
    flags: tuple[str, ...]
    pitch_um: float | None
    wavelength_um: float
    fraction: float
    magnification: float = 0.0  # the f-number that acts is N (1 + magnification)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The lens's faults, strongest first."""
        return self.faults.findings

    def as_dict(self) -> dict[str, Any]:
        """Return the regions' fits keyed by region (the contract's `sharpness.fit`)."""
        return {region: fit.as_dict() for region, fit in self.regions.items()}

    def findings_as_list(self) -> list[dict[str, Any]]:
        """Return the findings as plain values (the contract's `sharpness.findings`)."""
        return self.faults.findings_as_list()


def mark_sharpened(
    points: Sequence[SharpnessPoint],
    pitch_um: float | None,
    wavelength_um: float = GREEN_WAVELENGTH_UM,
    magnification: float = 0.0,
) -> list[SharpnessPoint]:
    """Return the points; those over 3 errors and 2 % sharper than diffraction and pixel allow get `sharpened`.

    The errors hold a doubt of 5 % about wavelength and true aperture (`sharpness_ceiling.beyond_ceiling`).
    """
    if pitch_um is None:
        return list(points)
    marked: list[SharpnessPoint] = []
    for point in points:
        excess, error = beyond_ceiling(point, pitch_um, wavelength_um, magnification)
        fresh = excess - math.log1p(SMALLEST_EXCESS) > 3.0 * error and "sharpened" not in point.flags
        marked.append(replace(point, flags=(*point.flags, "sharpened")) if fresh else point)
    return marked


def fit_sharpness(
    points: Sequence[SharpnessPoint],
    pitch_um: float | None,
    wavelength_um: float = GREEN_WAVELENGTH_UM,
    mtf50_fraction: float = 0.9,
    seed: int = 0,
    *,
    colours: Sequence[ColourPoint] = (),
    target: TargetSeen | None = None,
    frame_shape: tuple[int, int] | None = None,
) -> SharpnessFit:
    """Fit MTF50 against f-number in every region that has at least three f-numbers, and look for faults.

    The curve is that of the optics (`fit_physical`, or with a focus that moves where the points ask for it:
    `sharpness_spherical`) unless the optics cannot be told from the points: a smooth one is
    drawn where `pitch_um` is None (flagged `pitch-unknown`), where a point of the region is `sharpened` or `rendered`,
    and where the points refute the optics (`physics_refuted`, flagged `optics-refuted`). `seed` starts the draws behind
    the intervals. `colours` (red and blue at the same edges), `target` (what the target's markers tell) and
    `frame_shape` (rows, columns) serve the search for faults (`lens_faults`). At magnification m, as the markers tell,
    diffraction is that of the f-number N (1 + m): the picture lies m focal lengths behind the focus (thin lens; pupils
    of one size, common practice). Without markers m is taken for 0. The f-numbers that come out are those of the
    ring.
    Points with a value or error that is not finite are left out and listed in the region's `points_dropped`.
    """
    magnification = 0.0 if target is None else target.magnification(pitch_um)
    points = mark_sharpened(points, pitch_um, wavelength_um, magnification)
    flags = {"pitch-unknown"} if pitch_um is None else set()
    flags |= {flag for point in points for flag in point.flags if flag in _NOT_OPTICS}
    regions: dict[str, RegionFit] = {}
    missing: dict[str, str] = {}
    for number, region in enumerate(REGIONS):
        own = [point for point in points if point.region == region]
        if not own:
            continue
        series = region_series(region, own)
        count = series.f_number.size
        if count < FEWEST_F_NUMBERS:
            values = ", ".join(f"f/{value:.2g}" for value in series.f_number) or "none"
            missing[region] = f"{count} f-numbers measured ({values}), {FEWEST_F_NUMBERS} needed for a curve"
            continue
        own_flags = {flag for point in own for flag in point.flags if flag in _NOT_OPTICS} | (flags - _NOT_OPTICS)
        acting = wavelength_um * (1.0 + magnification)  # wavelength and f-number only act as their product
        regions[region] = _fit_region(
            series,
            pitch_um,
            acting,
            mtf50_fraction,
            seed * len(REGIONS) + number,  # draws of two regions must not move together
            tuple(sorted(own_flags)),
        )
    return SharpnessFit(
        regions=regions,
        missing=missing,
        faults=lens_faults(
            points,
            colours,
            pitch_um=pitch_um,
            target=target,
            frame_shape=frame_shape,
            wavelength_um=wavelength_um,
        ),
        flags=tuple(sorted(flags)),
        pitch_um=pitch_um,
        wavelength_um=wavelength_um,
        fraction=mtf50_fraction,
        magnification=magnification,
    )


def _fit_region(
    series: RegionSeries,
    pitch_um: float | None,
    wavelength_um: float,
    fraction: float,
    seed: int,
    flags: tuple[str, ...],
) -> RegionFit:
    f_number, mtf50, stderr = series.f_number, series.mtf50, series.stderr
    stops = 2.0 * math.log2(f_number[-1] / f_number[0])
    grid = np.geomspace(f_number[0], f_number[-1], max(int(stops * _GRID_PER_STOP), 24) + 1)
    own_flags = list(flags)
    curve: ApertureCurve | None = None
    takes_over = math.nan
    if pitch_um is not None and not _NOT_OPTICS.intersection(flags):
        curve = fit_physical(f_number, mtf50, stderr, pitch_um, wavelength_um, grid, seed)
        curve, _ = followed(curve, f_number, mtf50, stderr, pitch_um, wavelength_um, seed)
        takes_over = _takes_over(curve, pitch_um, wavelength_um)
        if physics_refuted(curve, f_number, mtf50, stderr):
            own_flags.append("optics-refuted")
            curve, takes_over = None, math.nan
    if curve is None:
        curve = fit_smooth(f_number, mtf50, stderr, grid, seed)
    peak = int(np.argmax(curve.mtf50))
    peaks = np.array([_vertex(grid, draw, int(np.argmax(draw))) for draw in curve.draws])
    low, high, open_ends = sharp_range_of(grid, curve.mtf50 / curve.mtf50[peak], fraction)
    ranges = np.array([sharp_range_of(grid, draw / draw.max(), fraction)[:2] for draw in curve.draws])
    if peak in (0, grid.size - 1):
        own_flags.append("sharpest-at-end")
    if open_ends:
        own_flags.append("range-open")
    return RegionFit(
        region=series.region,
        curve=curve,
        series=series,
        fraction=fraction,
        sharpest_f_number=_vertex(grid, curve.mtf50, peak),
        sharpest_f_number_ci=_interval(peaks),
        peak_mtf50_cy_per_px=float(curve.mtf50[peak]),
        peak_mtf50_stderr=float(curve.draws.max(axis=1).std(ddof=1)),
        sharp_range=(low, high),
        sharp_range_low_ci=_interval(ranges[:, 0]),
        sharp_range_high_ci=_interval(ranges[:, 1]),
        range_open=open_ends,
        diffraction_takes_over_f_number=takes_over,
        flags=tuple(own_flags),
    )


def _interval(values: Array) -> tuple[float, float]:
    low, high = np.percentile(values, [2.5, 97.5])
    return float(low), float(high)


def _vertex(grid: Array, curve: Array, peak: int) -> float:
    """Return the f-number of the peak, between grid points by a parabola in log N."""
    if peak in (0, grid.size - 1):
        return float(grid[peak])
    left, middle, right = curve[peak - 1 : peak + 2]
    bend = left - 2.0 * middle + right
    shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return float(grid[peak] * (grid[peak + 1] / grid[peak]) ** shift)


def sharp_range_of(grid: Array, relative: Array, fraction: float) -> tuple[float, float, tuple[str, ...]]:
    """Return (lowest, highest f-number, open ends) of the stretch around the peak where `relative` >= `fraction`.

    `relative` is a curve over `grid` (rising f-numbers); crossings are interpolated in log N. An end of the grid that
    is still above the fraction bounds the range and is named ("low" or "high") among the open ends.
    """
    peak = int(np.argmax(relative))
    log_n = np.log(grid)
    open_ends: list[str] = []
    low = peak
    while low > 0 and relative[low - 1] >= fraction:
        low -= 1
    high = peak
    while high < grid.size - 1 and relative[high + 1] >= fraction:
        high += 1

    def crossing(inside: int, outside: int) -> float:
        part = (relative[inside] - fraction) / (relative[inside] - relative[outside])
        return float(math.exp(log_n[inside] + part * (log_n[outside] - log_n[inside])))

    if low == 0:
        open_ends.append("low")
    if high == grid.size - 1:
        open_ends.append("high")
    lowest = float(grid[0]) if low == 0 else crossing(low, low - 1)
    highest = float(grid[-1]) if high == grid.size - 1 else crossing(high, high + 1)
    return lowest, highest, tuple(open_ends)


def _takes_over(curve: ApertureCurve, pitch_um: float, wavelength_um: float) -> float:
    """Return the lowest f-number from which diffraction and pixel alone explain 95 % of the softness, NaN if none."""
    ceiling = system_mtf50(diffraction_px(curve.f_number, pitch_um, wavelength_um), 0.0)
    near = curve.mtf50 >= 0.95 * ceiling
    if not near[-1]:
        return math.nan
    last_far = np.flatnonzero(~near)
    return float(curve.f_number[0 if last_far.size == 0 else last_far[-1] + 1])
