"""Comparisons of sharpness, f-number by f-number, and when one of them is a finding.

Each comparison is a log ratio per f-number with the standard error of its points, which holds the noise and the scatter
between frames. How the ratio runs over the f-numbers is no scatter: an aberration is there wide open and gone when
stopped down. So a comparison is tested twice over, by its weighted mean over the f-numbers and by each f-number alone.
A finding is reported where the two-sided probability stays under 1 % after multiplication by the number of all these
tests (Bonferroni) and its size is at least 2 % (of a single f-number: 3 %): smaller differences have no consequence in
a picture. Errors are taken a fifth larger than the points state them: from real frames they may be that much too small
(common practice, no source).

What the print and its alignment do to an edge is the same in all frames, so that no number of frames and f-numbers
takes it away: that part of the error is kept apart (`common`) and is not averaged down.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any, NamedTuple

import numpy as np
from scipy import stats

from kitgauge.exposure import format_f_number
from kitgauge.fit.sharpness.radial_fall import FALL_DOUBT, Levelled
from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint

FAMILY_PROBABILITY = 0.01
SMALLEST_SIZE = 0.02
SMALLEST_SINGLE_SIZE = 0.03  # of a difference at one f-number of several
ERROR_ALLOWANCE = 1.2
_ALIKE_PROBABILITY = 0.05  # f-numbers that differ no more than this are given one common size


@dataclass(frozen=True)
class Finding:
    """One fault: `size` in `unit`, `z` standard errors from nothing, `text` in plain words.

    `f_number` is the one at which the size holds (the worst), None where it holds for all alike. `cause` names what is
    to blame where that can be told ("target", "lens"), "" where it cannot.
    """

    kind: str
    region: str
    size: float
    unit: str
    z: float
    text: str
    probability: float  # after the correction for the number of comparisons
    f_number: float | None = None
    cause: str = ""
    size_stderr: float = math.nan

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return asdict(self)


class Ratio(NamedTuple):
    """A log ratio: its standard error, the degrees of freedom of that, and its error common to all f-numbers."""

    value: float
    stderr: float
    freedom: float = math.inf
    common: float = 0.0


Table = dict[float, Ratio]  # f-number -> ln MTF50, or a difference of two


@dataclass(frozen=True)
class Contrast:
    """Log ratios per f-number; `wanted` picks the ratios that would be a fault (a corner is never too sharp)."""

    kind: str
    region: str
    table: Table
    wanted: Callable[[float], bool]
    opposite: str = ""  # a tilt: the side that is softer where the ratio is positive
    leaning: frozenset[float] | None = None  # a tilt: the f-numbers at which all pairs lean alike; None: all count
    mean_leans: bool = True


@dataclass(frozen=True)
class Verdict:
    """What the tests of one contrast say; `f_number` None: the same at all f-numbers."""

    contrast: Contrast
    log_ratio: float
    stderr: float
    f_number: float | None
    z: float
    probability: float  # corrected

    @property
    def region(self) -> str:
        """The softer region."""
        return self.contrast.opposite if self.contrast.opposite and self.log_ratio > 0 else self.contrast.region

    @property
    def size(self) -> float:
        """The share of sharpness lost."""
        return 1.0 - math.exp(-abs(self.log_ratio))

    def amount(self) -> str:
        """Return the size with its error, as in "12 % (± 1.4)"."""
        return f"{100.0 * self.size:.0f} % (± {self.percent_stderr:.1f})"

    @property
    def percent_stderr(self) -> float:
        """Standard error of the size in per cent."""
        return 100.0 * self.stderr * (1.0 - self.size)

    def where(self) -> str:
        """Return at which f-number, in words that follow the amount."""
        table = self.contrast.table
        if len(table) == 1:
            return f" at {format_f_number(next(iter(table)))}"
        if self.f_number is None:
            return ", at all f-numbers alike"
        return f" at {format_f_number(self.f_number)}, where it is worst"

    def finding(self, text: str, *, z: float | None = None, cause: str = "") -> Finding:
        """Return the finding, its size in per cent."""
        return Finding(
            self.contrast.kind,
            self.region,
            100.0 * self.size,
            "%",
            self.z if z is None else z,
            text,
            self.probability,
            self.f_number,
            cause,
            self.percent_stderr,
        )


def softer(log_ratio: float) -> bool:
    """Only less sharpness is a fault."""
    return log_ratio < 0


def either(log_ratio: float) -> bool:
    """Any difference is a fault."""
    return log_ratio != 0


def count_tests(contrast: Contrast) -> int:
    """Return the number of tests of a contrast: each f-number and, with several, their mean."""
    count = len(contrast.table)
    return count + 1 if count > 1 else count


def significant(contrasts: Iterable[Contrast], tests: int) -> list[Verdict]:
    """Return what the contrasts say that are findings among `tests` tests."""
    verdicts = (judge(contrast, tests) for contrast in contrasts)
    return [verdict for verdict in verdicts if verdict is not None]


def judge(contrast: Contrast, tests: int) -> Verdict | None:
    """Return what the tests of a contrast say, None where none of them is significant and large enough."""
    table = contrast.table
    if not table:
        return None
    single = {n: ratio for n, ratio in table.items() if contrast.leaning is None or n in contrast.leaning}
    smallest = SMALLEST_SINGLE_SIZE if len(table) > 1 else SMALLEST_SIZE
    passed = [test for ratio in single.values() for test in _passing(contrast, ratio, smallest, tests)]
    mean = mean_ratio(list(table.values()))
    if len(table) > 1 and contrast.mean_leans:
        passed += _passing(contrast, mean, SMALLEST_SIZE, tests)
    if not passed:
        return None
    probability, z = min(passed, key=lambda test: (test[0], -abs(test[1])))
    candidates = {n: ratio for n, ratio in single.items() if contrast.wanted(ratio.value)}
    if not candidates or (_alike(table) and contrast.wanted(mean.value)):
        return Verdict(contrast, mean.value, whole_error(mean), None, z, probability)
    # the largest by its lower end: a single noisy f-number must not lend its size
    worst = max(candidates, key=lambda n: abs(candidates[n].value) - candidates[n].stderr)
    return Verdict(contrast, candidates[worst].value, whole_error(candidates[worst]), worst, z, probability)


def whole_error(ratio: Ratio) -> float:
    """Return the standard error of a ratio with the part that is common to all f-numbers."""
    return math.hypot(ratio.stderr, ratio.common)


def _passing(contrast: Contrast, ratio: Ratio, smallest: float, tests: int) -> list[tuple[float, float]]:
    """Return [(corrected probability, z)] of one test where it is a finding, else nothing."""
    z = ratio.value / (whole_error(ratio) * ERROR_ALLOWANCE)
    corrected = min(1.0, float(2.0 * stats.t.sf(abs(z), ratio.freedom)) * tests)
    large = 1.0 - math.exp(-abs(ratio.value)) >= smallest
    return [(corrected, z)] if contrast.wanted(ratio.value) and large and corrected < FAMILY_PROBABILITY else []


def mean_ratio(ratios: Sequence[Ratio]) -> Ratio:
    """Return the weighted mean of log ratios, its standard error and its degrees of freedom (Welch-Satterthwaite)."""
    value, error, freedom, common = np.array(ratios).T
    weight = 1.0 / error**2
    total = float(weight.sum())
    spread = float(np.sum(weight**2 / freedom))
    return Ratio(
        float(weight @ value) / total,
        1.0 / math.sqrt(total),
        total**2 / spread if spread > 0 else math.inf,
        float(weight @ common) / total,
    )


def _alike(table: Table) -> bool:
    """Tell whether noise explains how the ratio runs over the f-numbers."""
    if len(table) < 2:
        return False
    mean = mean_ratio(list(table.values())).value
    chi_square = sum(((ratio.value - mean) / ratio.stderr) ** 2 for ratio in table.values())
    return bool(stats.chi2.sf(chi_square, len(table) - 1) >= _ALIKE_PROBABILITY)


def table_of(points: Sequence[Levelled], print_error: float, choose: Callable[[SharpnessPoint], bool]) -> Table:
    """Return f-number -> ln MTF50 of the chosen points, at the usual distance of their kind, with its error."""
    chosen: dict[float, list[Levelled]] = defaultdict(list)
    for point, given in points:
        if choose(point):
            chosen[point.f_number].append((point, given))
    table: Table = {}
    for f_number in sorted(chosen):
        own = chosen[f_number]
        logs = [math.log(p.mtf50_cy_per_px) + given for p, given in own]
        errors = [p.mtf50_cy_per_px_stderr / p.mtf50_cy_per_px for p, _ in own]
        error = math.sqrt(sum(e * e for e in errors)) / len(own)
        doubt = FALL_DOUBT * float(np.mean([abs(given) for _, given in own]))
        common = math.hypot(print_error / math.sqrt(len(own)), doubt)
        table[f_number] = Ratio(float(np.mean(logs)), error, math.inf, common)
    return table


def in_region(region: str) -> Callable[[SharpnessPoint], bool]:
    """Return the choice of the points of one region."""
    return lambda point: point.region == region


def difference(first: Table, second: Table) -> Table:
    """Return the log ratio first/second at the f-numbers both have."""
    shared = sorted(first.keys() & second.keys())
    return {
        n: Ratio(
            first[n].value - second[n].value,
            math.hypot(first[n].stderr, second[n].stderr),
            math.inf,
            math.hypot(first[n].common, second[n].common),
        )
        for n in shared
    }
