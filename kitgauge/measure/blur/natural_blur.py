"""What blurred an everyday frame: motion, defocus, both or neither, told from the widths of its edges; or not told.

The blur of a frame widens every edge by n' C n, n the direction across the edge and C one covariance [px^2]. Edges of
things are mostly sharp, so that where the camera or the focus blurs, widths pile up at one value per direction, and
none is narrower. Softness that belongs to the things themselves (shadows, fog) scatters. So a verdict needs the pile,
not only a lower bound; needs edges enough in both directions, spread over the frame; and is "cannot tell" without.

- motion: wide along one direction, narrow across it, everywhere;
- defocus: alike in all directions, everywhere;
- in part: some of the frame is sharp in all directions, so the camera did not shake; the rest lies out of the depth of
  field, or moved by itself.

A normal spread fitted to a motion's ramp or a disc's edge is larger than their standard deviation; `kernel_size` undoes
that by fitting the same to the known profiles.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import erf

from kitgauge.measure.blur.natural_edges import NaturalEdges

Array = NDArray[np.float64]
Verdict = Literal["sharp", "motion", "defocus", "motion-and-defocus", "sharp-in-part", "cannot-tell"]

LEAST_EDGES = 20
_LEAST_AXIS = 8  # edges about each axis
_LEAST_PLACES = 3  # parts of the frame that they lie in
_PLACES = 6  # parts along the longer side
_WINDOW_DEG = 15.0
_AXIS_DEG = 30.0
_AT_THE_PILE = math.log(1.2)
_PILE_ACROSS = 0.5  # about the narrowest direction, beside which widths grow fast
_PILE = 0.6  # share of edges at the pile, about each axis
_LOW_QUANTILE = 0.25
_DRAWS = 60
_ONE_WAY = 1.35  # ratio of the two spreads from which on a blur has a direction, beyond doubt
_ALIKE = 1.3  # ratio up to which it has none
_NARROWER = 0.12  # share of edges about an axis that may be narrower than the pile: mistakes
_LARGEST_GAP = 65.0  # degrees between directions of edges, from which on they tell two variances but no covariance
_LEAST = 0.95  # of the frames drawn anew
_MOSTLY = 0.5  # share of edges that must be narrow where a place is sharp
_FEW = 0.1  # share of edges that are sharp where hardly any is
_SHARP_PLACES = 0.6  # share of the parts with edges that are sharp in a sharp frame


@dataclass(frozen=True)
class NaturalBlur:
    """What the edges of a frame tell of its blur.

    `spread_px`: normal spread of the pile along the widest and the narrowest direction, with standard errors;
    `direction_deg` of the widest, 0 along the rows and 90 down the columns, 0 to 180. `pile`: share of edges at the
    pile about both axes. `sharp_places` and `soft_places`: (column, row) of parts of the frame, as shares of its sides.
    `why` tells, where nothing can be told, what was missing. NaN where not measured.
    """

    verdict: Verdict
    certainty: float
    edges: int
    widest_px: float
    widest_stderr_px: float
    narrowest_px: float
    narrowest_stderr_px: float
    direction_deg: float
    pile: tuple[float, float]
    sharp_places: tuple[tuple[float, float], ...] = ()
    soft_places: tuple[tuple[float, float], ...] = ()
    why: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return asdict(self)

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> NaturalBlur:
        """Return what `as_dict` wrote."""
        tuples = {name: tuple(tuple(p) for p in values[name]) for name in ("sharp_places", "soft_places")}
        return cls(**{**values, **tuples, "pile": tuple(values["pile"])})


@dataclass(frozen=True)
class _Fit:
    covariance: Array  # (3,): xx, xy, yy
    widest: float
    narrowest: float
    direction_deg: float


def judge_blur(edges: NaturalEdges, shape: tuple[int, int], sharp_px: float, *, seed: int = 0) -> NaturalBlur:
    """Return the verdict on a frame of `shape` (rows, columns).

    `sharp_px` is the largest spread of an edge that counts as sharp: what this lens gives, or what is usual.
    """
    if edges.count < LEAST_EDGES:
        found = f"only {edges.count} clear edges were found" if edges.count else "no clear edges were found"
        return _nothing(edges, found)
    place = _place_numbers(edges, shape)
    spread = np.sqrt(np.maximum(edges.variance_px2, 0.01))
    sharp, soft = _places(edges, place, spread, sharp_px, shape)
    fit = _fit(edges, spread)
    if fit is None:
        return _nothing(edges, "the edges run in one direction only", sharp, soft)
    ratio = np.log(spread / _expected(fit.covariance, edges.normal_deg))
    about = []
    for axis in (fit.direction_deg, fit.direction_deg + 90.0):
        near = _turn(edges.normal_deg, axis) <= _AXIS_DEG
        at = near & (np.abs(ratio) <= _AT_THE_PILE)
        narrower = near & (ratio < -_AT_THE_PILE)
        count = max(int(near.sum()), 1)
        about.append(_About(int(at.sum()), len(set(place[at])), at.sum() / count, narrower.sum() / count))
    draws = _draws(edges, spread, place, seed)
    errors = draws.std(axis=0, ddof=1) if len(draws) > _DRAWS // 2 else np.full(3, math.nan)

    def told(verdict: Verdict, certainty: float, why: str = "") -> NaturalBlur:
        return NaturalBlur(
            verdict, certainty, edges.count, fit.widest, float(errors[0]), fit.narrowest, float(errors[1]),
            fit.direction_deg, (float(about[0].pile), float(about[1].pile)), sharp, soft, why,
        )  # fmt: skip

    share = len(sharp) / max(len(sharp) + len(soft), 1)
    in_part = share < _SHARP_PLACES and min(len(sharp), len(soft)) >= _LEAST_PLACES
    why_not = _why_not(about, errors)
    two_ways = _gap(edges.normal_deg) > _LARGEST_GAP
    if not why_not:
        verdict, certainty = _whole_frame(fit, draws, sharp_px, two_ways=two_ways)
        if verdict not in ("cannot-tell", "sharp") or (verdict == "sharp" and not in_part):
            return told(verdict, certainty)
        why_not = "the edges lie between sharp and soft"
        if two_ways and fit.narrowest > sharp_px:
            why_not = "all edges are soft, but they run in two directions only: slanting motion looks like defocus"
    if len(sharp) >= _LEAST_PLACES and _truly_sharp(edges, spread, shape, sharp, sharp_px):
        return told("sharp-in-part", 1.0 - 0.5 ** len(sharp)) if in_part else told("sharp", share)
    if not sharp and float(np.mean(spread <= sharp_px)) < _FEW:
        why_not = f"hardly an edge in the frame is sharp, but {why_not}"
    return told("cannot-tell", 0.0, why_not)


def _truly_sharp(
    edges: NaturalEdges,
    spread: Array,
    shape: tuple[int, int],
    places: tuple[tuple[float, float], ...],
    sharp_px: float,
) -> bool:
    """Tell whether the edges in these parts of the frame share a blur that is sharp in every direction."""
    inside = _in_places(edges, shape, places)
    fit = _fit(edges.where(inside), spread[inside])
    return fit is not None and fit.widest <= sharp_px


@dataclass(frozen=True)
class _About:
    """Edges about one axis: how many are at the pile, in how many parts of the frame, and which share; which share is
    narrower."""

    count: int
    places: int
    pile: float
    narrower: float


def _why_not(about: list[_About], errors: Array) -> str:
    """Return why the edges of the whole frame do not share one blur, empty where they do."""
    if any(axis.count < _LEAST_AXIS or axis.places < _LEAST_PLACES for axis in about):
        return "too few edges in one of the directions"
    if about[0].pile < _PILE or about[1].pile < _PILE_ACROSS:
        return "the edges differ in width among themselves, as those of a soft subject do"
    if max(axis.narrower for axis in about) > _NARROWER:
        return "some edges are narrower than the others of their direction"
    return "" if np.all(np.isfinite(errors)) else "the edges lie too close together"


def _whole_frame(fit: _Fit, draws: Array, sharp_px: float, *, two_ways: bool) -> tuple[Verdict, float]:
    """Return the verdict and its certainty where all edges share one blur."""
    ratios = draws[:, 0] / draws[:, 1]
    wide, both = (float(np.mean(draws[:, k] > sharp_px)) for k in (0, 1))
    one_way = float(np.mean(ratios > _ONE_WAY))
    if wide >= _LEAST and one_way >= _LEAST:
        if both < _LEAST:
            return "motion", min(wide, one_way)
        return ("cannot-tell", 0.0) if two_ways else ("motion-and-defocus", min(wide, one_way, both))
    alike = 1.0 - one_way
    if both >= _LEAST and alike >= _LEAST and fit.widest / fit.narrowest < _ALIKE and not two_ways:
        return "defocus", min(both, alike)
    if wide <= 1.0 - _LEAST:
        return "sharp", 1.0 - wide
    return "cannot-tell", 0.0


def _nothing(
    edges: NaturalEdges, why: str, sharp: tuple[tuple[float, float], ...] = (), soft: tuple[Any, ...] = ()
) -> NaturalBlur:
    nan = math.nan
    return NaturalBlur("cannot-tell", 0.0, edges.count, nan, nan, nan, nan, nan, (nan, nan), sharp, soft, why)


def _turn(angle_deg: Array, axis_deg: float) -> Array:
    """Return by how much lines differ in direction, 0 to 90 degrees."""
    return np.abs(np.mod(angle_deg - axis_deg + 90.0, 180.0) - 90.0)


def _place_numbers(edges: NaturalEdges, shape: tuple[int, int]) -> NDArray[np.int64]:
    size = max(shape) / _PLACES
    numbers = np.floor(edges.y_px / size).astype(np.int64) * 64 + np.floor(edges.x_px / size).astype(np.int64)
    return np.asarray(numbers, dtype=np.int64)


def _directions(normal_deg: Array) -> Array:
    angle = np.radians(normal_deg)
    return np.stack([np.cos(angle) ** 2, 2 * np.sin(angle) * np.cos(angle), np.sin(angle) ** 2], axis=1)


def _expected(covariance: Array, normal_deg: Array) -> Array:
    return np.sqrt(np.maximum(_directions(normal_deg) @ covariance, 0.01))


def _fit(edges: NaturalEdges, spread: Array) -> _Fit | None:
    """Return the covariance that the narrower edges of each direction share, None where directions are missing."""
    centres = np.arange(0.0, 180.0, _WINDOW_DEG)
    rows, values, weights = [], [], []
    for centre in centres:
        near = _turn(edges.normal_deg, centre) <= _WINDOW_DEG
        if near.sum() >= 4:
            rows.append(centre)
            values.append(float(np.quantile(spread[near], _LOW_QUANTILE)))
            weights.append(math.sqrt(min(int(near.sum()), 25)))
    if len(rows) < 3 or not _spans(np.array(rows)):
        return None
    level = np.array(values)
    covariance = _solve(np.array(rows), level, np.array(weights))
    for _ in range(4):
        expected = _expected(covariance, edges.normal_deg)
        at = np.abs(np.log(spread / expected)) <= _AT_THE_PILE
        if at.sum() < LEAST_EDGES // 2 or not _spans(edges.normal_deg[at]):
            break
        bins = np.floor(edges.normal_deg[at] / _WINDOW_DEG).astype(np.int64)
        balance = 1.0 / np.sqrt(np.bincount(bins, minlength=13)[bins])
        covariance = _solve(edges.normal_deg[at], spread[at], balance)
    values_, vectors = np.linalg.eigh(np.array([[covariance[0], covariance[1]], [covariance[1], covariance[2]]]))
    small, large = (math.sqrt(max(float(value), 0.01)) for value in values_)
    direction = math.degrees(math.atan2(float(vectors[1, 1]), float(vectors[0, 1]))) % 180.0
    return _Fit(covariance, large, small, direction)


def _spans(normal_deg: Array) -> bool:
    """Tell whether directions are more than one way: two at right angles, or more."""
    ordered = np.sort(np.mod(normal_deg, 180.0))
    return bool(np.max(np.diff(np.r_[ordered, ordered[0] + 180.0])) <= 100.0)


def _gap(normal_deg: Array) -> float:
    """Return the largest gap [degrees] between directions in which at least a twentieth of all edges run."""
    counts = np.bincount(np.floor(np.mod(normal_deg, 180.0) / 10.0).astype(np.int64) % 18, minlength=18)
    used = np.flatnonzero(counts >= max(2.0, 0.02 * counts.sum())) * 10.0
    return float(np.max(np.diff(np.r_[used, used[0] + 180.0]))) if used.size else 180.0


def _solve(normal_deg: Array, spread: Array, weights: Array) -> Array:
    """Return xx, xy, yy of the covariance by least squares of the variances, errors relative."""
    scale = weights / spread**2
    matrix = _directions(normal_deg) * scale[:, None]
    # without edges between the axes nothing tells xy: held at 0 by a little
    extra = np.array([[0.0, 0.05 / float(np.median(spread)) ** 2, 0.0]])
    return np.asarray(np.linalg.lstsq(np.vstack([matrix, extra]), np.r_[spread**2 * scale, 0.0], rcond=None)[0])


def _draws(edges: NaturalEdges, spread: Array, place: NDArray[np.int64], seed: int) -> Array:
    """Return (widest, narrowest, direction) of frames made of the same parts drawn anew (bootstrap)."""
    rng = np.random.default_rng(seed)
    parts = [np.flatnonzero(place == number) for number in np.unique(place)]
    found = []
    for _ in range(_DRAWS):
        chosen = np.concatenate([parts[k] for k in rng.integers(0, len(parts), len(parts))])
        one = _fit(edges.where(chosen), spread[chosen])
        if one is not None:
            found.append((one.widest, one.narrowest, one.direction_deg))
    return np.array(found).reshape(-1, 3)


def _places(
    edges: NaturalEdges, place: NDArray[np.int64], spread: Array, sharp_px: float, shape: tuple[int, int]
) -> tuple[tuple[tuple[float, float], ...], tuple[tuple[float, float], ...]]:
    """Return the parts of the frame with narrow edges in directions apart, and those with wide edges only."""
    sharp, soft = [], []
    size = max(shape) / _PLACES
    for number in np.unique(place):
        inside = place == number
        if inside.sum() < 4:
            continue
        middle = (
            min((number % 64 + 0.5) * size / shape[1], 1.0),
            min((number // 64 + 0.5) * size / shape[0], 1.0),
        )
        narrow = inside & (spread <= sharp_px)
        if _sharp_both_ways(edges.normal_deg[inside], narrow[inside]):
            sharp.append((float(middle[0]), float(middle[1])))
        elif _wide_one_way(edges.normal_deg[inside], narrow[inside]):
            soft.append((float(middle[0]), float(middle[1])))
    return tuple(sharp), tuple(soft)


def _sharp_both_ways(normal_deg: Array, narrow: NDArray[np.bool_]) -> bool:
    """Tell whether the edges of two directions 70 degrees or more apart are narrow, most of them, three or more each.

    Variances along two directions at right angles add to that of the whole blur: both small, and no motion is left.
    """
    for axis in normal_deg[narrow]:
        turn = _turn(normal_deg, float(axis))
        groups = (turn >= 70.0, turn < 20.0)
        if all(narrow[group].sum() >= 3 and narrow[group].mean() >= _MOSTLY for group in groups):
            return True
    return False


def _wide_one_way(normal_deg: Array, narrow: NDArray[np.bool_]) -> bool:
    """Tell whether the edges of some direction are wide, all but a few."""
    for axis in np.arange(0.0, 180.0, 30.0):
        near = _turn(normal_deg, float(axis)) <= 25.0
        if near.sum() >= 4 and narrow[near].sum() <= 0.2 * near.sum():
            return True
    return False


def kernel_size(spread_px: float, reference_px: float, form: Literal["motion", "disc"]) -> float:
    """Return the length of uniform motion, or the diameter of a defocus disc [px], that widens an edge of spread
    `reference_px` to `spread_px`; 0 where that is not wider.

    Both are spreads of a normal profile fitted to the edge. The profile of motion across an edge is a box, that of a
    disc a half ellipse (its integral over chords), each convolved with the reference's normal one.
    """
    if not spread_px > reference_px > 0:
        return 0.0
    ratio = spread_px / reference_px
    if _fitted_spread(40.0, form) <= ratio:
        return float(ratio * reference_px * 40.0 / _fitted_spread(40.0, form))
    return float(reference_px * brentq(lambda size: _fitted_spread(size, form) - ratio, 0.0, 40.0, xtol=1e-3))


@lru_cache(maxsize=4096)
def _fitted_spread(size: float, form: str) -> float:
    """Return the normal spread fitted to an edge of spread 1, blurred by a kernel of `size`."""
    if size <= 0:
        return 1.0
    nodes, weights = np.polynomial.legendre.leggauss(33)
    if form == "motion":
        places, shares = nodes * size / 2.0, weights / 2.0
    else:
        angle = (nodes + 1) * math.pi / 2  # chords of a disc: places cos, density sin^2
        places, shares = np.cos(angle) * size / 2.0, np.sin(angle) ** 2 * weights
        shares = shares / shares.sum()
    reach = size / 2.0 + 4.0
    x = np.linspace(-reach, reach, 401)
    profile = erf((x[:, None] - places[None, :]) / math.sqrt(2.0)) @ shares
    low, high = 0.5, reach
    for _ in range(50):  # golden section would do as well; the misfit has one minimum
        a, b = low + (high - low) / 3, high - (high - low) / 3
        misfits = [float(np.sum((profile - erf(x / (math.sqrt(2.0) * s))) ** 2)) for s in (a, b)]
        low, high = (low, b) if misfits[0] < misfits[1] else (a, high)
    return 0.5 * (low + high)


def within_places(edges: NaturalEdges, shape: tuple[int, int], places: tuple[tuple[float, float], ...]) -> NaturalEdges:
    """Return the edges in the parts of the frame that a verdict names by their middles."""
    return edges.where(_in_places(edges, shape, places))


def _in_places(
    edges: NaturalEdges, shape: tuple[int, int], places: tuple[tuple[float, float], ...]
) -> NDArray[np.bool_]:
    size = max(shape) / _PLACES
    numbers = [
        int(min(y * shape[0], shape[0] - 1) / size) * 64 + int(min(x * shape[1], shape[1] - 1) / size)
        for x, y in places
    ]
    return np.asarray(np.isin(_place_numbers(edges, shape), numbers))
