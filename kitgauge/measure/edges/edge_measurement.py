"""The result of measuring one edge, and of the same edge in the other colours."""

from __future__ import annotations

import math
from array import array
from dataclasses import asdict, dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.edge_candidate import EdgeCandidate, Orientation
from kitgauge.measure.edges.edge_spread import EdgeSpread

Array = NDArray[np.float64]


@dataclass(frozen=True)
class EdgeColour:
    """The same edge in another colour than green.

    `channel` is "R" or "B". `offset_px` is how far that colour's half-level lies from green's along the edge normal,
    positive towards the bright side. Standard errors include green's own noise. NaN where it could not be measured.
    """

    channel: str
    offset_px: float
    offset_stderr_px: float
    mtf50_cy_per_px: float
    mtf50_stderr: float

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> EdgeColour:
        """Rebuild from plain values (null becomes NaN)."""
        known: dict[str, Any] = {key: math.nan if value is None else value for key, value in values.items()}
        return cls(**known)


@dataclass(frozen=True)
class EdgeMeasurement:
    """What one edge tells.

    `esf` [DN] are means at `position_px` across the edge (0 = half-level, dark to bright, light gradient taken out),
    `mtf` runs over `frequency_cy_per_px` (0 to 1). `snr` is contrast over the noise of one sample on the bright side.
    `edge_offset_px` is where the half-level lies along the normal from the candidate's line (the difference of two
    colours' offsets is the lateral colour). A refused edge has NaN numbers, empty arrays, and flags that say why;
    `flags` of a measured edge cast doubt only. Standard errors cover noise within this frame.

    `overshoot` and `undershoot`: how far the edge spread rises over the bright level and falls under the dark one, as a
    share of the contrast (0 where it does not; NaN where refused). `colours`: the other colours of the same edge, where
    they were measured (`edge_colours.measure_colours`).
    `spread` is the fitted curve itself, which `as_dict` leaves out.
    """

    candidate: EdgeCandidate
    orientation: Orientation
    group: int
    x_px: float
    y_px: float
    angle_deg: float
    length_px: float
    mtf50_cy_per_px: float
    mtf50_stderr: float
    dark_dn: float
    bright_dn: float
    snr: float
    blur_px: float
    edge_offset_px: float
    edge_offset_stderr: float
    bow_px: float
    position_px: Array
    esf: Array
    esf_stderr: Array
    frequency_cy_per_px: Array
    mtf: Array
    mtf_stderr: Array
    flags: tuple[str, ...] = ()
    overshoot: float = math.nan
    overshoot_stderr: float = math.nan
    undershoot: float = math.nan
    undershoot_stderr: float = math.nan
    colours: tuple[EdgeColour, ...] = ()
    spread: EdgeSpread | None = field(default=None, repr=False, compare=False)

    @property
    def usable(self) -> bool:
        """True where MTF50 was measured."""
        return math.isfinite(self.mtf50_cy_per_px)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values (NaN stays NaN; a JSON writer turns it into null)."""
        values: dict[str, Any] = {}
        for item in fields(self):
            if item.name == "spread":
                continue
            value = getattr(self, item.name)
            if isinstance(value, np.ndarray):
                value = value.tolist()
            elif isinstance(value, EdgeCandidate):
                value = value.as_dict()
            elif item.name == "colours":
                value = [asdict(colour) for colour in self.colours]
            elif isinstance(value, tuple):
                value = list(value)
            values[item.name] = value
        return values

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> EdgeMeasurement:
        """Rebuild from `as_dict` (null becomes NaN)."""
        known: dict[str, Any] = {}
        for key, value in values.items():
            if key == "candidate":
                known[key] = EdgeCandidate.from_dict(value)
            elif key == "flags":
                known[key] = tuple(value)
            elif key == "colours":
                known[key] = tuple(EdgeColour.from_dict(colour) for colour in value)
            elif isinstance(value, array):
                known[key] = np.frombuffer(value)  # the same memory: rows of numbers are most of what a run keeps
            elif isinstance(value, list):
                known[key] = np.array([math.nan if v is None else v for v in value], dtype=np.float64)
            else:
                known[key] = math.nan if value is None else value
        return cls(**known)
