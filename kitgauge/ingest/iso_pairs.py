"""What `ingest.iso_group` has measured of one ISO, read back as pairs of each colour plane."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from kitgauge.ingest.frame_sets import FrameSets
from kitgauge.measure.noise.dark_pair import DarkPair
from kitgauge.measure.noise.noise_fit import PlanePairs
from kitgauge.measure.noise.pair_columns import PairColumns
from kitgauge.measure.noise.photon_transfer import FlatPair


def plane_pairs(group: Mapping[str, Any]) -> list[PlanePairs]:
    """Return the flat and dark pairs of each plane, black as the files state it (`measure.black_level` settles it)."""
    flat_settings, dark_settings = (FrameSets.from_dict(group[f"{role}_sets"]).settings() for role in ("flat", "dark"))
    return [
        PlanePairs(
            colour=plane["colour"],
            flats=PairColumns.from_dict(FlatPair, plane["flat_pairs"]),
            darks=PairColumns.from_dict(DarkPair, plane["dark_pairs"]),
            black_dn=plane["black_dn"],
            black_source=plane["black_source"],
            flat_settings=flat_settings,
            dark_settings=dark_settings,
        )
        for plane in group["planes"]
    ]
