"""Which black level holds over a run, and which dark frames saw light.

A level of the dark frames above the stated black is either a wrongly stated black or light that leaked in. Light
brings its own shot noise, K times the level it adds [DN^2] (K [DN/e-]; EMVA 1288 Release 4 Linear, photon noise):
dark frames that are quieter than that saw no light, however far they are from the stated level. Where the noise
would allow for light, the other ISO values tell: a wrongly stated black is wrong by the same at each, while light
that is as weak as the read noise leaves so many electrons at each: a level above the stated one that grows as the gain
K does, from nothing where K would be nothing. An offset from before the amplifier does the same, and looks like it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from kitgauge.flags import rejects
from kitgauge.measure.noise.dark_pair import DarkPair, level_tolerance
from kitgauge.measure.noise.noise_points import PlanePairs
from kitgauge.measure.noise.pair_columns import values_of, with_values

LEAK = "light-leak"
_NO_BLACK = {LEAK, "clipped-black"}
# Light is excluded where its shot noise would be this much above all the noise there is: K is known to some ten
# percent before black is (common practice, no source).
_NOISE_MARGIN = 1.5
# Light that shows by its growth with the gain (common practice, no source): so many ISO values over so wide a range;
# electrons, levels at the highest gain [DN] and share of a dark pair's noise from which on it counts; how far levels
# may be from the line [DN, share of the light], and the line from the stated black [DN]
_GROWTH_ISOS, _GROWTH_RANGE = 4, 6.0
_LEAST_ELECTRONS, _LEAST_DN, _LEAST_NOISE = 1.5, 5.0, 0.05
_OFF_LINE_DN, _OFF_LINE, _OFF_STATED_DN = 0.4, 0.05, 1.0


@dataclass(frozen=True)
class _Dark:
    """One dark pair of one plane: how far it is above the stated black, and what of that may be light [DN]."""

    iso: float
    offset_dn: float
    tolerance_dn: float
    light_at_most_dn: float  # NaN where no flat tells what light's noise would be

    def may_hold(self, light_dn: float) -> bool:
        """Tell whether so much light is more than a drift of black and no more than the noise allows."""
        return light_dn > self.tolerance_dn and not light_dn > self.light_at_most_dn


def settle_black(by_iso: Mapping[float, Sequence[PlanePairs]]) -> dict[float, tuple[PlanePairs, ...]]:
    """Return the pairs of each ISO value with `black_dn`, `black_source` and `light-leak` settled.

    Takes planes with the level that the files state (`black_source` "masked", "metadata" or "unknown"), in the
    same order at each ISO. Order of trust: masked pixels, then dark frames without light in them, those of the
    nearest ISO value where an ISO has none of its own, then metadata; so that metadata and dark frames do not mix
    in one run. A dark pair that saw light carries `light-leak` in all planes.
    """
    quantum = _dn_per_electron(by_iso)
    errors: dict[int, dict[float, list[float]]] = {}
    leaks: dict[float, set[int]] = {
        iso: {at for plane in planes for at, flags in enumerate(values_of(plane.darks, "flags")) if LEAK in flags}
        for iso, planes in by_iso.items()
    }
    for position in range(max((len(planes) for planes in by_iso.values()), default=0)):
        stated = {iso: planes[position] for iso, planes in by_iso.items() if position < len(planes)}
        wrong_by = _stated_wrong_by(stated, quantum)
        for iso, plane in stated.items():
            for index, dark in _clean(plane):
                seen = _seen(iso, plane, dark, quantum[iso])
                if seen.may_hold(seen.offset_dn - wrong_by):
                    leaks[iso].add(index)
    growing = [_light_by_growth(planes, quantum) for planes in _by_position(by_iso)]
    if growing and sum(map(bool, growing)) > 0.5 * len(growing):
        for found in growing:
            for iso, indices in found.items():
                leaks[iso] |= indices
    marked = {
        iso: [replace(plane, darks=_marked(plane.darks, leaks[iso])) for plane in planes]
        for iso, planes in by_iso.items()
    }
    for iso, planes in marked.items():
        for position, plane in enumerate(planes):
            offsets = [dark.mean_dn - (plane.black_dn or 0.0) for _, dark in _clean(plane)]
            if offsets and plane.black_source != "masked":
                errors.setdefault(position, {})[iso] = offsets
    return {
        iso: tuple(_settled(iso, plane, errors.get(position, {})) for position, plane in enumerate(planes))
        for iso, planes in marked.items()
    }


def _by_position(by_iso: Mapping[float, Sequence[PlanePairs]]) -> list[dict[float, PlanePairs]]:
    count = max((len(planes) for planes in by_iso.values()), default=0)
    return [{iso: planes[at] for iso, planes in by_iso.items() if at < len(planes)} for at in range(count)]


def _light_by_growth(stated: Mapping[float, PlanePairs], quantum: Mapping[float, float]) -> dict[float, set[int]]:
    """Return the dark pairs (indices by ISO) of one plane that hold the same light at every ISO; none where their
    levels do not grow with the gain from the stated black on."""
    seen = [
        (iso, index, dark.mean_dn - plane.black_dn, quantum[iso], dark.variance_dn2)
        for iso, plane in stated.items()
        if plane.black_dn is not None and plane.black_source != "unknown" and quantum[iso] > 0
        for index, dark in _clean(plane)
    ]
    gains = [k for _, _, _, k, _ in seen]
    if len({iso for iso, *_ in seen}) < _GROWTH_ISOS or max(gains) < _GROWTH_RANGE * min(gains):
        return {}
    k, offset = np.array(gains), np.array([above for _, _, above, _, _ in seen])
    # levels at low gain tell where the line starts: all must lie within one band about it, so weights are of that band
    weight = 1.0 / (_OFF_LINE_DN + _OFF_LINE * np.abs(offset))
    design = np.stack([np.ones_like(k), k], axis=1) * weight[:, None]
    start, electrons = (float(value) for value in np.linalg.lstsq(design, offset * weight, rcond=None)[0])
    off_line = np.abs(offset - start - electrons * k)
    enough = electrons >= _LEAST_ELECTRONS and electrons * float(k.max()) >= _LEAST_DN
    if not enough or abs(start) > _OFF_STATED_DN or np.any(off_line > _OFF_LINE_DN + _OFF_LINE * electrons * k):
        return {}
    out: dict[float, set[int]] = {}
    for iso, index, _, gain, variance in seen:
        if electrons * gain**2 > _LEAST_NOISE * variance:
            out.setdefault(iso, set()).add(index)
    return out


def _settled(iso: float, plane: PlanePairs, errors: Mapping[float, list[float]]) -> PlanePairs:
    if plane.black_source == "masked" or not errors:
        return plane
    nearest = min(errors, key=lambda other: abs(math.log(other / iso)))
    return replace(plane, black_dn=(plane.black_dn or 0.0) + float(np.mean(errors[nearest])), black_source="dark")


def _clean(plane: PlanePairs) -> list[tuple[int, DarkPair]]:
    return [(index, dark) for index, dark in enumerate(plane.darks) if not _NO_BLACK & set(dark.flags)]


def _marked(darks: Sequence[DarkPair], leaks: set[int]) -> Sequence[DarkPair]:
    if not leaks:
        return darks
    flags = [
        (*flags, LEAK) if index in leaks and LEAK not in flags else flags
        for index, flags in enumerate(values_of(darks, "flags"))
    ]
    return with_values(darks, flags=flags)


def _seen(iso: float, plane: PlanePairs, dark: DarkPair, dn_per_electron: float) -> _Dark:
    return _Dark(
        iso=iso,
        offset_dn=dark.mean_dn - (plane.black_dn or 0.0),
        tolerance_dn=level_tolerance(dark.variance_dn2),
        light_at_most_dn=_NOISE_MARGIN * dark.variance_dn2 / dn_per_electron,
    )


def _stated_wrong_by(stated: Mapping[float, PlanePairs], quantum: Mapping[float, float]) -> float:
    """Return by how much [DN] black lies above the stated level of one plane, as far as that is certain."""
    if any(plane.black_source == "masked" for plane in stated.values()):
        return 0.0
    seen = [_seen(iso, plane, dark, quantum[iso]) for iso, plane in stated.items() for _, dark in _clean(plane)]
    if not seen:
        return 0.0
    certain = [dark.offset_dn for dark in seen if not dark.may_hold(dark.offset_dn)]
    if certain:
        return min(certain)
    # all may be light: a stated level is believed, and without one the darkest frame is
    unknown = all(plane.black_source == "unknown" for plane in stated.values())
    return min(dark.offset_dn for dark in seen) if unknown else 0.0


def _dn_per_electron(by_iso: Mapping[float, Sequence[PlanePairs]]) -> dict[float, float]:
    """Return about how many DN an electron makes at each ISO; from the other ISO values where it has no flats."""
    own: dict[float, float] = {}
    for iso, planes in by_iso.items():
        ratios = []
        for plane in planes:
            dark = min(values_of(plane.darks, "variance_dn2"), default=0.0)
            for flat in plane.flats:
                shot = flat.variance_dn2 - flat.dark_weight * dark
                if not rejects(flat.flags) and shot > 0 and flat.shot_dn > 0:
                    ratios.append(shot / flat.shot_dn)
        if ratios:
            own[iso] = float(np.median(ratios))
    scale = float(np.median([k / iso for iso, k in own.items()])) if own else math.nan
    return {iso: own.get(iso, scale * iso) for iso in by_iso}
