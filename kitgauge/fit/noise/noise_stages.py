"""Which ISO model the points support: one gain stage or two, and which ISO values are scaled digitally.

Every candidate is sigma_r^2 = sigma_0^2 + (sigma_1 a)^2 with one sigma_0 or, from some ISO on, a smaller one. `a`
[e-/DN] is the gain at which the amplifier worked: the measured gain g, or, for an ISO value that a camera makes from
another by multiplying its numbers, that one's gain. Third-stop values made so ("pushed" from the whole stop below,
"pulled" from the one above) and values below the lowest real one are tried as whole patterns.

Real amplifiers keep to the model to a percent or so only, and points are measured better than that. So the
points' errors are widened by a departure s (share of read noise), which is integrated over its prior: candidates are
compared by the likelihood that is left. Evidence is the difference in BIC (Schwarz 1978; "very strong" above 10:
Kass and Raftery 1995; both from memory), in which the place of a break, and each choice of a pattern, count as
parameters; AICc (Hurvich and Tsai 1989) stands beside it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

# Very strong evidence is a difference of BIC above 10 (Kass and Raftery 1995, from memory); where more is asked for
# below, and the shares and steps: common practice, no source.
BIC_NEEDED = 10.0
# A pattern of digital ISO values says that labels mislead, and many are tried: more is asked of it
PATTERN_BIC_NEEDED = 20.0
# How far amplifiers depart from the model, as a share of read noise: log-normal about 1.5 % with a factor 2 for one
# standard deviation (common practice, no source). Where points come without errors nothing is known beforehand.
DEPARTURE = 0.015
_DEPARTURE_FACTOR = 2.0
_DEPARTURES = np.geomspace(0.002, 0.32, 12)
_FREE_DEPARTURES = np.geomspace(0.002, 0.4, 15)
# A smaller step of sigma_0 than this [stops] is of no use to anybody and not claimed
LEAST_STEP_STOPS = 0.1
# Points that depart by more than this share from either model follow neither, and a bend of theirs is no stage
# unless it is this many departures deep
MODEL_HOLDS = 0.06
_CLEAR_STEP = 6.0
STAGE_POINTS = 2  # that each stage needs, as a rule
# A stage of one point alone, the first or the last: sigma_1 is the other points', so that its sigma_0 is identified,
# but any odd point at an end fits it too. More is asked of it: this many points in all, evidence, sigma_0 lower by a
# quarter, and a step of read noise four times as large as the departures of 3 % that amplifiers show at worst.
ONE_POINT_LEAST_POINTS = 5
ONE_POINT_BIC_NEEDED = 15.0
_ONE_POINT_SIGMA_0 = 0.75
_ONE_POINT_STEP = 0.12

Vector = NDArray[np.float64]


@dataclass(frozen=True)
class Pattern:
    """Which points are made digitally from which others: index of the source, None for an amplified point."""

    sources: tuple[int | None, ...]
    choices: int  # that were made, for the evidence
    text: str = ""

    def amplifier_gains(self, gains: Vector) -> Vector:
        """Return the gain at which the amplifier worked at each point [e-/DN]."""
        return np.array([gains[i if source is None else source] for i, source in enumerate(self.sources)])


@dataclass(frozen=True)
class Candidate:
    """One model with its evidence. `split` is the index of the first point of the second stage, None for one stage."""

    pattern: Pattern
    split: int | None
    claimable: bool  # any second stage is lower by enough, and points with a pattern follow the model
    log_likelihood: float  # departures integrated out
    aicc: float
    bic: float


@dataclass(frozen=True)
class Selection:
    """The chosen candidate and those it was compared with."""

    chosen: Candidate
    one_stage: Candidate  # best one without a second stage, of the chosen pattern
    two_stages: Candidate | None  # best with one, of the chosen pattern
    next_place: Candidate | None  # best other place of the break, whether its second stage is lower or not
    amplified: Candidate  # best where every ISO value is amplified
    rival: Candidate | None  # one stage with digital values that explains the points as well as a second stage would


def patterns(isos: Sequence[float]) -> list[Pattern]:
    """Return the patterns to try, the plain one first.

    Ends: the lowest values, up to a stop below the lowest amplified one, pulled from it. Thirds: those a third above
    the whole stops 100 * 2^n, those two thirds above, or both, each pushed from the nearest stop below or pulled from
    the one above. A source must be a measured ISO value that is amplified itself.
    """
    count = len(isos)
    plain: tuple[int | None, ...] = (None,) * count
    out = [Pattern(plain, 0)]
    third = [round(3.0 * math.log2(iso / 100.0)) % 3 for iso in isos]
    stops = {round(math.log2(iso / 100.0)): i for i, iso in enumerate(isos) if third[i] == 0}
    lows = [low for low in range(4) if low == 0 or (low < count - 4 and isos[low] <= 2.1 * isos[0])]
    for low, *ways in product(lows, ("", "pushed", "pulled"), ("", "pushed", "pulled")):
        if low == 0 and not any(ways):
            continue
        sources: list[int | None] = [low if i < low else None for i in range(count)]
        used = [0, 0]
        for i, iso in enumerate(isos):
            way = ways[third[i] - 1] if third[i] and i > low else ""
            if way:
                source = stops.get(math.floor(math.log2(iso / 100.0) + 0.05) + (way == "pulled"))
                if source is not None and source >= low:
                    sources[i] = source
                    used[third[i] - 1] += 1
        if any(way and number < 2 for way, number in zip(ways, used, strict=True)):
            continue  # one value alone is no pattern
        words = [f"thirds {k + 1}/3 above a stop {way}" for k, way in enumerate(ways) if way]
        words += [f"below ISO {isos[low]:g} pulled"] * (low > 0)
        out.append(Pattern(tuple(sources), sum(map(bool, ways)) + (low > 0), "; ".join(words)))
    return list({p.sources: p for p in reversed(out)}.values())[::-1]


def select(isos: Sequence[float], gains: Vector, variances: Vector, errors: Vector) -> Selection:
    """Return the model that the points support.

    Parameters
    ----------
    isos : rising
    gains : [e-/DN]
    variances, errors : of read noise [e-^2]; errors NaN where unknown
    """
    tried = patterns(isos)
    count = len(gains)
    splits: list[int | None] = [None, *range(STAGE_POINTS, count - STAGE_POINTS + 1)]
    candidates = _compared(tried, splits, gains, variances, errors)
    if count >= ONE_POINT_LEAST_POINTS:
        candidates += _compared(tried[:1], [1, count - 1], gains, variances, errors)
    single = [c for c in candidates if c.split is None and c.claimable]
    chosen = _best(candidates)
    rival: Candidate | None = min(single, key=lambda c: c.bic)
    if chosen.split is not None and rival is not None and rival.bic - chosen.bic < bic_needed(chosen, count):
        chosen = _best(single)
    else:
        rival = None
    same = [c for c in candidates if c.pattern is chosen.pattern]
    one = next(c for c in same if c.split is None)
    places = sorted((c for c in same if c.split is not None), key=lambda c: c.bic)
    two = next((c for c in places if c.claimable), None)
    return Selection(
        chosen,
        one,
        two,
        next((c for c in places if c is not two), None),
        _best([c for c in candidates if c.pattern.choices == 0]),
        rival,
    )


def bic_needed(candidate: Candidate, count: int) -> float:
    """Return by how much a second stage must lower BIC to be claimed, 0 for one stage; of `count` points."""
    if candidate.split is None:
        return 0.0
    return ONE_POINT_BIC_NEEDED if candidate.split in (1, count - 1) else BIC_NEEDED


def _best(candidates: Sequence[Candidate]) -> Candidate:
    """Return the candidate of lowest BIC; a second stage, and digital values, only where that is lower by so much as is
    needed for either."""

    def price(c: Candidate) -> float:
        return c.bic + bic_needed(c, len(c.pattern.sources)) + (PATTERN_BIC_NEEDED if c.pattern.choices else 0.0)

    return min((c for c in candidates if c.claimable), key=price)


def _compared(
    tried: Sequence[Pattern], splits: Sequence[int | None], gains: Vector, variances: Vector, errors: Vector
) -> list[Candidate]:
    """Return every pattern with every place of the break."""
    count = len(gains)
    pairs = [(pattern, split) for pattern in tried for split in splits]
    high = np.array([[split is not None and i >= split for i in range(count)] for _, split in pairs])
    amplifier = np.repeat([pattern.amplifier_gains(gains) for pattern in tried], len(splits), axis=0)
    design = np.stack([~high * 1.0, high * 1.0, amplifier**2], axis=2)  # (candidate, point, parameter)
    known = bool(np.isfinite(errors).all())
    departures = _DEPARTURES if known else _FREE_DEPARTURES
    scales = np.hypot(errors if known else 0.0, 2.0 * departures[:, None] * variances)  # (departure, point)
    squares, chi_square = non_negative(design, variances, scales)
    log_likelihood = -0.5 * (chi_square + np.log(2.0 * math.pi * scales**2).sum(axis=1))
    prior = np.zeros_like(departures)
    if known:
        prior = -0.5 * (np.log(departures / DEPARTURE) / math.log(_DEPARTURE_FACTOR)) ** 2
    weight = np.exp(prior) / np.exp(prior).sum()
    top = log_likelihood.max(axis=1)
    together = top + np.log((np.exp(log_likelihood - top[:, None]) * weight).sum(axis=1))
    # with the widest errors all points count alike: what is left then is how far they are from the model
    squares, left = squares[:, -1], departures[-1] * np.sqrt(chi_square[:, -1] / max(count - 4, 1))
    out = []
    for i, (pattern, split) in enumerate(pairs):
        parameters = (2 if split is None else 4) + pattern.choices + (not known)
        free = count - parameters - 1
        correction = 2.0 * parameters * (parameters + 1) / free if free > 0 else math.inf
        out.append(
            Candidate(
                pattern,
                split,
                (split is None or _claimable(squares[i], amplifier[i, split], left[i], split in (1, count - 1)))
                and (pattern.choices == 0 or bool(left[i] <= MODEL_HOLDS)),
                float(together[i]),
                2.0 * parameters - 2.0 * float(together[i]) + correction,
                parameters * math.log(count) - 2.0 * float(together[i]),
            )
        )
    return out


def _claimable(squares: Vector, gain: float, departure: float, one_point: bool) -> bool:
    """Tell whether a second stage is lower by `LEAST_STEP_STOPS`, and read noise at its start by more than points that
    follow no such model would show anyway."""
    low, high, after = squares
    if not high * 4.0**LEAST_STEP_STOPS <= low:
        return False
    step = 0.5 * math.log((low + after * gain**2) / max(high + after * gain**2, 1e-300))
    lower = high <= _ONE_POINT_SIGMA_0**2 * low
    if one_point and not (lower and step >= max(_ONE_POINT_STEP, _CLEAR_STEP * departure)):
        return False
    return bool(departure <= MODEL_HOLDS or step >= _CLEAR_STEP * departure)


def non_negative(design: Vector, values: Vector, scales: Vector) -> tuple[Vector, Vector]:
    """Return weighted least squares with every parameter at 0 or above, and its chi-square.

    Parameters
    ----------
    design : (candidate, point, parameter)
    values : (point,)
    scales : (weighting, point) standard errors

    Returns (candidate, weighting, parameter) and (candidate, weighting). Where the free
    solution has a negative parameter every set of free ones is solved: the feasible one of the least chi-square is
    the solution (the problem is convex).
    """
    weights = 1.0 / scales**2
    count = design.shape[2]
    normal = np.einsum("cnp,wn,cnq->cwpq", design, weights, design, optimize=True)
    target = np.einsum("cnp,wn->cwp", design, weights * values, optimize=True)
    size = np.sqrt(np.einsum("cwpp->cwp", normal))
    empty = size == 0.0  # a parameter that no point depends on stays 0
    size = np.where(empty, 1.0, size)
    normal, target = normal / (size[..., :, None] * size[..., None, :]), target / size
    best = np.zeros_like(target)
    best_gain = np.zeros(target.shape[:2])
    open_ones = np.ones(target.shape[:2], dtype=bool)
    for free in sorted(product((False, True), repeat=count), key=sum, reverse=True)[:-1]:
        mask = np.array(free) & ~empty[open_ones]
        aim = np.where(mask, target[open_ones], 0.0)
        matrix = np.where(mask[:, :, None] & mask[:, None, :], normal[open_ones], np.eye(count))
        singular = np.abs(np.linalg.det(matrix)) < 1e-12
        matrix[singular] = np.eye(count)
        solution = np.linalg.solve(matrix, aim[..., None])[..., 0]
        feasible = (solution >= 0.0).all(axis=1) & ~singular
        # chi-square falls by target . solution from that of all-zero parameters
        gain = np.where(feasible, (aim * solution).sum(axis=1), 0.0)
        better = gain > best_gain[open_ones]
        best[open_ones] = np.where(better[:, None], solution, best[open_ones])
        best_gain[open_ones] = np.where(better, gain, best_gain[open_ones])
        if all(free):  # feasible without a bound: no subset can do better
            open_ones[open_ones] = ~feasible
            if not open_ones.any():
                break
    best = best / size
    residual = values - np.einsum("cnp,cwp->cwn", design, best, optimize=True)
    return best, ((residual / scales) ** 2).sum(axis=2)
