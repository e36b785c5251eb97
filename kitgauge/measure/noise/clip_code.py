"""The converter's last code, seen on clipped flats of one ISO value, for the ISO values without clipped flats.

Where it is not the white that the files state, it says that the files state it wrongly: for all ISO values that state
the same.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from kitgauge.measure.noise.noise_fit import PlanePairs, piled_dn
from kitgauge.measure.noise.pair_columns import values_of

# Thresholds: common practice, no source.
_OFF = 0.002  # of white: the last codes of a converter lie about as much apart among photosites
_AGREE = 0.005
_SCALED = {"scaled-down", "missing-codes"}


def carry_clip_code(by_iso: Mapping[float, Sequence[PlanePairs]]) -> dict[float, tuple[PlanePairs, ...]]:
    """Return the pairs of each ISO with `clip_dn`, the code on which flats of other ISO values pile up.

    Carried is a code above the stated white wherever it was seen: no arithmetic makes codes higher than the
    converter's. One below white is carried if two ISO values or more agree on it: a single one may be pulled digitally.
    Left alone are ISO values whose own flats pile up, that state another white, whose flats are brighter than that, or
    whose codes are scaled.
    """
    out: dict[float, list[PlanePairs]] = {iso: list(planes) for iso, planes in by_iso.items()}
    for position in range(max((len(planes) for planes in by_iso.values()), default=0)):
        column = {iso: planes[position] for iso, planes in by_iso.items() if position < len(planes)}
        for iso, plane in column.items():
            white = _white(plane)
            codes = [
                code
                for other in column.values()
                if abs(_white(other) - white) <= 0.5 and math.isfinite(code := piled_dn(other))
            ]
            tops = zip(values_of(plane.flats, "top_dn"), values_of(plane.flats, "black_dn"), strict=True)
            brightest = max((top + black for top, black in tops), default=math.inf)
            code = _agreed(codes, white)
            scaled = any(_SCALED & set(flags) for flags in values_of(plane.flats, "flags"))
            if math.isnan(piled_dn(plane)) and not scaled and code > brightest:
                out[iso][position] = replace(plane, clip_dn=code)
    return {iso: tuple(planes) for iso, planes in out.items()}


def _white(plane: PlanePairs) -> float:
    return plane.flats[0].white_dn if plane.flats else math.nan


def _agreed(codes: Sequence[float], white: float) -> float:
    if not codes:
        return math.nan
    code = float(np.median(codes))
    agree = max(codes) - min(codes) <= _AGREE * code
    above, below = code > white * (1.0 + _OFF), code < white * (1.0 - _OFF) and len(codes) > 1
    return code if agree and (above or below) else math.nan
