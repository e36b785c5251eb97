"""Hot pixels: how many there are at each exposure time, and how fast the hottest fill up.

Definition used (no standard gives one; common practice): a pixel is hot at an exposure time if in both frames of a
pair it stands more than `HOT_READ_NOISES` read noises (of the shortest exposures) above its neighbours of the same
colour, and more than five times the temporal noise of that exposure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

HOT_READ_NOISES = 10.0  # common practice, no source
MOST_LISTED = 100
DEFINITION = (
    f"hot: more than {HOT_READ_NOISES:g} read noises above its neighbours of the same colour, and 5 times the noise "
    "of that exposure, in both frames of a pair"
)


@dataclass(frozen=True)
class Candidates:
    """Samples that stand above their neighbours in two frames of `exposure_s` [s], in frame coordinates [px].

    `excess_dn` and `samples` are a histogram (whole DN, number); `x`, `y`, `brightest_dn` and `clipped` list the
    brightest.
    """

    exposure_s: float
    pixels: int  # looked at
    excess_dn: tuple[int, ...]
    samples: tuple[int, ...]
    x: tuple[int, ...]
    y: tuple[int, ...]
    brightest_dn: tuple[float, ...]
    clipped: tuple[bool, ...]


@dataclass(frozen=True)
class HotPixel:
    """One hot pixel: x = column, y = row [px]; rate above its neighbours [e-/s], NaN where it always clips.

    `excess_e` is how far it stands above them at the longest time at which it does not clip, `exposure_s`.
    """

    x: int
    y: int
    rate_e_per_s: float
    excess_e: float
    exposure_s: float

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "x": self.x,
            "y": self.y,
            "rate_e_per_s": self.rate_e_per_s,
            "excess_e": self.excess_e,
            "exposure_s": self.exposure_s,
        }


def hot_count(found: Candidates, read_noise_dn: float) -> int:
    """Return how many pixels are hot at this exposure; `read_noise_dn` is that of the shortest exposures [DN]."""
    excess = np.array(found.excess_dn, dtype=np.float64)
    # bins are floored: one counts if its middle lies above the threshold
    return int(np.array(found.samples)[excess + 0.5 > HOT_READ_NOISES * read_noise_dn].sum()) if excess.size else 0


def hottest_pixels(exposures: Sequence[Candidates], read_noise_dn: float, gain_e_per_dn: float) -> tuple[HotPixel, ...]:
    """Return the hottest pixels, by their rate, at most `MOST_LISTED`.

    The rate is the slope of the excess against exposure time over all exposures that show the pixel unclipped, by
    least squares; from one alone it is excess over time. Pixels whose excess does not grow (offsets) have a rate
    near 0. All rates are NaN where the gain is.
    """
    seen: dict[tuple[int, int], list[tuple[float, float]]] = {}
    clipped: dict[tuple[int, int], float] = {}
    for found in exposures:
        for x, y, excess, full in zip(found.x, found.y, found.brightest_dn, found.clipped, strict=True):
            if excess <= HOT_READ_NOISES * read_noise_dn:
                continue
            if full:
                clipped[x, y] = min(found.exposure_s, clipped.get((x, y), math.inf))
            else:
                seen.setdefault((x, y), []).append((found.exposure_s, excess * gain_e_per_dn))
    pixels = [_hot_pixel(place, values) for place, values in seen.items()]
    pixels += [HotPixel(*place, math.nan, math.nan, time) for place, time in clipped.items() if place not in seen]
    # a pixel that is full even at the shortest time it was seen at comes before all others
    pixels.sort(key=lambda pixel: math.inf if math.isnan(pixel.rate_e_per_s) else pixel.rate_e_per_s, reverse=True)
    return tuple(pixels[:MOST_LISTED])


def _hot_pixel(place: tuple[int, int], values: Sequence[tuple[float, float]]) -> HotPixel:
    times, excess = np.array(sorted(values)).T
    several = np.unique(times).size > 1
    rate = np.polyfit(times, excess, 1)[0] if several else excess.mean() / times[0]
    return HotPixel(place[0], place[1], float(rate), float(excess[-1]), float(times[-1]))
