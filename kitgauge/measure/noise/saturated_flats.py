"""Flats that lie wholly at a full well: only beside other flats of the run does their lack of noise tell.

Variance per level is K, proportional to ISO wherever ISO is gain, and the same for all colours. Where it is far below
that, the flat may be saturated; or ISO is not gain there, which leaves the fixed pattern as it is: photo-response
non-uniformity and shading are shares of the level whatever the gain, and vanish at a full well (photon transfer; from
memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kitgauge.flags import rejects
from kitgauge.measure.noise.noise_fit import PlanePairs, usable_darks
from kitgauge.measure.noise.photon_transfer import FlatPair

# Thresholds: common practice, no source.
_COLLAPSED = 0.3  # of the variance per level of other flats ...
_HALF_COLLAPSED = 0.7  # ... or this, where another ISO value reaches the same code without it: no bent curve
_PATTERN_LEFT = 0.7  # of the non-uniformity of other flats
_SHADING_LEFT = 0.6
_LEAST_SHADING = 0.1
_SIGNIFICANT = 4.0


@dataclass(frozen=True)
class _Seen:
    key: tuple[float, int, int]  # ISO, plane, flat
    flat: FlatPair
    k: float


@dataclass(frozen=True)
class _Columns:
    """ISO, signal [DN] and DN per electron of all that was seen: many frames are compared with all others."""

    iso: NDArray[np.float64]
    signal_dn: NDArray[np.float64]
    k: NDArray[np.float64]


def mark_saturated(by_iso: Mapping[float, Sequence[PlanePairs]]) -> dict[float, tuple[PlanePairs, ...]]:
    """Return the pairs of each ISO, flats at a full well with `clipped` and their level as `full_well_dn`.

    Call it after `measure.black_level.settle_black`.
    """
    seen = [
        _Seen((iso, position, index), flat, k)
        for iso, planes in by_iso.items()
        for position, plane in enumerate(planes)
        for dark_dn2 in [_dark_variance(plane)]
        for index, flat in enumerate(plane.flats)
        if math.isfinite(k := _dn_per_electron(plane, flat, dark_dn2))
    ]
    columns = _Columns(
        iso=np.array([one.key[0] for one in seen]),
        signal_dn=np.array([one.flat.signal_dn for one in seen]),
        k=np.array([one.k for one in seen]),
    )
    found = {one.key for one in seen if _saturated(one, seen, columns)}
    return {
        iso: tuple(
            replace(
                plane,
                flats=tuple(
                    _marked(flat) if (iso, position, index) in found else flat for index, flat in enumerate(plane.flats)
                ),
            )
            for position, plane in enumerate(planes)
        )
        for iso, planes in by_iso.items()
    }


def _marked(flat: FlatPair) -> FlatPair:
    # what else was seen is what saturation does to the light
    kept = [name for name in flat.flags if name not in ("tone-curved", "moving-shadow", "dust-moved", "textured")]
    return replace(flat, full_well_dn=flat.top_dn, flags=(*kept, "clipped"))


def _dark_variance(plane: PlanePairs) -> float:
    darks = [dark.variance_dn2 for dark in usable_darks(plane)]
    return float(np.median(darks)) if darks else 0.0


def _dn_per_electron(plane: PlanePairs, flat: FlatPair, dark_dn2: float) -> float:
    black = flat.black_dn if plane.black_dn is None else plane.black_dn
    shot = flat.shot_dn + (flat.black_dn - black) * flat.dark_weight
    if rejects(flat.flags) or not shot > 0 or not flat.variance_dn2 > 0:
        return math.nan
    excess = flat.variance_dn2 - flat.dark_weight * dark_dn2
    return max(excess, 0.0) / shot


def _saturated(one: _Seen, seen: Sequence[_Seen], columns: _Columns) -> bool:
    iso = one.key[0]
    # of the same ISO only darker ones tell; of others all do, read for this ISO
    others = np.flatnonzero((columns.iso != iso) | (columns.signal_dn < 0.95 * one.flat.signal_dn))
    if not others.size:
        return False
    k = columns.k[others] * iso / columns.iso[others]
    usual = float(np.median(k))
    share = one.k / usual if usual > 0 else math.nan
    if not share < max(_HALF_COLLAPSED, _COLLAPSED):  # as nearly all are
        return False
    sound = others[k > _HALF_COLLAPSED * usual]
    brighter = bool(np.any((columns.iso[sound] != iso) & (columns.signal_dn[sound] > 0.98 * one.flat.signal_dn)))
    collapsed = share < (_HALF_COLLAPSED if brighter else _COLLAPSED)
    return collapsed and _pattern_gone(one.flat, [seen[index].flat for index in sound])


def _pattern_gone(flat: FlatPair, others: Sequence[FlatPair]) -> bool:
    """Tell whether non-uniformity, or shading where that cannot be told, is far less than in other flats."""
    known = [other for other in others if other.prnu > 0 and other.prnu_variance_stderr > 0]
    if known and math.isfinite(flat.prnu):
        usual = float(np.median([other.prnu for other in known]))
        errors = [flat.prnu_variance_stderr, float(np.median([other.prnu_variance_stderr for other in known]))]
        if usual**2 > 2.0 * _SIGNIFICANT * math.hypot(*errors):
            return flat.prnu < _PATTERN_LEFT * usual
    shading = float(np.median([other.falloff for other in others])) - 1.0 if others else math.nan
    return shading > _LEAST_SHADING and flat.falloff - 1.0 < _SHADING_LEFT * shading
