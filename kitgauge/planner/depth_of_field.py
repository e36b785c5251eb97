"""Depth of field of a thin lens.

A point at distance x, with the lens of focal length f and f-number N focused at s, makes a blur circle of
diameter

    c = (f / N) * f / (s - f) * |x - s| / x

(similar triangles behind the lens). Solved for x it gives the handbook's near and far limits with the
hyperfocal distance H = f^2/(N c) + f (`published/facts.md`, from handbooks). Distances in m from the front
principal plane, focal length and circle in mm. Pure standard library.
"""

from __future__ import annotations

import math

from kitgauge.errors import PlanError

CIRCLE_DIAGONAL_FRACTION = 1.0 / 1500.0  # common practice, no source
CIRCLE_OUTPUT_MP = 8.0  # the picture that this fraction is meant for: kitgauge's default output


def circle_of_confusion_mm(frame_diagonal_mm: float, output_mp: float = CIRCLE_OUTPUT_MP) -> float:
    """Return the largest blur circle [mm on the sensor] that passes for a point.

    Frame diagonal / 1500 for a picture of 8 megapixels (common practice); larger pictures are looked at more
    closely, so that the circle keeps its size in the picture's own pixels.
    """
    return frame_diagonal_mm * CIRCLE_DIAGONAL_FRACTION * math.sqrt(CIRCLE_OUTPUT_MP / output_mp)


def hyperfocal_m(focal_mm: float, f_number: float, circle_mm: float) -> float:
    """Return the hyperfocal distance [m], H = f^2/(N c) + f."""
    return (focal_mm**2 / (f_number * circle_mm) + focal_mm) / 1000.0


def near_and_far_m(focal_mm: float, f_number: float, circle_mm: float, distance_m: float) -> tuple[float, float]:
    """Return the nearest and farthest sharp distance [m] when focused at `distance_m`; far may be infinite.

    near = s(H-f)/(H+s-2f), far = s(H-f)/(H-s), infinite for s >= H. Raises PlanError if s <= f.
    """
    require_outside_focal_length(distance_m, focal_mm)
    hyperfocal, focal, s = hyperfocal_m(focal_mm, f_number, circle_mm), focal_mm / 1000.0, distance_m
    if math.isinf(s):
        return hyperfocal - focal, math.inf
    near = s * (hyperfocal - focal) / (hyperfocal + s - 2 * focal)
    return near, math.inf if s >= hyperfocal else s * (hyperfocal - focal) / (hyperfocal - s)


def blur_circle_mm(focal_mm: float, f_number: float, focus_m: float, distance_m: float) -> float:
    """Return the diameter [mm on the sensor] of the blur circle of a point at `distance_m`, focused at
    `focus_m`.
    """
    require_outside_focal_length(focus_m, focal_mm)
    focal = focal_mm / 1000.0
    if math.isinf(focus_m):
        return focal_mm / f_number * (0.0 if math.isinf(distance_m) else focal / distance_m)
    relative = 1.0 if math.isinf(distance_m) else abs(distance_m - focus_m) / distance_m
    return focal_mm / f_number * focal / (focus_m - focal) * relative


def focus_for(near_m: float, far_m: float) -> float:
    """Return the focus distance [m] at which near and far end are equally sharp: 2 n F/(n + F), 2 n for F
    infinite.
    """
    return 2 * near_m if math.isinf(far_m) else 2 * near_m * far_m / (near_m + far_m)


def f_number_for_depth(focal_mm: float, near_m: float, far_m: float, circle_mm: float) -> float:
    """Return the lowest f-number that keeps `near_m` to `far_m` within the circle, focused by `focus_for`; 0
    if near = far.

    From c at the near end: N = f^2 (s - n) / (c n (s - f)). Raises PlanError if the near end lies inside the
    focal length.
    """
    require_outside_focal_length(near_m, focal_mm)
    if near_m == far_m:
        return 0.0
    focus, focal = focus_for(near_m, far_m), focal_mm / 1000.0
    return focal_mm**2 * (focus - near_m) / (circle_mm * near_m * (focus - focal)) / 1000.0


def magnification(focal_mm: float, distance_m: float) -> float:
    """Return the image size over the object size, m = f/(s - f). Raises PlanError if s <= f."""
    require_outside_focal_length(distance_m, focal_mm)
    focal = focal_mm / 1000.0
    return focal / (distance_m - focal)


def require_outside_focal_length(distance_m: float, focal_mm: float) -> None:
    """Raise PlanError unless the distance is greater than the focal length (nearer things have no real
    image).
    """
    if not distance_m > focal_mm / 1000.0:
        raise PlanError(
            "a distance lies inside the focal length",
            where="--near, --far, --distance",
            got=f"{distance_m:g} m with a {focal_mm:g} mm lens",
            needed=f"more than {focal_mm / 1000.0:g} m",
            fix="give distances in metres from the lens, and the focal length in millimetres",
        )
