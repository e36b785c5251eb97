"""What the lens does wrong: differences between places and directions that noise does not explain.

Each comparison is a log ratio per f-number with the standard error of its points, which holds the noise and the scatter
between frames. How the ratio runs over the f-numbers is no scatter: an aberration is there wide open and gone when
stopped down. So a comparison is tested twice over, by its weighted mean over the f-numbers and by each f-number alone.
A finding is reported where the two-sided probability stays under 1 % after multiplication by the number of all these
tests (Bonferroni) and its size is at least 2 % (of a single f-number: 3 %): smaller differences have no consequence in
a picture and may come from print and alignment. Errors are taken a fifth larger than the points state them: from real
frames they may be that much too small (common practice, no source).
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from scipy import stats

from kitgauge.exposure import format_f_number
from kitgauge.fit.sharpness_points import SharpnessPoint
from kitgauge.measure.regions import CORNERS, REGIONS

FAMILY_PROBABILITY = 0.01
SMALLEST_SIZE = 0.02
SMALLEST_SINGLE_SIZE = 0.03  # of a difference at one f-number of several
_ERROR_ALLOWANCE = 1.2
_ALIKE_PROBABILITY = 0.05  # f-numbers that differ no more than this are given one common size
_MEDIAN_OF_THREE_VARIANCE = 1.0 - math.sqrt(3.0) / math.pi  # normal values of variance 1 (Jones 1948, from memory)
_SMALLEST_LEAN = 0.3  # of the mean of the pairs that every pair must show for a tilt ...
_LEAN_SIGMA = 3.0  # ... and by which at least two pairs must lean for themselves

Ratio = tuple[float, float, float]  # log ratio, standard error, degrees of freedom of that error
Table = dict[float, Ratio]  # f-number -> ln MTF50, or a difference of two


@dataclass(frozen=True)
class Finding:
    """One fault: `size` in `unit`, `z` standard errors from nothing, `text` in plain words.

    `f_number` is the one at which the size holds (the worst), None where it holds for all alike.
    """

    kind: str
    region: str
    size: float
    unit: str
    z: float
    text: str
    probability: float  # after the correction for the number of comparisons
    f_number: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return asdict(self)


@dataclass(frozen=True)
class _Contrast:
    """Log ratios per f-number; `wanted` picks the ratios that would be a fault (a corner is never too sharp)."""

    kind: str
    region: str
    table: Table
    wanted: Callable[[float], bool]
    opposite: str = ""  # a tilt: the side that is softer where the ratio is positive
    leaning: frozenset[float] | None = None  # a tilt: the f-numbers at which all pairs lean alike; None: all count
    mean_leans: bool = True


@dataclass(frozen=True)
class _Verdict:
    """What the tests of one contrast say; `f_number` None: the same at all f-numbers."""

    contrast: _Contrast
    log_ratio: float
    stderr: float
    f_number: float | None
    z: float
    probability: float  # corrected

    @property
    def region(self) -> str:
        return self.contrast.opposite if self.contrast.opposite and self.log_ratio > 0 else self.contrast.region

    @property
    def size(self) -> float:
        return 1.0 - math.exp(-abs(self.log_ratio))


def find_faults(points: Sequence[SharpnessPoint]) -> list[Finding]:
    """Return the significant differences: weak corner, tilt, astigmatism; strongest first.

    A corner on the soft side of a tilt counts as weak only where it is softer than the tilt makes that side.
    """
    good = [
        p for p in points if math.isfinite(p.mtf50_cy_per_px) and p.mtf50_cy_per_px > 0 and p.mtf50_cy_per_px_stderr > 0
    ]
    corners, tilts, astigmatism = _weak_corners(good), _tilts(good), _astigmatism(good)
    tests = sum(_count(contrast) for contrast in (*corners, *tilts, *astigmatism))
    leaning = _significant(tilts, tests)
    weak = [
        verdict
        for verdict in _significant(corners, tests)
        if not _explained(verdict.contrast.region, leaning, good, tests)
    ]
    verdicts = [*weak, *leaning, *_significant(astigmatism, tests)]
    return [_finding(verdict) for verdict in sorted(verdicts, key=lambda verdict: -abs(verdict.z))]


def _count(contrast: _Contrast) -> int:
    """Return the number of tests of a contrast: each f-number and, with several, their mean."""
    count = len(contrast.table)
    return count + 1 if count > 1 else count


def _significant(contrasts: Iterable[_Contrast], tests: int) -> list[_Verdict]:
    verdicts = (_judge(contrast, tests) for contrast in contrasts)
    return [verdict for verdict in verdicts if verdict is not None]


def _judge(contrast: _Contrast, tests: int) -> _Verdict | None:
    """Return what the tests of a contrast say, None where none of them is significant and large enough."""
    table = contrast.table
    if not table:
        return None
    single = {n: ratio for n, ratio in table.items() if contrast.leaning is None or n in contrast.leaning}
    smallest = SMALLEST_SINGLE_SIZE if len(table) > 1 else SMALLEST_SIZE
    passed = [test for ratio in single.values() for test in _passing(contrast, ratio, smallest, tests)]
    mean = _mean(list(table.values()))
    if len(table) > 1 and contrast.mean_leans:
        passed += _passing(contrast, mean, SMALLEST_SIZE, tests)
    if not passed:
        return None
    probability, z = min(passed, key=lambda test: (test[0], -abs(test[1])))
    candidates = {n: ratio for n, ratio in single.items() if contrast.wanted(ratio[0])}
    if not candidates or (_alike(table) and contrast.wanted(mean[0])):
        return _Verdict(contrast, mean[0], mean[1], None, z, probability)
    # the largest by its lower end: a single noisy f-number must not lend its size
    worst = max(candidates, key=lambda n: abs(candidates[n][0]) - candidates[n][1])
    return _Verdict(contrast, candidates[worst][0], candidates[worst][1], worst, z, probability)


def _passing(contrast: _Contrast, ratio: Ratio, smallest: float, tests: int) -> list[tuple[float, float]]:
    """Return [(corrected probability, z)] of one test where it is a finding, else nothing."""
    value, error, freedom = ratio
    z = value / (error * _ERROR_ALLOWANCE)
    corrected = min(1.0, float(2.0 * stats.t.sf(abs(z), freedom)) * tests)
    large = 1.0 - math.exp(-abs(value)) >= smallest
    return [(corrected, z)] if contrast.wanted(value) and large and corrected < FAMILY_PROBABILITY else []


def _mean(ratios: Sequence[Ratio]) -> Ratio:
    """Return the weighted mean of log ratios, its standard error and its degrees of freedom (Welch-Satterthwaite)."""
    value, error, freedom = np.array(ratios).T
    weight = 1.0 / error**2
    total = float(weight.sum())
    spread = float(np.sum(weight**2 / freedom))
    return float(weight @ value) / total, 1.0 / math.sqrt(total), total**2 / spread if spread > 0 else math.inf


def _alike(table: Table) -> bool:
    """Tell whether noise explains how the ratio runs over the f-numbers."""
    if len(table) < 2:
        return False
    mean, _, _ = _mean(list(table.values()))
    chi_square = sum(((value - mean) / error) ** 2 for value, error, _ in table.values())
    return bool(stats.chi2.sf(chi_square, len(table) - 1) >= _ALIKE_PROBABILITY)


def _table(points: Sequence[SharpnessPoint], choose: Callable[[SharpnessPoint], bool]) -> Table:
    """Return f-number -> ln MTF50 of the chosen points with its error, both directions weighing the same."""
    chosen: dict[float, list[SharpnessPoint]] = defaultdict(list)
    for point in points:
        if choose(point):
            chosen[point.f_number].append(point)
    table: Table = {}
    for f_number in sorted(chosen):
        own = chosen[f_number]
        logs = [math.log(p.mtf50_cy_per_px) for p in own]
        errors = [p.mtf50_cy_per_px_stderr / p.mtf50_cy_per_px for p in own]
        table[f_number] = float(np.mean(logs)), math.sqrt(sum(e * e for e in errors)) / len(own), math.inf
    return table


def _region_table(points: Sequence[SharpnessPoint], region: str) -> Table:
    return _table(points, lambda point: point.region == region)


def _difference(first: Table, second: Table) -> Table:
    """Return the log ratio first/second at the f-numbers both have."""
    shared = sorted(first.keys() & second.keys())
    return {n: (first[n][0] - second[n][0], math.hypot(first[n][1], second[n][1]), math.inf) for n in shared}


def _softer(log_ratio: float) -> bool:
    return log_ratio < 0


def _either(log_ratio: float) -> bool:
    return log_ratio != 0


def _weak_corners(points: Sequence[SharpnessPoint]) -> list[_Contrast]:
    """Compare each corner with the median of the others, which one other odd corner does not move."""
    tables = {corner: _region_table(points, corner) for corner in CORNERS}
    present = [corner for corner in CORNERS if tables[corner]]
    contrasts: list[_Contrast] = []
    for corner in present:
        others: Table = {}
        for f_number in tables[corner]:
            values = [tables[c][f_number] for c in present if c != corner and f_number in tables[c]]
            if len(values) >= 2:
                share = _MEDIAN_OF_THREE_VARIANCE if len(values) == 3 else 0.5
                error = math.sqrt(share * sum(v[1] ** 2 for v in values) / len(values))
                others[f_number] = float(np.median([v[0] for v in values])), error, math.inf
        table = _difference(tables[corner], others)
        if table:
            contrasts.append(_Contrast("weak-corner", corner, table, _softer))
    return contrasts


def _tilts(points: Sequence[SharpnessPoint]) -> list[_Contrast]:
    """Compare opposite sides of the frame: each with the corners on it; the mean of the pairs."""
    contrasts: list[_Contrast] = []
    for one, other in (("left", "right"), ("top", "bottom")):
        pairs = [
            _difference(_region_table(points, a), _region_table(points, a.replace(one, other)))
            for a in REGIONS
            if one in a.split("-")
        ]
        table: Table = {}
        leaning: set[float] = set()
        for f_number in sorted(set().union(*pairs)):
            ratios = [pair[f_number] for pair in pairs if f_number in pair]
            # a single weak corner is no tilt: at least two pairs must lean the same way
            if len(ratios) < 2:
                continue
            error = math.sqrt(sum(ratio[1] ** 2 for ratio in ratios)) / len(ratios)
            table[f_number] = float(np.mean([ratio[0] for ratio in ratios])), error, math.inf
            if _lean(ratios):
                leaning.add(f_number)
        if not table:
            continue
        means = [_mean([pair[n] for n in table if n in pair]) for pair in pairs if any(n in pair for n in table)]
        contrasts.append(_Contrast("tilt", one, table, _either, other, frozenset(leaning), _lean(means)))
    return contrasts


def _lean(pairs: Sequence[Ratio]) -> bool:
    """Tell whether all pairs lean one way, none much less than their mean, and at least two of them for themselves."""
    ratio, error, _ = np.array(pairs).T
    mean = float(ratio.mean())
    for_themselves = int(np.sum(np.abs(ratio) > _LEAN_SIGMA * _ERROR_ALLOWANCE * error))
    return bool(np.all(ratio * mean > 0) and np.abs(ratio).min() >= _SMALLEST_LEAN * abs(mean)) and for_themselves >= 2


def _explained(corner: str, tilts: Sequence[_Verdict], points: Sequence[SharpnessPoint], tests: int) -> bool:
    """Tell whether a tilt makes this corner soft: it lies on the soft side and is no softer than the rest of it."""
    soft_sides = [verdict.region for verdict in tilts if verdict.region in corner.split("-")]
    if not soft_sides:
        return False
    if len(soft_sides) == 2:
        return True
    (neighbour,) = (c for c in CORNERS if c != corner and soft_sides[0] in c.split("-"))
    table = _difference(_region_table(points, corner), _region_table(points, neighbour))
    return _judge(_Contrast("weak-corner", corner, table, _softer), tests) is None


def _astigmatism(points: Sequence[SharpnessPoint]) -> list[_Contrast]:
    """Compare the two edge directions of each region.

    Shake in one direction does to all regions what astigmatism does to one, and two frames of an f-number that shook
    alike hide it. So the scatter between frames is taken no smaller than over all f-numbers, and its few degrees of
    freedom count (Welch 1947, Biometrika 34, 28).
    """
    sides = {o: _by_f_number([p for p in points if p.orientation == o]) for o in ("vertical", "horizontal")}
    usual = {o: _usual_repeat_variance(side.values()) for o, side in sides.items()}
    contrasts: list[_Contrast] = []
    for region in REGIONS:
        table: Table = {}
        for f_number in sorted(sides["vertical"].keys() & sides["horizontal"].keys()):
            logs, variance, spread = [], 0.0, 0.0
            for orientation, side in sides.items():
                own = [p for p in side[f_number] if p.region == region]
                if not own:
                    break
                logs.append(float(np.mean([math.log(p.mtf50_cy_per_px) for p in own])))
                repeats = [_repeat_variance(p) for p in own]
                noise = [
                    max((p.mtf50_cy_per_px_stderr / p.mtf50_cy_per_px) ** 2 - r, 0.0)
                    for p, r in zip(own, repeats, strict=True)
                ]
                here, (everywhere, freedom) = float(np.mean(repeats)), usual[orientation]
                # shake acts on all patches at once: their mean has it in full
                repeat = max(here, everywhere)
                variance += sum(noise) / len(own) ** 2 + repeat
                if repeat > 0:
                    spread += repeat**2 / (freedom if everywhere >= here else max(own[0].frames - 1, 1))
            else:
                freedom_of_all = variance**2 / spread if spread > 0 else math.inf
                table[f_number] = logs[0] - logs[1], math.sqrt(variance), freedom_of_all
        if table:
            contrasts.append(_Contrast("astigmatism", region, table, _either))
    return contrasts


def _by_f_number(points: Sequence[SharpnessPoint]) -> dict[float, list[SharpnessPoint]]:
    groups: dict[float, list[SharpnessPoint]] = defaultdict(list)
    for point in points:
        groups[point.f_number].append(point)
    return groups


def _repeat_variance(point: SharpnessPoint) -> float:
    """Return the relative variance of a point that only repeated frames show, 0 where it has one frame."""
    return (point.repeat_stderr / point.mtf50_cy_per_px) ** 2 if math.isfinite(point.repeat_stderr) else 0.0


def _usual_repeat_variance(groups: Iterable[Sequence[SharpnessPoint]]) -> tuple[float, int]:
    """Return the mean relative variance between frames over the f-numbers, and its degrees of freedom."""
    repeated = [group for group in groups if max(point.frames for point in group) > 1]
    if not repeated:
        return 0.0, 1
    variances = [float(np.mean([_repeat_variance(point) for point in group])) for group in repeated]
    return float(np.mean(variances)), sum(max(point.frames for point in group) - 1 for group in repeated)


def _finding(verdict: _Verdict) -> Finding:
    percent = 100.0 * verdict.size
    error = 100.0 * verdict.stderr * (1.0 - verdict.size)
    amount = f"{percent:.0f} % (± {error:.1f})"
    several = len(verdict.contrast.table) > 1
    if verdict.f_number is not None and several:
        where = f" at {format_f_number(verdict.f_number)}, where it is worst"
    else:
        where = ", at all f-numbers alike" if several else f" at {format_f_number(next(iter(verdict.contrast.table)))}"
    kind, region = verdict.contrast.kind, verdict.region
    if kind == "weak-corner":
        text = (
            f"The {region} corner is {amount} softer than the other corners{where}. A decentred lens does this; so "
            "does a target that stands closer or farther on that side: turn the camera upside down and shoot again."
        )
    elif kind == "tilt":
        text = (
            f"The {region} side of the frame is {amount} softer than the opposite side{where}. Either the target was "
            "not square to the camera or the lens is tilted: turn the camera upside down and shoot again."
        )
    else:
        worse = "vertical" if verdict.log_ratio < 0 else "horizontal"
        place = "the centre" if region == "centre" else f"the {region} of the frame"
        text = (
            f"In {place} {worse} edges are {amount} softer than edges in the other direction{where}: astigmatism, or "
            "vibration in one direction."
        )
    z = -abs(verdict.z) if kind == "tilt" else verdict.z  # the side named is the softer one
    return Finding(kind, region, percent, "%", z, text, verdict.probability, verdict.f_number)
