"""The nine regions of a frame, in thirds of its width and height."""

from __future__ import annotations

REGIONS = (
    "centre",
    "left",
    "right",
    "top",
    "bottom",
    "top-left",
    "top-right",
    "bottom-left",
    "bottom-right",
)
CORNERS = ("top-left", "top-right", "bottom-left", "bottom-right")


def region_of(x_norm: float, y_norm: float) -> str:
    """Return the region of a place in the frame; `x_norm` from the left and `y_norm` from the top, 0 to 1.

    Thirds of width and height (own convention). Raises ValueError for a place outside the frame.
    """
    if not (0.0 <= x_norm <= 1.0 and 0.0 <= y_norm <= 1.0):
        raise ValueError(f"the place ({x_norm}, {y_norm}) lies outside the frame (0 to 1)")
    side = "left" if x_norm < 1 / 3 else "right" if x_norm > 2 / 3 else ""
    height = "top" if y_norm < 1 / 3 else "bottom" if y_norm > 2 / 3 else ""
    return "-".join(part for part in (height, side) if part) or "centre"
