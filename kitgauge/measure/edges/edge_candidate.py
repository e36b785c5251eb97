"""What the search for edges hands to the measurement: where an edge lies and how much clear ground is around it."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any, Literal

Orientation = Literal["horizontal", "vertical"]


@dataclass(frozen=True)
class EdgeCandidate:
    """One straight edge between a dark and a bright ground.

    End points (`x0`, `y0`) and (`x1`, `y1`) [px] hold the usable part only: x is the column, y the row, pixel centres
    at integers. `orientation` names the direction of the EDGE, not of its normal. (`normal_x`, `normal_y`) is the unit
    normal from dark to bright. `group` numbers the patch the edge belongs to, `side` names the side of that patch
    ("left", "right", "top", "bottom") that the edge is.

    `half_width_dark_px` and `half_width_bright_px` are the free distances to the next structure on either side,
    `half_width_px` the smaller one. `patch_px` is the width of the patch behind the edge where its far side was found,
    and `patch_is_dark` tells which side of the edge the patch is on (NaN and True where unknown). `place` names the
    patch as the target's markers tell it ("sheet 2 square 3"), "" without markers: edges of different frames with equal
    `place` and `side` are the same edge.
    """

    x0: float
    y0: float
    x1: float
    y1: float
    orientation: Orientation
    normal_x: float
    normal_y: float
    group: int
    side: str
    half_width_px: float
    half_width_dark_px: float
    half_width_bright_px: float
    blur_px: float = math.nan  # 10 to 90 % distance across the edge, as the search saw it
    contrast: float = math.nan  # bright over dark level, NaN where the dark one is not above black
    patch_px: float = math.nan
    patch_is_dark: bool = True
    place: str = ""

    @property
    def normal(self) -> tuple[float, float]:
        """Unit normal (x, y) from dark to bright."""
        return self.normal_x, self.normal_y

    @property
    def length_px(self) -> float:
        """Length of the usable part of the edge [px]."""
        return math.hypot(self.x1 - self.x0, self.y1 - self.y0)

    @property
    def x_px(self) -> float:
        """Column of the centre."""
        return 0.5 * (self.x0 + self.x1)

    @property
    def y_px(self) -> float:
        """Row of the centre."""
        return 0.5 * (self.y0 + self.y1)

    @property
    def angle_deg(self) -> float:
        """Tilt of the edge from the nearest axis [degrees], -45 to 45, positive clockwise on the screen."""
        angle = math.degrees(math.atan2(self.y1 - self.y0, self.x1 - self.x0))
        if self.orientation == "vertical":
            angle -= 90.0
        return (angle + 90.0) % 180.0 - 90.0

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return asdict(self)

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> EdgeCandidate:
        """Rebuild from `as_dict` (null becomes NaN)."""
        known: dict[str, Any] = {key: math.nan if value is None else value for key, value in values.items()}
        return cls(**known)


@dataclass(frozen=True)
class RefusedEdge:
    """An edge that was seen and is not measured: where it lies, the flag, and the reason in plain words."""

    x0: float
    y0: float
    x1: float
    y1: float
    flag: str
    text: str


@dataclass(frozen=True)
class EdgeSearch:
    """All edges of one frame."""

    candidates: tuple[EdgeCandidate, ...]
    refused: tuple[RefusedEdge, ...]


def candidate_from_line(
    x0: float,
    y0: float,
    x1: float,
    y1: float,
    normal: tuple[float, float],
    half_width_px: float,
    group: int = 0,
    side: str = "",
    **known: Any,
) -> EdgeCandidate:
    """Return a candidate for the segment from (x0, y0) to (x1, y1) [px].

    `normal` need only point to the bright side; it is made a unit normal of the segment. `half_width_px` holds for
    both sides unless `half_width_dark_px` or `half_width_bright_px` is among `known`. Raises ValueError for a
    segment without length.
    """
    length = math.hypot(x1 - x0, y1 - y0)
    if not length > 0:
        raise ValueError("the edge has no length: its two end points are the same")
    along_x, along_y = (x1 - x0) / length, (y1 - y0) / length
    normal_x, normal_y = -along_y, along_x
    if normal_x * normal[0] + normal_y * normal[1] < 0:
        normal_x, normal_y = -normal_x, -normal_y
    dark = float(known.pop("half_width_dark_px", half_width_px))
    bright = float(known.pop("half_width_bright_px", half_width_px))
    return EdgeCandidate(
        x0=float(x0),
        y0=float(y0),
        x1=float(x1),
        y1=float(y1),
        orientation="vertical" if abs(along_y) > abs(along_x) else "horizontal",
        normal_x=normal_x,
        normal_y=normal_y,
        group=group,
        side=side,
        half_width_px=min(dark, bright),
        half_width_dark_px=dark,
        half_width_bright_px=bright,
        **known,
    )
