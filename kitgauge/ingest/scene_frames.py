"""How an everyday frame is exposed."""

from __future__ import annotations

import math

import numpy as np

from kitgauge.frames.mosaic import Mosaic

NEAR_BLACK = 2.0**-10  # ten stops below saturation


def exposure_of(mosaic: Mosaic) -> dict[str, float]:
    """Return the median green level [stops below saturation] and the shares clipped and near black (0 to 1).

    A sample is clipped when it reaches the white level, in any colour; near black when it lies ten stops or more below
    saturation, in green.
    """
    green = [plane for plane in mosaic.planes() if plane.colour in ("G", "G1", "G2")]
    spans = [plane.white_dn - plane.black_dn for plane in green]
    medians = [
        (float(np.median(plane.samples[::4, ::4])) - plane.black_dn) / span
        for plane, span in zip(green, spans, strict=True)
    ]
    level = min(float(np.mean(medians)), 1.0)  # what lies above the white level is white
    dark = [
        float(np.mean(plane.samples < plane.black_dn + NEAR_BLACK * span))
        for plane, span in zip(green, spans, strict=True)
    ]
    return {
        "level_stops_below_saturation": math.log2(1.0 / level) if level > 0 else math.nan,
        "clipped_share": float(np.mean(mosaic.samples >= mosaic.white_dn)),
        "near_black_share": float(np.mean(dark)),
    }


def mean_level(mosaic: Mosaic) -> float:
    """Return the mean green level as a share of saturation (0 to 1): what a light meter sees of the whole frame."""
    green = [plane for plane in mosaic.planes() if plane.colour in ("G", "G1", "G2")]
    shares = [(float(np.mean(plane.samples)) - plane.black_dn) / (plane.white_dn - plane.black_dn) for plane in green]
    return float(np.mean(shares))
