"""What only shows across the colours and ISO values of a run.

White balance that was applied before the file was written multiplies red and blue: their gain differs from green's,
their codes have gaps that green's have not, and they saturate at another level. The same pixels, with the same
amplifier, have the same gain [e-/DN] whatever the colour of the filter above them. What cannot be told: white balance
by amplifiers of their own for each colour from white balance by arithmetic, unless codes are missing; the advice is
the same for both.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from kitgauge.measure.noise.noise_points import NoisePoint

# Thresholds: common practice, no source.
_GAIN_DIFFERS = 0.05
_SATURATION_DIFFERS = 0.02
_SCALE_DIFFERS = 0.01
_SIGNIFICANT = 6.0
WHITE_BALANCE, LOSSY, PADDED, GAPS = "white-balance-applied", "lossy-raw", "padded-codes", "missing-codes"
_OF_SCALING = {GAPS, "scaled-down"}


def check_points(points: Sequence[NoisePoint]) -> list[NoisePoint]:
    """Return the points, in the same order, with the flags that only several of them together show.

    `white-balance-applied` on R and B points whose gain, codes or saturation differ from green's at the same ISO;
    `lossy-raw` on the points of an ISO whose brighter colours have wider gaps, and, in the place of flags of digital
    scaling, on all points of an ISO of which one colour was packed with loss; `padded-codes` in the place of
    `missing-codes` where the gaps are the same whole number of codes at every ISO: `code_scale` is then 1, as it is
    that of an ISO against the others.
    """
    added: dict[int, list[str]] = {}
    padded = _same_gaps_everywhere(points)
    if padded:
        points = [replace(point, code_scale=1.0) for point in points]
    for index, point in enumerate(points):
        flags = [PADDED if padded and flag == GAPS else flag for flag in point.flags]
        at_iso = [other for other in points if other.iso == point.iso]
        green = _green(at_iso)
        if _gaps_grow(at_iso) or any(LOSSY in other.flags for other in at_iso):
            flags = [flag for flag in flags if flag not in _OF_SCALING] + [LOSSY]
        elif green is not None and point.channel in ("R", "B") and _balanced(point, green):
            flags.append(WHITE_BALANCE)
        added[index] = list(dict.fromkeys(flags))
    return [replace(point, flags=tuple(added[index])) for index, point in enumerate(points)]


def _green(points: Iterable[NoisePoint]) -> NoisePoint | None:
    by_channel = {point.channel: point for point in points}
    return next((by_channel[name] for name in ("G", "G1", "G2") if name in by_channel), None)


def _balanced(point: NoisePoint, green: NoisePoint) -> bool:
    return _gain_differs(point, green) or _saturation_differs(point, green) or _scale_differs(point, green)


def _gain_differs(point: NoisePoint, green: NoisePoint) -> bool:
    if not (point.gain_e_per_dn > 0 and green.gain_e_per_dn > 0):
        return False
    # errors of a pair of flats whose read noise is not known are so large that they prove nothing
    error = math.hypot(
        point.gain_e_per_dn_stderr / point.gain_e_per_dn, green.gain_e_per_dn_stderr / green.gain_e_per_dn
    )
    return abs(math.log(point.gain_e_per_dn / green.gain_e_per_dn)) > max(_GAIN_DIFFERS, _SIGNIFICANT * error)


def _saturation_differs(point: NoisePoint, green: NoisePoint) -> bool:
    spans = [one.white_dn - one.black_dn for one in (point, green)]
    if all(span > 0 for span in spans) and abs(math.log(spans[0] / spans[1])) > _SATURATION_DIFFERS:
        return True
    if not point.saturation_source == green.saturation_source == "flats":
        return False
    seen = [one.saturation_e / one.gain_e_per_dn for one in (point, green)]
    return all(level > 0 for level in seen) and abs(math.log(seen[0] / seen[1])) > _SATURATION_DIFFERS


def _scale_differs(point: NoisePoint, green: NoisePoint) -> bool:
    return _has_gaps(point) and abs(green.code_scale - 1.0) < _SCALE_DIFFERS


def _has_gaps(point: NoisePoint) -> bool:
    return abs(point.code_scale - 1.0) > _SCALE_DIFFERS  # False where unknown


def _gaps_grow(points: Sequence[NoisePoint]) -> bool:
    """Tell whether codes are further apart the brighter a colour is; G stands for G1 and G2."""
    single = [point for point in points if point.channel in ("R", "G", "B") and point.code_scale > 0]
    ordered = sorted(single, key=lambda point: point.level)
    scales = [point.code_scale for point in ordered]
    if len(scales) < 2 or not scales[-1] > scales[0] * (1.0 + _SCALE_DIFFERS) or scales[-1] <= 1.0:
        return False
    # green is the brightest in nearly any light; a white balance would leave it as it is
    green = next((point for point in ordered if point.channel == "G"), None)
    rising = all(high >= low * (1.0 - _SCALE_DIFFERS) for low, high in pairwise(scales))
    return rising and green is not None and green.code_scale > 1.0 + _SCALE_DIFFERS


def _same_gaps_everywhere(points: Sequence[NoisePoint]) -> bool:
    """Tell whether all ISO values, two or more, have gaps of the same whole number of codes."""
    isos = {point.iso for point in points}
    scales = [point.code_scale for point in points if math.isfinite(point.code_scale)]
    if len(isos) < 2 or {point.iso for point in points if math.isfinite(point.code_scale)} != isos:
        return False
    whole = round(scales[0])
    return whole >= 2 and all(abs(scale - whole) < _SCALE_DIFFERS for scale in scales)


def frame_flags_as_of_points(flags: Iterable[str], points: Sequence[NoisePoint], role: str) -> list[str]:
    """Return the flags of a frame with what its pairs alone could not know: what flags of digital scaling come from, as
    the checked points of its ISO tell.

    A flat of an ISO with white balance in its files carries `white-balance-applied`, and gaps of red and blue are then
    not those of a scaled ISO. Darks only have a flag put in the place of another.
    """
    kept = list(flags)
    of_points = {flag for point in points for flag in point.flags}
    for cause in (PADDED, LOSSY, WHITE_BALANCE):
        if cause not in of_points:
            continue
        told = {flag for point in points for flag in point.flags if point.channel in ("G", "G1", "G2")}
        scaling = [flag for flag in kept if flag in _OF_SCALING and flag not in told]
        if scaling or (role == "flat" and cause != PADDED):
            kept = [flag for flag in kept if flag not in scaling] + [cause]
    return list(dict.fromkeys(kept))


@dataclass(frozen=True)
class FlatInOrder:
    """One flat in the order of capture: its file, ISO, other settings, and whether it found a partner."""

    file: str
    iso: float
    shutter_s: float | None
    f_number: float | None
    paired: bool


def iso_changed_between(flats: Sequence[FlatInOrder]) -> set[str]:
    """Return the files of flats without a partner whose neighbour in order has another ISO and no partner either.

    flats : in the order of capture, other frames left out. Such two were shot as a pair, and the ISO dial moved (or
    the camera chose ISO by itself) between them; frames that differ in shutter time or f-number as well were not.
    """
    found: set[str] = set()
    for first, second in pairwise(flats):
        same = (first.shutter_s, first.f_number) == (second.shutter_s, second.f_number)
        alone = not first.paired and not second.paired
        if alone and same and first.iso != second.iso and first.file not in found:
            found |= {first.file, second.file}
    return found
