"""f/8 or f/11? Sharpness and price of every f-number beside that of the plan.

Closing the aperture shrinks defocus, widens diffraction and takes light: all of it at the plan's shutter time, the ISO
following. Pure standard library.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

from kitgauge.exposure import f_number_dial, nominal_f_number, nominal_iso
from kitgauge.planner.choose import usable_iso
from kitgauge.planner.sharpness import Sharpness, sharpness, still_contrast

if TYPE_CHECKING:
    from kitgauge.planner.plan import Plan

_EPS = 1e-6


class FNumberRow(NamedTuple):
    """One f-number at the plan's shutter time: its sharpness, the ISO it takes, and how far that is above the limit, or
    how far the picture is off [stops].
    """

    f_number: float
    sharpness: Sharpness
    iso: float
    above_limit_stops: float
    exposure_error_stops: float

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON, settings as marked."""
        return {
            "f_number": nominal_f_number(self.f_number),
            "iso": nominal_iso(self.iso),
            "above_limit_stops": self.above_limit_stops,
            "exposure_error_stops": self.exposure_error_stops,
            "sharpness": self.sharpness.as_dict(),
        }


def f_number_row(plan: Plan, f_number: float) -> FNumberRow:
    """Return what an exact f-number would give at the plan's shutter time."""
    setting, bounds, available = plan.setting, plan.bounds, plan.available
    iso, error = available.best_iso(bounds.ev100, f_number, setting.shutter_s)
    above = math.log2(iso / usable_iso(bounds.iso_limit, available))
    focusing = None if plan.inputs.focus is None else plan.inputs.focus.focusing
    found = sharpness(plan.optics, f_number, setting.shutter_s, plan.inputs.motion, focusing)
    return FNumberRow(f_number, found, iso, max(above, 0.0), error)


def sharpest(plan: Plan) -> FNumberRow | None:
    """Return the f-number of the camera's dial whose softest place is the sharpest; None where nothing tells: a subject
    without depth and a lens that was not measured.
    """
    optics = plan.optics
    if not optics.viewing.aberration and (optics.near_m is None or optics.near_m == optics.far_m):
        return None
    miss_mm = None if plan.inputs.focus is None else plan.inputs.focus.focusing.sigma_mm()

    def worst(index: int) -> float:
        number = dial[index]  # movement takes the same from all of them
        return min(still_contrast(optics, number, disc, miss_mm) for disc in optics.discs_mm(number).values())

    # contrast rises to the best and falls behind it: whole stops first, then the thirds around the best of them
    dial = plan.available.f_number
    best = max(range(0, len(dial), 3), key=worst)
    best = max(range(max(best - 2, 0), min(best + 3, len(dial))), key=worst)
    return f_number_row(plan, dial[best])


def compare_f_numbers(plan: Plan) -> tuple[FNumberRow, ...]:
    """Return the whole stops of the dial, and the plan's own f-number, rising."""
    whole = f_number_dial("whole").exact
    numbers = {
        number for number in plan.available.f_number if any(abs(math.log2(number / full)) < _EPS for full in whole)
    }
    return tuple(f_number_row(plan, number) for number in sorted({*numbers, plan.setting.f_number}))
