"""How much farther than the centre the corners must be stopped down, and what that does and does not say."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from kitgauge.exposure import format_f_number
from kitgauge.measure.edges.regions import CORNERS

if TYPE_CHECKING:
    from kitgauge.fit.sharpness.sharpness_aperture import RegionFit

_SMALLEST_STOPS = 0.5
_FEWEST_CORNERS = 3


@dataclass(frozen=True)
class CornerAperture:
    """The f-numbers at which centre and corners (their mean in stops) are sharpest, and the difference in stops."""

    centre_f_number: float
    corners_f_number: float
    stops: float
    stops_ci: tuple[float, float]
    text: str

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {**asdict(self), "stops_ci": list(self.stops_ci)}


def corner_aperture(regions: Mapping[str, RegionFit]) -> CornerAperture | None:
    """Return how the corners' sharpest f-number compares with the centre's, None without the centre or three corners.

    The interval (95 %) is that of the regions' draws, which are independent of one another.
    """
    corners = [regions[name] for name in CORNERS if name in regions]
    if "centre" not in regions or len(corners) < _FEWEST_CORNERS:
        return None
    centre = regions["centre"]
    stops = float(np.mean([_stops(corner.sharpest_f_number) for corner in corners])) - _stops(centre.sharpest_f_number)
    count = min(region.curve.draws.shape[0] for region in [centre, *corners])
    drawn = [np.array([_stops(n) for n in _peaks(region)[:count]]) for region in [*corners, centre]]
    low, high = np.percentile(np.mean(drawn[:-1], axis=0) - drawn[-1], [2.5, 97.5])
    corners_f_number = centre.sharpest_f_number * 2.0 ** (stops / 2.0)
    text = ""
    if stops >= _SMALLEST_STOPS and low > 0:
        text = (
            f"The corners are sharpest at {format_f_number(corners_f_number)}, the centre at "
            f"{format_f_number(centre.sharpest_f_number)}: stopping down cures aberrations of the corners and a curved "
            "field alike, and frames at one focus setting cannot tell which; the protocol focus-bracket can."
        )
    return CornerAperture(centre.sharpest_f_number, corners_f_number, stops, (float(low), float(high)), text)


def _peaks(region: RegionFit) -> list[float]:
    return [float(region.curve.f_number[k]) for k in np.argmax(region.curve.draws, axis=1)]


def _stops(f_number: float) -> float:
    return 2.0 * math.log2(f_number)
