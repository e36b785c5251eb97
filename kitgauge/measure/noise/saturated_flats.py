"""Flats that lie wholly at a full well: only beside other flats of the run does their lack of noise tell.

Variance per level is K, proportional to ISO wherever ISO is gain, and the same for all colours. Where it is far below
that, the flat may be saturated; or ISO is not gain there, which leaves the fixed pattern as it is: photo-response
non-uniformity and shading are shares of the level whatever the gain, and vanish at a full well (photon transfer; from
memory).
"""

from __future__ import annotations

import math
from bisect import insort
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kitgauge.flags import rejects
from kitgauge.measure.noise.noise_fit import PlanePairs, usable_darks
from kitgauge.measure.noise.pair_columns import values_of, with_values
from kitgauge.measure.noise.photon_transfer import FlatPair

# Thresholds: common practice, no source.
_COLLAPSED = 0.3  # of the variance per level of other flats ...
_HALF_COLLAPSED = 0.7  # ... or this, where another ISO value reaches the same code without it: no bent curve
_PATTERN_LEFT = 0.7  # of the non-uniformity of other flats
_SHADING_LEFT = 0.6
_LEAST_SHADING = 0.1
_SIGNIFICANT = 4.0


_Plane = tuple[float, int]  # ISO value and position in the pattern


@dataclass(frozen=True)
class _Seen:
    """The flats of a run as columns, an entry per plane of a pair: each is compared with all others."""

    plane: list[_Plane]
    index: NDArray[np.int64]  # among the flats of the plane
    iso: NDArray[np.float64]
    signal_dn: NDArray[np.float64]
    k: NDArray[np.float64]  # DN per electron
    prnu: NDArray[np.float64]
    prnu_variance_stderr: NDArray[np.float64]
    falloff: NDArray[np.float64]


def mark_saturated(by_iso: Mapping[float, Sequence[PlanePairs]]) -> dict[float, tuple[PlanePairs, ...]]:
    """Return the pairs of each ISO, flats at a full well with `clipped` and their level as `full_well_dn`.

    Call it after `measure.black_level.settle_black`.
    """
    seen = _seen(by_iso)
    found: dict[_Plane, set[int]] = {}
    for one in _low(seen):
        if _saturated(one, seen):
            found.setdefault(seen.plane[one], set()).add(int(seen.index[one]))
    return {
        iso: tuple(
            replace(plane, flats=_marked(plane.flats, found[iso, position])) if (iso, position) in found else plane
            for position, plane in enumerate(planes)
        )
        for iso, planes in by_iso.items()
    }


def _seen(by_iso: Mapping[float, Sequence[PlanePairs]]) -> _Seen:
    keys: list[_Plane] = []
    rows: list[tuple[float, ...]] = []
    for iso, planes in by_iso.items():
        for position, plane in enumerate(planes):
            dark_dn2 = _dark_variance(plane)
            for index, flat in enumerate(plane.flats):
                if math.isfinite(k := _dn_per_electron(plane, flat, dark_dn2)):
                    keys.append((iso, position))
                    pattern = (flat.prnu, flat.prnu_variance_stderr, flat.falloff)
                    rows.append((float(index), iso, flat.signal_dn, k, *pattern))
    columns = np.array(rows, dtype=np.float64).reshape(-1, 7).T
    return _Seen(keys, columns[0].astype(np.int64), *columns[1:])


def _low(seen: _Seen) -> list[int]:
    """Return the flats whose variance per level is clearly below the middle of that of the flats that tell: of the same
    ISO value darker ones, of others all, read for this ISO value."""
    out: list[int] = []
    for iso in dict.fromkeys(seen.iso.tolist()):
        others = seen.iso != iso
        told = np.sort(seen.k[others] * iso / seen.iso[others]).tolist()
        own = np.flatnonzero(~others)
        own = own[np.argsort(seen.signal_dn[own], kind="stable")]
        darker = 0
        for one in own.tolist():  # rising: each is told by all that the one before was told by, and more
            while darker < len(own) and seen.signal_dn[own[darker]] < 0.95 * seen.signal_dn[one]:
                insort(told, float(seen.k[own[darker]] * iso / iso))
                darker += 1
            usual = _middle(told)
            if usual > 0 and seen.k[one] < max(_HALF_COLLAPSED, _COLLAPSED) * usual:
                out.append(one)
    return sorted(out)


def _middle(rising: Sequence[float]) -> float:
    """Return the median of sorted values, NaN of none."""
    half, odd = divmod(len(rising), 2)
    if not rising:
        return math.nan
    return rising[half] if odd else 0.5 * (rising[half - 1] + rising[half])


def _marked(flats: Sequence[FlatPair], saturated: set[int]) -> Sequence[FlatPair]:
    # what else was seen is what saturation does to the light
    gone = ("tone-curved", "moving-shadow", "dust-moved", "textured")
    flags = [
        (*(name for name in flags if name not in gone), "clipped") if index in saturated else flags
        for index, flags in enumerate(values_of(flats, "flags"))
    ]
    levels = zip(values_of(flats, "top_dn"), values_of(flats, "full_well_dn"), strict=True)
    wells = [top if index in saturated else well for index, (top, well) in enumerate(levels)]
    return with_values(flats, flags=flags, full_well_dn=wells)


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


def _saturated(one: int, seen: _Seen) -> bool:
    iso, signal_dn = seen.iso[one], seen.signal_dn[one]
    # of the same ISO only darker ones tell; of others all do, read for this ISO
    others = np.flatnonzero((seen.iso != iso) | (seen.signal_dn < 0.95 * signal_dn))
    k = seen.k[others] * iso / seen.iso[others]
    usual = float(np.median(k))
    sound = others[k > _HALF_COLLAPSED * usual]
    brighter = bool(np.any((seen.iso[sound] != iso) & (seen.signal_dn[sound] > 0.98 * signal_dn)))
    collapsed = seen.k[one] / usual < (_HALF_COLLAPSED if brighter else _COLLAPSED)
    return bool(collapsed) and _pattern_gone(one, sound, seen)


def _pattern_gone(one: int, others: NDArray[np.int64], seen: _Seen) -> bool:
    """Tell whether non-uniformity, or shading where that cannot be told, is far less than in other flats."""
    known = others[(seen.prnu[others] > 0) & (seen.prnu_variance_stderr[others] > 0)]
    if known.size and math.isfinite(seen.prnu[one]):
        usual = float(np.median(seen.prnu[known]))
        errors = [seen.prnu_variance_stderr[one], float(np.median(seen.prnu_variance_stderr[known]))]
        if usual**2 > 2.0 * _SIGNIFICANT * math.hypot(*errors):
            return bool(seen.prnu[one] < _PATTERN_LEFT * usual)
    shading = float(np.median(seen.falloff[others])) - 1.0 if others.size else math.nan
    return bool(shading > _LEAST_SHADING and seen.falloff[one] - 1.0 < _SHADING_LEFT * shading)
