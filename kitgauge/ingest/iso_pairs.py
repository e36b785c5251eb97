"""What `ingest.iso_group` has measured of one ISO, read back as pairs of each colour plane."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from kitgauge.measure.noise.dark_pair import DarkPair
from kitgauge.measure.noise.noise_fit import PlanePairs
from kitgauge.measure.noise.photon_transfer import FlatPair


def plane_pairs(group: Mapping[str, Any]) -> list[PlanePairs]:
    """Return the flat and dark pairs of each plane, black as the files state it (`measure.black_level` settles it)."""
    return [
        PlanePairs(
            colour=plane["colour"],
            flats=tuple(FlatPair.from_dict(pair) for pair in plane["flat_pairs"]),
            darks=tuple(DarkPair.from_dict(pair) for pair in plane["dark_pairs"]),
            black_dn=plane["black_dn"],
            black_source=plane["black_source"],
            flat_settings=_settings(group["flat_sets"]),
            dark_settings=_settings(group["dark_sets"]),
        )
        for plane in group["planes"]
    ]


def _settings(sets: Sequence[Mapping[str, Any]]) -> tuple[tuple[float, float], ...]:
    """Return (shutter_s, f_number) of each set of frames, NaN where unknown."""

    def known(value: float | None) -> float:
        return math.nan if value is None else float(value)

    return tuple((known(one["shutter_s"]), known(one["f_number"])) for one in sets)
