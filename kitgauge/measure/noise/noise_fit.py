"""Which flats of an ISO value serve for its gain, and the straight line of photon transfer through them.

EMVA 1288 Release 4 Linear fits variance against level from dark to 70 % of saturation: above, sensors bend, and the
variance falls before the level stops.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from kitgauge.flags import rejects
from kitgauge.measure.noise.dark_pair import DarkPair
from kitgauge.measure.noise.pair_columns import values_of
from kitgauge.measure.noise.photon_transfer import TOO_DARK_SHARE, FlatPair
from kitgauge.measure.noise.rounding import QUANTISATION_DN2, is_one, quantisation_dn2
from kitgauge.measure.noise.scatter import scatter_limit
from kitgauge.measure.noise.twice_rounded import noise_before_scaling

FIT_SHARE = 0.7  # of saturation: EMVA 1288 R4 ...
# ... and narrower ranges, the widest taken in which the points keep to a line, if they do not up to there: gain is
# wanted where the sensor is straight (common practice, no source).
_STRAIGHT_SHARES = (0.5, 0.35, 0.25)
_ENOUGH_LEVELS = 3  # that differ by a tenth or more below `FIT_SHARE`, the highest of them above `_HIGH_ENOUGH`
_HIGH_ENOUGH = 0.2
_NEW_LEVEL = 1.1
# The variance of a flat near saturation is this share of what lower levels lead to expect, or less, and so by 6
# standard errors (common practice, no source).
_COLLAPSED = 0.85
_SATURATED = 0.5  # ... and so much less where most of the flat has stopped varying
_COLLAPSE_SIGMAS = 6.0
ABOVE_FIT_RANGE = f"above {FIT_SHARE:.0%} of saturation: other levels tell the gain better"
BENT = "above {:.0%} of saturation, where variance against level bends: darker levels tell the gain better"
COLLAPSED = "varies less than its level explains: part of it is saturated"
# Without a usable dark pair, one level of flats cannot tell read noise from shot noise. The gain is then given for a
# read noise of 0, with the error that this much would make, before and behind the amplifier (common practice, no
# source: a sensor's order of size).
SUPPOSED_READ_NOISE_E = 5.0
SUPPOSED_READ_NOISE_DN = 1.5
# cut off, light's shot noise in it, noise of two frames, unknown
NO_READ_NOISE = {"clipped-black", "light-leak", "dark-subtracted", "rounding-dominates", "iso-changed"}


@dataclass(frozen=True)
class PlanePairs:
    """All pairs of one plane (one position of the colour pattern) at one ISO value.

    `colour` as in `frames.mosaic.Plane`: R, G1, G2, B (2 x 2), R, G, B (6 x 6), G (monochrome). `black_dn`,
    if given, replaces the black level that the flats were measured with (for instance by the darks' mean);
    `black_source` tells where it comes from: "masked", "dark", "metadata" or "unknown". Of many pairs `flats` and
    `darks` are `pair_columns`, which make a pair anew each time that it is asked for.
    """

    colour: str
    flats: Sequence[FlatPair]
    darks: Sequence[DarkPair] = ()
    black_dn: float | None = None
    black_source: str = "unknown"
    flat_settings: tuple[tuple[float, float], ...] = ()  # (shutter_s, f_number) of each of `flats`, NaN unknown
    dark_settings: tuple[tuple[float, float], ...] = ()
    clip_dn: float = math.nan  # code on which flats of other ISO values pile up, where it is not the stated white

    def in_full(self) -> PlanePairs:
        """Return the plane with its pairs as objects that last: for what tells them apart by identity."""
        return replace(self, flats=tuple(self.flats), darks=tuple(self.darks))


@dataclass(frozen=True, slots=True)
class UsedFlat:
    """A flat as the fit sees it: against the settled black."""

    flat: FlatPair
    black_dn: float
    saturation_dn: float  # clip level, else white; black still in it

    @property
    def shot_dn(self) -> float:
        """Mean of S_A + r^2 S_M / m; moving black by d moves it by -(1 + r^2 / m) d."""
        return self.flat.shot_dn + (self.flat.black_dn - self.black_dn) * self.flat.dark_weight

    @property
    def signal_dn(self) -> float:
        """Mean level above black."""
        return self.flat.signal_dn + self.flat.black_dn - self.black_dn

    @property
    def share(self) -> float:
        """Mean level as a share of saturation."""
        return self.signal_dn / (self.saturation_dn - self.black_dn)


@dataclass(frozen=True)
class LineFit:
    """System gain K [DN/e-] and variance of a dark sample [DN^2] of one channel, quantisation still in it."""

    k: float
    k_variance: float
    dark: float
    dark_variance: float
    covariance: float
    supposed: bool  # the dark variance was not measured
    flats: tuple[UsedFlat, ...]
    darks: tuple[DarkPair, ...]
    left_out: dict[int, str] = field(default_factory=dict)  # id of a flat: the reason


@dataclass(frozen=True)
class _Line:
    """K and dark variance, their variances and covariance; whether the dark variance is supposed, and whether the
    points keep to the line."""

    k: float
    k_variance: float
    dark: float
    dark_variance: float
    covariance: float
    supposed: bool
    straight: bool = True


def black_of(plane: PlanePairs, flat: FlatPair) -> float:
    """Return the black level that holds for a flat of `plane`."""
    return flat.black_dn if plane.black_dn is None else plane.black_dn


def piled_dn(plane: PlanePairs) -> float:
    """Return the code on which flats of `plane` pile up (median), else those of other ISO values, NaN if unknown."""
    levels = [level for level in values_of(plane.flats, "clipped_level_dn") if math.isfinite(level)]
    return float(np.median(levels)) if levels else plane.clip_dn


def usable_flats(plane: PlanePairs) -> list[UsedFlat]:
    """Return the flats without a fault, against the settled black."""
    piled = piled_dn(plane)
    usable = []
    for flat in plane.flats:
        used = UsedFlat(flat, black_of(plane, flat), flat.white_dn if math.isnan(piled) else piled)
        if not rejects(flat.flags) and flat.variance_dn2 > 0 and used.share >= TOO_DARK_SHARE:
            usable.append(used)
    return usable


def usable_darks(plane: PlanePairs) -> list[DarkPair]:
    """Return the darks that tell read noise; where codes were scaled digitally, rounding stands for what it is where
    noise is wide (`rounding.quantisation_dn2`), and what it may be here widens the error."""
    darks = [dark for dark in plane.darks if not NO_READ_NOISE & set(dark.flags) and dark.variance_dn2 > 0]
    scale = scale_of(plane)
    return darks if is_one(scale) else [_seen_through(dark, scale, len(darks)) for dark in darks]


def scale_of(plane: PlanePairs) -> float:
    """Return the factor by which the codes of a plane's flats were scaled digitally (median), NaN where unknown."""
    scales = [scale for scale in values_of(plane.flats, "code_scale") if math.isfinite(scale)]
    return float(np.median(scales)) if scales else math.nan


@lru_cache(maxsize=512)  # several channels and plots ask for the same
def _seen_through(dark: DarkPair, scale: float, alike: int) -> DarkPair:
    """Return a dark pair with the noise before scaling plus (f^2 + 1) / 12; the phase is the same in `alike` pairs."""
    if not dark.rounded_variance_dn2 > 0:
        return dark
    lines = sum(max(variance, 0.0) for variance in (dark.row_variance_dn2, dark.column_variance_dn2))
    before, unknown, slope = noise_before_scaling(
        *(dark.rounded_variance_dn2, dark.rounded_fixed_dn2 + lines, dark.mean_dn, scale, dark.first_code),
        np.array(dark.codes, dtype=np.float64),
    )
    return replace(
        dark,
        variance_dn2=before + quantisation_dn2(scale),
        variance_stderr_dn2=math.hypot(slope * dark.rounded_variance_stderr_dn2, unknown * math.sqrt(alike)),
        narrow=False,
    )


def fit_line(planes: Sequence[PlanePairs]) -> LineFit | None:
    """Return the weighted line through all flats and darks of the planes of one channel; None where none fits.

    One K and one dark variance for all planes: weights from the common fit do not favour planes that came out low.
    """
    flats = [flat for plane in planes for flat in usable_flats(plane)]
    darks = [dark for plane in planes for dark in usable_darks(plane)]
    left_out: dict[int, str] = {}
    if not flats or min(flat.shot_dn for flat in flats) <= 0:
        return None
    collapsed = _collapsed(flats, darks)
    left_out |= {id(flat.flat): COLLAPSED for flat in collapsed}
    kept = [flat for flat in flats if id(flat.flat) not in left_out]
    chosen: _Line | None = None
    for share in (FIT_SHARE, *_STRAIGHT_SHARES):
        low = [flat for flat in kept if flat.share <= share]
        if _levels(low) < _ENOUGH_LEVELS or max(flat.share for flat in low) < _HIGH_ENOUGH:
            break
        line = _line(low, darks)
        if line is not None and (chosen is None or line.straight):
            reason = ABOVE_FIT_RANGE if share == FIT_SHARE else BENT.format(share)
            chosen, within = line, low
            above = {id(flat.flat): reason for flat in kept if flat.share > share}
        if line is not None and line.straight:
            break
    if chosen is None:
        chosen, within, above = _line(kept, darks), kept, {}
    if chosen is None:
        return None
    return LineFit(
        k=chosen.k,
        k_variance=chosen.k_variance,
        dark=chosen.dark,
        dark_variance=chosen.dark_variance,
        covariance=chosen.covariance,
        supposed=chosen.supposed,
        flats=tuple(within),
        darks=tuple(darks),
        left_out={**above, **left_out},
    )


def _levels(flats: Sequence[UsedFlat]) -> int:
    """Return how many levels there are that differ by a tenth or more."""
    count, last = 0, 0.0
    for level in sorted(flat.signal_dn for flat in flats):
        if level > _NEW_LEVEL * last:
            count, last = count + 1, level
    return count


def _collapsed(flats: list[UsedFlat], darks: list[DarkPair]) -> list[UsedFlat]:
    """Return the brightest flats whose variance is well below the line through those that are darker."""
    ordered = sorted(flats, key=lambda flat: flat.signal_dn)
    out: list[UsedFlat] = []
    darker: list[UsedFlat] = []
    start = 0
    while start < len(ordered):
        end = start
        while end < len(ordered) and ordered[end].signal_dn <= _NEW_LEVEL * ordered[start].signal_dn:
            end += 1
        told = darker and (darks or _levels(darker) > 1)
        line = _line(darker, darks) if told else None
        fallen = [] if line is None else [flat for flat in ordered[start:end] if _below(flat, line)]
        out += fallen
        known = {id(flat) for flat in fallen}
        darker += [flat for flat in ordered[start:end] if id(flat) not in known]
        start = end
    return out


def _below(flat: UsedFlat, line: _Line) -> bool:
    expected = line.k * flat.shot_dn + line.dark * flat.flat.dark_weight
    own = expected * flat.flat.variance_stderr_dn2 / flat.flat.variance_dn2
    error = math.hypot(own, math.sqrt(line.k_variance) * flat.shot_dn)
    return flat.flat.variance_dn2 < min(_COLLAPSED * expected, expected - _COLLAPSE_SIGMAS * error)


def full_well_dn(fit: LineFit, planes: Sequence[PlanePairs]) -> float:
    """Return the level above black [DN] at which flats stop varying although no code is reached; NaN if none does.

    The level of the brightest part of flats whose variance is less than half of what the fit expects, or where parts
    of a flat stop varying.
    """
    tops = []
    for plane in planes:
        for flat in plane.flats:
            if math.isfinite(flat.full_well_dn):
                tops.append(flat.full_well_dn + flat.black_dn - black_of(plane, flat))
                continue
            expected = fit.k * flat.shot_dn + fit.dark * flat.dark_weight
            if fit.left_out.get(id(flat)) == COLLAPSED and flat.variance_dn2 < _SATURATED * expected:
                tops.append(flat.top_dn + flat.black_dn - black_of(plane, flat))
    return float(np.median(tops)) if tops else math.nan


def _line(flats: list[UsedFlat], darks: list[DarkPair]) -> _Line | None:
    """Return the weighted line; None where no positive K fits."""
    if not flats:
        return None
    shot = np.array([flat.shot_dn for flat in flats])
    if not darks and not float(shot.max()) >= 1.5 * float(shot.min()):
        return _one_level(flats, shot)
    rows = [[flat.shot_dn, flat.flat.dark_weight] for flat in flats] + [[0.0, 1.0] for _ in darks]
    pairs: list[FlatPair | DarkPair] = [*(flat.flat for flat in flats), *darks]
    values = np.array([pair.variance_dn2 for pair in pairs])
    errors = np.array([pair.variance_stderr_dn2 for pair in pairs])
    freedom = np.array([flat.flat.degrees_of_freedom for flat in flats] + [math.inf] * len(darks))
    outcome = _weighted(np.array(rows), values, errors / values, freedom)
    if outcome is None:
        return None
    theta, covariance, straight = outcome
    return _Line(
        k=float(theta[0]),
        k_variance=float(covariance[0, 0]),
        dark=float(theta[1]),
        dark_variance=float(covariance[1, 1]),
        covariance=float(covariance[0, 1]),
        supposed=not darks,
        straight=straight,
    )


def _weighted(
    design: NDArray[np.float64],
    values: NDArray[np.float64],
    relative_errors: NDArray[np.float64],
    freedom: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], bool] | None:
    """Return K and dark variance, their covariance, and whether the points keep to the line; None where no positive
    K fits.

    Errors are proportional to the *fitted* variances: errors taken from each measured value would favour the
    low ones. To the Gaussian error of a flat's variance comes that of the photons' skewness: the fourth
    cumulant of a Poisson count is its mean, in DN^4 K^3 S, divided by the number of samples. Where the pairs scatter
    about the line significantly more than that, the covariance is widened.
    """
    fitted = values
    k = 0.0
    for _ in range(20):
        weights = 1.0 / ((relative_errors * fitted) ** 2 + k**3 * design[:, 0] / freedom)
        normal = design.T @ (weights[:, None] * design)
        covariance = np.linalg.inv(normal)
        theta = covariance @ (design.T @ (weights * values))
        new = design @ theta
        if not theta[0] > 0 or float(new.min()) <= 0:
            return None
        if float(np.abs(new / fitted - 1.0).max()) < 1e-10:
            break
        fitted, k = new, float(theta[0])
    spare = len(values) - 2
    excess = float((weights * (values - design @ theta) ** 2).sum()) / spare if spare > 0 else 1.0
    straight = excess <= scatter_limit(spare)
    return theta, np.asarray(covariance * (1.0 if straight else excess), dtype=np.float64), straight


def _one_level(flats: list[UsedFlat], shot: NDArray[np.float64]) -> _Line | None:
    """Return K from flats alone, for a read noise of nothing but rounding, with the error of a likely one."""
    pairs = [flat.flat for flat in flats]
    values = np.array([pair.variance_dn2 - pair.dark_weight * QUANTISATION_DN2 for pair in pairs])
    weights = np.array([pair.degrees_of_freedom / s**2 for pair, s in zip(pairs, shot, strict=True)])
    k = float((weights * shot * values).sum() / (weights * shot**2).sum())
    if not k > 0:
        return None
    errors = np.array([pair.variance_stderr_dn2 for pair in pairs])
    variance = float(((weights * shot * errors) ** 2).sum()) / float((weights * shot**2).sum()) ** 2
    # K S + 2 sigma^2 taken for K S: too high by sigma^2 / S_e of it, sigma before and behind the amplifier
    electrons = 0.5 * float(shot.mean()) / k
    unknown = k * (SUPPOSED_READ_NOISE_E**2 + (SUPPOSED_READ_NOISE_DN / k) ** 2) / electrons
    return _Line(k, variance + unknown**2, QUANTISATION_DN2, math.nan, math.nan, supposed=True)
