"""Which unit of a fleet differs from its siblings: bodies or lenses of one model, each measured with its errors.

Units of one model are not equal to begin with. For one number, unit i has the value y_i = mu + t u_i + s_i e_i: t is
the spread from unit to unit, s_i the known error, u and e normal. Neither mu nor t is known, so a unit is judged by
what its siblings, without it, foresee for it: mu with a flat prior, t with Jeffreys' prior for this model,
p(t) ~ sqrt(sum (t / (s_j^2 + t^2))^2) (O. Bodnar, A. Link, B. Arendacka, A. Possolo and C. Elster, Stat. Med. 36 (2017)
378, from memory). p is how often a sibling would lie as far out. Without errors this is exactly the two-sided t-test of
one value against n - 1 others; with errors it is on the safe side, since few siblings leave room for some spread.

Two odd units hide each other, each making the spread seem large. So the oddest is set aside and the rest looked at
again, up to a third of the fleet; it counts as odd if it, or one set aside after it, is beyond chance
(B. Rosner, Technometrics 25 (1983) 165), at p times the number of such looks. All units and numbers are judged together
(S. Holm, Scand. J. Stat. 6 (1979) 65): the chance of any false alarm in the whole fleet is 5 % at most.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kitgauge.limits.compare import SIGNIFICANT_P

LEAST_UNITS = 4  # three siblings to be judged by
_SHARE_SET_ASIDE = 3  # one in so many
_GRID = 160
_FAR_DECADES = 4.0

Values = Mapping[str, tuple[float, float]]


@dataclass(frozen=True)
class Deviation:
    """One number of one unit against its siblings.

    `expected` is where these lie, `spread` how far they scatter from unit to unit (without measuring errors), both in
    the number's own unit; `p` of this number alone, `p_together` among all that were looked at. `z` is the normal
    deviate of the same p, with the sign of the difference. `seen_from` is the difference from which on this unit, if no
    other differed, would have counted as odd. All NaN where the siblings are too few.
    """

    unit: str
    number: str
    value: float
    stderr: float
    siblings: int
    expected: float
    spread: float
    z: float
    p: float
    seen_from: float
    p_together: float = math.nan

    @property
    def difference(self) -> float:
        """Value minus what the siblings foresee."""
        return self.value - self.expected

    @property
    def real(self) -> bool | None:
        """Whether the unit differs beyond chance; None where that cannot be told."""
        return None if math.isnan(self.p_together) else self.p_together < SIGNIFICANT_P


def fleet_deviations(table: Mapping[str, Values]) -> list[Deviation]:
    """Return every number (of `table`: number -> unit -> value and standard error) of every unit, judged together.

    Values that are not finite are left out; an error that is not known counts as part of the spread.
    """
    known = {
        number: {unit: pair for unit, pair in values.items() if math.isfinite(pair[0])}
        for number, values in table.items()
    }
    comparisons = sum(len(values) for values in known.values() if len(values) >= LEAST_UNITS)
    found = [item for number, values in known.items() for item in _of_number(number, values, comparisons)]
    order = sorted((i for i, item in enumerate(found) if math.isfinite(item.p)), key=lambda i: found[i].p)
    largest = 0.0
    for rank, index in enumerate(order):  # Holm's step-down
        largest = max(largest, min(1.0, (len(order) - rank) * found[index].p))
        found[index] = replace(found[index], p_together=largest)
    return found


def _of_number(number: str, known: Values, comparisons: int) -> list[Deviation]:
    units = list(known)
    y = np.array([known[unit][0] for unit in units], dtype=np.float64)
    s = np.array([error if (error := known[unit][1]) > 0 else 0.0 for unit in units], dtype=np.float64)
    seen = _judged(y, s, SIGNIFICANT_P / max(1, comparisons)) if len(units) >= LEAST_UNITS else None
    out = []
    for i, unit in enumerate(units):
        stderr = float(s[i]) if s[i] > 0 else math.nan
        if seen is None:
            out.append(Deviation(unit, number, float(y[i]), stderr, len(units) - 1, *(math.nan,) * 5))
            continue
        sign = math.copysign(1.0, y[i] - seen.expected[i])
        out.append(
            Deviation(
                unit=unit,
                number=number,
                value=float(y[i]),
                stderr=stderr,
                siblings=seen.siblings[i],
                expected=float(seen.expected[i]),
                spread=float(seen.spread[i]),
                z=sign * _normal_deviate(float(seen.p[i])),
                p=float(seen.p[i]),
                seen_from=float(seen.seen_from[i]),
            )
        )
    return out


@dataclass(frozen=True)
class _Judged:
    p: NDArray[np.float64]
    expected: NDArray[np.float64]
    spread: NDArray[np.float64]
    siblings: list[int]
    seen_from: NDArray[np.float64]


def _judged(y: NDArray[np.float64], s: NDArray[np.float64], least_p: float) -> _Judged:
    """Return p of each unit, by which siblings it was judged (where they lie, their spread, how many), and the
    difference at which its p would be `least_p`."""
    count = len(y)
    most = max(1, min(count // _SHARE_SET_ASIDE, count - LEAST_UNITS + 1))
    rest = list(range(count))
    aside: list[int] = []
    p_aside: list[float] = []
    for _ in range(most):
        p = {i: foreseen(*_others(y, s, rest, i)).p(y[i], s[i]) for i in rest}
        oddest = min(rest, key=lambda i: (p[i], -abs(y[i] - float(np.median(y)))))
        rest.remove(oddest)
        aside.append(oddest)
        p_aside.append(p[oddest])
    # one that is set aside counts by the oddest of those set aside with or after it
    falling = np.minimum(1.0, most * np.minimum.accumulate(np.array(p_aside)[::-1])[::-1])
    last = max((k for k, value in enumerate(p_aside) if most * value < SIGNIFICANT_P / count), default=-1)
    clean = sorted({*rest, *aside[last + 1 :]})
    p_all, expected, spread, seen_from = (np.full(count, np.nan) for _ in range(4))
    siblings = []
    for i in range(count):
        others = [j for j in clean if j != i]
        foresight = foreseen(*_others(y, s, others, None))
        p_all[i], expected[i], spread[i] = foresight.p(y[i], s[i]), foresight.expected, foresight.spread
        seen_from[i] = foresight.difference_at(least_p / most, s[i])
        siblings.append(len(others))
    for k, i in enumerate(aside):
        p_all[i] = max(p_all[i], falling[k]) if k > last else falling[k]
    return _Judged(p_all, expected, spread, siblings, seen_from)


def _others(
    y: NDArray[np.float64], s: NDArray[np.float64], among: Sequence[int], without: int | None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    chosen = [j for j in among if j != without]
    return y[chosen], s[chosen]


@dataclass(frozen=True)
class Foresight:
    """What siblings foresee for one more unit: a mixture of normal distributions over the spread from unit to unit.

    `expected` is where the siblings lie, `spread` how far they scatter from unit to unit: NaN where all of them are
    equal and their errors not known.
    """

    weight: NDArray[np.float64]
    centre: NDArray[np.float64]
    variance: NDArray[np.float64]
    expected: float
    spread: float

    def p(self, value: float, stderr: float) -> float:
        """Return how often a sibling measured with `stderr` would lie as far out as `value`; NaN where not known."""
        ahead = np.abs(value - self.centre) / np.sqrt(stderr**2 + self.variance)
        return float((self.weight * _two_sided(ahead)).sum())

    def difference_at(self, p: float, stderr: float) -> float:
        """Return the difference from `expected`, either way, from which on the p of a unit lies below `p`."""
        from scipy.optimize import brentq

        def ahead(difference: float) -> float:
            return max(self.p(self.expected + sign * difference, stderr) for sign in (-1.0, 1.0)) - p

        if math.isnan(self.spread):
            return math.nan
        far = max(self.spread, stderr, float(np.sqrt(self.variance.min())))
        while ahead(far) > 0.0:
            far *= 2.0
        return float(brentq(ahead, 0.0, far))


def foreseen(others: NDArray[np.float64], errors: NDArray[np.float64]) -> Foresight:
    """Return what siblings with the values `others` and their `errors` (0: not known) foresee; see the module.

    At least two values each.
    """
    scatter = float(np.ptp(others))
    scale = max(scatter, float(errors.max()))
    if scale == 0.0:
        unknown = np.array([math.nan])
        return Foresight(unknown, unknown, unknown, float(others[0]), math.nan)
    least = float(errors[errors > 0].min()) if bool((errors > 0).any()) else scatter
    low = math.log(min(least, scale)) - math.log(10.0) * _FAR_DECADES
    log_spread = np.linspace(low, math.log(scale) + math.log(10.0) * _FAR_DECADES, _GRID)
    spread2 = np.exp(2.0 * log_spread)[:, None]
    variance = errors**2 + spread2
    weight = 1.0 / variance
    total = weight.sum(axis=1)
    centre = (weight * others).sum(axis=1) / total
    chi2 = (weight * (others - centre[:, None]) ** 2).sum(axis=1)
    prior = 0.5 * np.log((weight**2 * spread2).sum(axis=1))
    log_density = prior - 0.5 * (np.log(variance).sum(axis=1) + np.log(total) + chi2) + log_spread
    density = np.exp(log_density - log_density.max())
    density /= density.sum()
    return Foresight(
        weight=density,
        centre=centre,
        variance=spread2[:, 0] + 1.0 / total,
        expected=float((density * centre).sum()),
        spread=float(np.exp((density * log_spread).sum())),
    )


def _two_sided(z: NDArray[np.float64]) -> NDArray[np.float64]:
    from scipy.special import erfc

    return np.asarray(erfc(z / math.sqrt(2.0)), dtype=np.float64)


def _normal_deviate(p: float) -> float:
    from scipy.special import ndtri

    return float(-ndtri(max(p, 1e-300) / 2.0)) if math.isfinite(p) else math.nan
