"""How far away a target belongs, by the thin lens.

1/s + 1/s' = 1/f and m = s'/s give the magnification m = f / (s - f) for a target s from the lens (Hecht,
Optics, ch. 5, thin lens and lateral magnification; from memory), so s = f (1 + 1/m).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from kitgauge.protocol.camera_range import CameraRange
from kitgauge.protocol.model import Target
from kitgauge.protocol.sheets import SheetPlan, sensor_size_mm, sheet_plan

MM_PER_INCH = 25.4
A4_LONG_MM = 297.0
# A dot imaged w pixels wide acts like an aperture of that width: it lowers the MTF at nu by 1 - sinc(w nu).
PRINT_LOSS_ALLOWED = 0.005
PRINT_LOSS_AT_CY_PER_PX = 0.25  # half the Nyquist frequency


@dataclass(frozen=True)
class Distance:
    """Range of distances from target to lens [m]; None where pitch or focal length is unknown.

    `sheets` says what to print, None for a target that kitgauge does not print.
    """

    nearest_m: float | None
    furthest_m: float | None
    text: str
    sheets: SheetPlan | None = None


def magnification(distance_mm: float, focal_mm: float) -> float:
    """Return image size / target size of a thin lens at `distance_mm` > `focal_mm` (ValueError otherwise)."""
    if not distance_mm > focal_mm > 0:
        raise ValueError(f"the distance {distance_mm} mm must exceed the focal length {focal_mm} mm")
    return focal_mm / (distance_mm - focal_mm)


def largest_dot_px(loss: float = PRINT_LOSS_ALLOWED, frequency_cy_per_px: float = PRINT_LOSS_AT_CY_PER_PX) -> float:
    """Return the width [px] of an imaged printer dot that lowers MTF by `loss` (0 to 0.5) at a frequency.

    sin(x)/x = 1 - loss with x = pi w nu, solved by bisection (the transfer function of a slit: Goodman,
    Introduction to Fourier Optics, ch. 2). About 0.22 px for 0.5 % at 0.25 cycles/px.
    """
    low, high = 0.0, math.pi
    for _ in range(60):
        middle = 0.5 * (low + high)
        if middle > 0 and math.sin(middle) / middle < 1.0 - loss:
            high = middle
        else:
            low = middle
    return low / (math.pi * frequency_cy_per_px)


def focal_lengths_to_out_resolve(dots_per_inch: float, pitch_um: float) -> float:
    """Return the distance, in focal lengths, from which on a print's dots are too small to show in the frame.

    The dot's image, m x 25.4 mm / dpi, may be at most `largest_dot_px` pixels wide; s/f = 1 + 1/m. A 600 dpi
    print and 3.9 um pixels need about 50 focal lengths.
    """
    dot_um = 1000.0 * MM_PER_INCH / dots_per_inch
    return 1.0 + dot_um / (largest_dot_px() * pitch_um)


def target_distance(target: Target, camera: CameraRange) -> Distance:
    """Return between which distances `target` serves with this lens, with the reasons in words.

    The near end keeps the print finer than the lens can show (where the target asks for it), the far end
    keeps an edge long enough in the frame: edge x m / pitch >= `edge_px_at_least`, where the edge is that of the
    printed target's sheets (`sheets.py`), else `square_mm`.
    """
    nearest = target.focal_lengths_at_least
    if camera.pitch_um is not None and target.out_resolve_lens:
        nearest = max(nearest, focal_lengths_to_out_resolve(target.dots_per_inch, camera.pitch_um))
    plan = None if target.sheets is None else sheet_plan(target, camera, nearest)
    edge_mm = target.square_mm if plan is None else float(plan.design.square_mm)
    furthest = None
    if camera.pitch_um is not None:
        furthest = 1.0 + 1000.0 * edge_mm / (target.edge_px_at_least * camera.pitch_um)
    focal = camera.focal_mm
    parts = [_nearest_text(target, camera, nearest)]
    if furthest is not None and furthest < nearest:
        needed_mm = target.edge_px_at_least * (camera.pitch_um or 0.0) * (nearest - 1.0) / 1000.0
        parts.append(
            f"At that distance an edge of {edge_mm:g} mm is shorter than the "
            f"{target.edge_px_at_least:g} px needed: use squares of {math.ceil(needed_mm):d} mm or more."
        )
        furthest = None
    else:
        parts.append(_furthest_text(target, edge_mm, focal, furthest))
    sensor = sensor_size_mm(camera)
    if plan is None and focal is not None and sensor is not None:
        width_mm = sensor[0] / magnification(nearest * focal, focal)
        parts.append(
            f"At the nearest distance the frame is {_metres(width_mm)} wide"
            + (f"; an A4 sheet covers {A4_LONG_MM / width_mm:.0%} of that." if width_mm > A4_LONG_MM else ".")
        )
    return Distance(
        None if focal is None else nearest * focal / 1000.0,
        None if furthest is None or focal is None else furthest * focal / 1000.0,
        " ".join(parts),
        plan,
    )


def _nearest_text(target: Target, camera: CameraRange, nearest: float) -> str:
    why = ""
    if target.out_resolve_lens:
        why = f", so that the dots of a {target.dots_per_inch:g} dpi print are too small to show"
        if camera.pitch_um is None:
            finest_um = 1000.0 * MM_PER_INCH / (target.dots_per_inch * largest_dot_px() * (nearest - 1.0))
            why += f" (if the pixels are {finest_um:.1f} um or larger)"
    if camera.focal_mm is None:
        for_50_mm = f"{_metres(nearest * 50)} for 50 mm"
        return f"At least {nearest:.0f} focal lengths from target to lens ({for_50_mm}){why}."
    focal = camera.focal_mm
    return f"At least {_metres(nearest * focal)} from target to lens ({nearest:.0f} x {focal:g} mm){why}."


def _furthest_text(target: Target, edge_mm: float, focal_mm: float | None, furthest: float | None) -> str:
    edge = f"an edge of {edge_mm:g} mm"
    if furthest is None:
        return f"Not so far that {edge} covers fewer than {target.edge_px_at_least:g} px."
    end = f"{furthest:.0f} focal lengths" if focal_mm is None else _metres(furthest * focal_mm)
    return f"At most {end}, so that {edge} still covers {target.edge_px_at_least:g} px."


def _metres(length_mm: float) -> str:
    metres = length_mm / 1000.0
    return f"{metres:.2f} m" if metres < 1 else f"{metres:.1f} m" if metres < 20 else f"{metres:.0f} m"
