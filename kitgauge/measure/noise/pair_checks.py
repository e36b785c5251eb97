"""What only flats and darks of one ISO together show, once black is settled.

- noise against level: with the dark variance known, a linear raw leaves no freedom for the slope of log variance
  against log level within a flat, nor for variance per level between flats of different levels;
- gaps between codes in flats and none in darks: bright levels are packed into fewer codes;
- light in a dark frame by the noise it makes, K times its level [DN^2] (photon noise; EMVA 1288 Release 4 Linear):
  uneven light, and light that grew between the two frames of a pair;
- dark frames subtracted by the camera (`measure.dark_subtraction`).

Light spread evenly over both darks of the only dark pair of a run, with black not masked, cannot be told from a black
level; `measure.black_level` judges what can be.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from kitgauge.flags import rejects
from kitgauge.measure.noise.dark_pair import DarkPair
from kitgauge.measure.noise.dark_subtraction import DarkEvidence, dark_subtracted, nothing_left
from kitgauge.measure.noise.noise_fit import scale_of
from kitgauge.measure.noise.noise_points import PlanePairs
from kitgauge.measure.noise.pair_columns import values_of, with_values
from kitgauge.measure.noise.photon_transfer import FlatPair
from kitgauge.measure.noise.rounding import is_one
from kitgauge.measure.noise.tiles import TILE
from kitgauge.measure.noise.tone_curve import LevelSlope
from kitgauge.measure.noise.twice_rounded import scaling_explains

# Thresholds: common practice, no source.
_LEVELS_DIFFER = 1.3
_GAINS_DIFFER = 0.08
_SIGNIFICANT = 6.0
_GAP_SHARE_RATIO = 0.3  # darks have less than this of the flats' gaps
_CODES_PER_SIGMA = 2.56  # between the 10th and the 90th percentile
_FEWEST_GAPS = 2.5
_LIGHT_NOISE = 0.1  # of the dark variance: light that adds less is left alone
_LEAST_LIGHT_DN = 2.0  # black itself drifts by about as much
_CHANCE_OF_RANGE = 6.0  # 99th less 1st percentile of a Gaussian is 4.7 standard deviations
_LIKE_SCALING = {"clipped-black", "lossy-raw"}
_NO_DARK = {"clipped-black", "light-leak", "dark-subtracted", "iso-changed"}
_NOT_LINEAR = {"clipped", "too-dark", "correlated-noise", "moving-shadow", "iso-changed", "lossy-raw"}


def check_pairs(by_iso: Mapping[float, Sequence[PlanePairs]]) -> dict[float, tuple[PlanePairs, ...]]:
    """Return the pairs of each ISO with the flags that flats and darks together show, and `level_slope_expected`.

    Call it after `measure.black_level.settle_black`. A dark pair that one plane finds subtracted is so in all. Flags:
    `tone-curved`, `lossy-raw` (in the place of `missing-codes`), `light-leak`, `dark-subtracted`.
    """
    return {iso: _one_iso(planes) for iso, planes in by_iso.items()}


def _one_iso(planes: Sequence[PlanePairs]) -> tuple[PlanePairs, ...]:
    planes = [_scaling_seen_through(plane) for plane in planes]
    k_by_plane = [_dn_per_electron(plane) for plane in planes]
    known = [k for k in k_by_plane if math.isfinite(k)]
    k_typical = float(np.median(known)) if known else math.nan
    subtracted: set[int] = set()
    leaked: set[int] = set()
    evidence: list[list[DarkEvidence]] = []
    for plane, own in zip(planes, k_by_plane, strict=True):
        k = own if math.isfinite(own) else k_typical
        evidence.append([_evidence(plane, index, dark) for index, dark in enumerate(plane.darks)])
        found = dark_subtracted(evidence[-1], k)
        subtracted |= {index for index, yes in enumerate(found) if yes}
        leaked |= {index for index, dark in enumerate(plane.darks) if _saw_light(dark, k)}
    for index, together in enumerate(zip(*evidence, strict=False)):
        if nothing_left(list(together)):
            subtracted.add(index)
    marked = []
    for plane in planes:
        flags = [
            _and(flags, ["dark-subtracted"] * (index in subtracted) + ["light-leak"] * (index in leaked))
            for index, flags in enumerate(values_of(plane.darks, "flags"))
        ]
        marked.append(_flats_checked(replace(plane, darks=with_values(plane.darks, flags=flags))))
    return tuple(marked)


def _scaling_seen_through(plane: PlanePairs) -> PlanePairs:
    """Return the plane without `clipped-black` and `lossy-raw` on darks whose full and empty codes the scaling seen in
    its flats explains."""
    scale = scale_of(plane)
    if is_one(scale) or any("lossy-raw" in flags for flags in values_of(plane.flats, "flags")):
        return plane
    flags = [
        tuple(flag for flag in dark.flags if flag not in _LIKE_SCALING)
        if _LIKE_SCALING & set(dark.flags) and _explained(dark, scale)
        else dark.flags
        for dark in plane.darks
    ]
    return replace(plane, darks=with_values(plane.darks, flags=flags))


def _explained(dark: DarkPair, scale: float) -> bool:
    counts = np.array(dark.codes, dtype=np.float64)
    about = (dark.rounded_variance_dn2, dark.rounded_fixed_dn2, dark.mean_dn, scale, dark.first_code)
    return scaling_explains(*about, counts)


def _flats_checked(plane: PlanePairs) -> PlanePairs:
    dark = _dark_variance(plane)
    curved = _gain_depends_on_level(plane, dark)
    gaps = _dark_gaps(plane.darks)
    slopes, marked = [], []
    for index, flat in enumerate(plane.flats):
        expected = _slope_expected(flat, dark)
        linear = not _NOT_LINEAR & set(flat.flags)
        bent = linear and LevelSlope(flat.level_slope, flat.level_slope_stderr).departs(expected)
        flags = flat.flags
        if _packed(flat, gaps):
            flags = _and([flag for flag in flat.flags if flag != "missing-codes"], ["lossy-raw"])
        slopes.append(expected)
        marked.append(_and(flags, ["tone-curved"] if bent or index in curved else []))
    return replace(plane, flats=with_values(plane.flats, level_slope_expected=slopes, flags=marked))


def _and(flags: Iterable[str], more: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys([*flags, *more]))


def _dark_variance(plane: PlanePairs) -> float:
    values = [dark.variance_dn2 for dark in plane.darks if not _NO_DARK & set(dark.flags) and dark.variance_dn2 > 0]
    return float(np.median(values)) if values else math.nan


def _shot(plane: PlanePairs, flat: FlatPair) -> float:
    """Return S_A + r^2 S_B [DN] above the settled black."""
    black = flat.black_dn if plane.black_dn is None else plane.black_dn
    return flat.shot_dn + (flat.black_dn - black) * flat.dark_weight


def _dn_per_electron(plane: PlanePairs) -> float:
    dark = _dark_variance(plane)
    found = []
    for flat in plane.flats:
        excess = flat.variance_dn2 - flat.dark_weight * (dark if math.isfinite(dark) else 0.0)
        if not rejects(flat.flags) and excess > 0 and _shot(plane, flat) > 0:
            found.append(excess / _shot(plane, flat))
    return float(np.median(found)) if found else math.nan


def _slope_expected(flat: FlatPair, dark: float) -> float:
    """Return the share of shot noise in the variance of a flat, NaN without a dark variance."""
    if not (dark > 0 and flat.variance_dn2 > 0):
        return math.nan
    return min(max(1.0 - flat.dark_weight * dark / flat.variance_dn2, 0.0), 1.0)


@dataclass(frozen=True)
class _Gain:
    index: int
    level: float
    k: float
    relative_error: float


def _gain_depends_on_level(plane: PlanePairs, dark: float) -> set[int]:
    """Return the flats whose variance per level differs from that of a flat of another level."""
    if not math.isfinite(dark):
        return set()
    gains = []
    for index, flat in enumerate(plane.flats):
        shot, excess = _shot(plane, flat), flat.variance_dn2 - flat.dark_weight * dark
        if not _NOT_LINEAR & set(flat.flags) and shot > 0 and excess > 0:
            error = flat.variance_stderr_dn2 / excess
            gains.append(_Gain(index, flat.signal_dn, excess / shot, error))
    gains.sort(key=lambda gain: gain.level)
    level = np.array([gain.level for gain in gains])
    k = np.array([gain.k for gain in gains])
    errors = np.array([gain.relative_error for gain in gains])
    found: set[int] = set()
    for one in gains:
        first = int(np.searchsorted(level, _LEVELS_DIFFER * one.level, side="right"))
        if first == len(gains):
            break  # nothing is that much brighter than this one, nor than those that follow
        both = np.hypot(one.relative_error, errors[first:])
        apart = np.abs(np.log(one.k / k[first:])) > np.maximum(_GAINS_DIFFER, _SIGNIFICANT * both)
        if apart.any():
            found |= {one.index, *(gains[first + other].index for other in np.flatnonzero(apart))}
    return found


def _dark_gaps(darks: Sequence[DarkPair]) -> list[tuple[float, float]]:
    """Return the share of missing codes and the codes between the 10th and the 90th percentile of each dark pair."""
    return [
        (share, _CODES_PER_SIGMA * math.sqrt(max(variance, 0.0)))
        for share, variance in zip(
            values_of(darks, "missing_code_share"), values_of(darks, "variance_dn2"), strict=True
        )
        if math.isfinite(share)
    ]


def _packed(flat: FlatPair, dark_gaps: Sequence[tuple[float, float]]) -> bool:
    """Tell whether a flat has gaps between its codes that the darks of the same ISO have not.

    Gaps of a factor that is no whole number come from arithmetic on all codes, whatever the darks look like. Darks are
    asked where their noise is wide enough to show the flat's gaps.
    """
    broken_factor = abs(flat.code_scale - round(flat.code_scale)) > 0.005 if math.isfinite(flat.code_scale) else False
    if "missing-codes" not in flat.flags or broken_factor:
        return False
    gaps = [share for share, codes in dark_gaps if flat.missing_code_share * codes > _FEWEST_GAPS]
    return bool(gaps) and min(gaps) < _GAP_SHARE_RATIO * flat.missing_code_share


def _saw_light(dark: DarkPair, k: float) -> bool:
    """Tell whether a dark pair holds light that makes more than a tenth of its noise, uneven or growing."""
    if not (k > 0 and dark.variance_dn2 > 0) or {"clipped-black", "light-leak"} & set(dark.flags):
        return False
    # means of tiles scatter by white noise, and by rows' and columns' own
    lines_dn2 = max(dark.row_variance_dn2, 0.0) + max(dark.column_variance_dn2, 0.0)
    one_tile = dark.variance_dn2 / TILE**2 + (lines_dn2 + dark.dsnu_dn**2) / TILE
    uneven = dark.unevenness_dn - _CHANCE_OF_RANGE * math.sqrt(one_tile)
    rows = math.sqrt(dark.samples)
    chance = math.sqrt(2.0 * (dark.variance_dn2 / rows + lines_dn2) / rows)
    grown = abs(dark.level_change_dn) - _SIGNIFICANT * chance
    least = max(_LEAST_LIGHT_DN, _LIGHT_NOISE * dark.variance_dn2 / k)
    return uneven > least or grown > least


def _evidence(plane: PlanePairs, index: int, dark: DarkPair) -> DarkEvidence:
    exposure = plane.dark_settings[index][0] if index < len(plane.dark_settings) else math.nan
    return DarkEvidence(
        exposure_s=exposure,
        mean_dn=dark.mean_dn,
        variance_dn2=dark.variance_dn2,
        variance_stderr_dn2=dark.variance_stderr_dn2,
        cold=dark.cold_samples,
        hot=dark.hot_samples,
        clipped="clipped-black" in dark.flags,
        fixed_dn2=dark.dsnu_dn**2,
        fixed_stderr_dn2=dark.dsnu_variance_stderr_dn2,
        mean_stderr_dn=math.sqrt(max(dark.variance_dn2, 0.0) / max(dark.samples, 1)),
    )
