"""The lens, focused somewhere, and what a picture of some size asks of it: what is sharp from where to where.

Pure standard library.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from kitgauge.planner.depth_of_field import blur_circle_mm, f_number_for_depth, near_and_far_m
from kitgauge.planner.viewing import HALF, Viewing

_DEPTH_STEPS = range(-12, 73)  # from one stop below to six above, in steps of 1/12 stop


class Optics(NamedTuple):
    """Focal length [mm], what the picture demands of sharpness, and the distances [m], None where none is
    known.
    """

    focal_mm: float
    viewing: Viewing
    focus_m: float | None
    near_m: float | None = None
    far_m: float | None = None

    def near_and_far(self, f_number: float) -> tuple[float | None, float | None]:
        """Return the nearest and farthest sharp distance [m] at an exact f-number; the focus itself if
        nothing is.
        """
        if self.focus_m is None:
            return None, None
        circle = self.viewing.allowed_disc_mm(f_number)
        if circle <= 0:
            return self.focus_m, self.focus_m
        return near_and_far_m(self.focal_mm, f_number, circle, self.focus_m)

    def contrast(self, f_number: float) -> dict[str, float] | None:
        """Return the contrast at the viewing frequency at near end, focus and far end (0.5 and more is
        sharp).
        """
        if self.focus_m is None or self.near_m is None or self.far_m is None:
            return None
        return {name: self.viewing.mtf(f_number, disc) for name, disc in self.discs_mm(f_number).items()}

    def discs_mm(self, f_number: float) -> dict[str, float]:
        """Return the disc of defocus [mm] at near end, focus and far end; of the focus only where no distance is
        known.
        """
        if self.focus_m is None or self.near_m is None or self.far_m is None:
            return {"focus": 0.0}
        return {
            name: blur_circle_mm(self.focal_mm, f_number, self.focus_m, distance)
            for name, distance in (("near", self.near_m), ("focus", self.focus_m), ("far", self.far_m))
        }

    def f_number_for_depth(self) -> tuple[float, float]:
        """Return the lowest f-number with near and far end sharp, and the stops of depth missing; (0, 0)
        without depth.

        Closing the aperture shrinks the blur of defocus and widens that of diffraction. Where no f-number is
        sharp at both ends, the one that comes nearest is returned, with the stops by which its defocus is too
        large.
        """
        if self.near_m is None or self.far_m is None or self.focus_m is None or self.near_m == self.far_m:
            return 0.0, 0.0
        viewing, focal, focus, near = self.viewing, self.focal_mm, self.focus_m, self.near_m

        def contrast(f_number: float) -> float:
            return viewing.mtf(f_number, blur_circle_mm(focal, f_number, focus, near))

        # around the f-number of a perfect lens, in twelfths of a stop
        plain = f_number_for_depth(focal, near, self.far_m, viewing.circle_mm)
        grid = [plain * 2 ** (k / 24) for k in _DEPTH_STEPS]
        index = next((k for k, number in enumerate(grid) if contrast(number) >= HALF), None)
        if index is None:
            return self._nearest_to_depth(plain)
        low, high = grid[max(index - 1, 0)], grid[index]
        for _ in range(16):
            middle = math.sqrt(low * high)
            if contrast(middle) >= HALF:
                high = middle
            else:
                low = middle
        return high, 0.0

    def _nearest_to_depth(self, plain: float) -> tuple[float, float]:
        """Return the f-number whose defocus at the ends comes nearest to what its diffraction allows, and the
        stops over.
        """
        excess: dict[float, float] = {}
        for f_number in (2 ** (k / 6) for k in range(4, 37)):  # f/1.6 to f/64 in thirds of a stop
            allowed = self.viewing.allowed_disc_mm(f_number)
            if allowed > 0:
                excess[f_number] = plain * self.viewing.circle_mm / (f_number * allowed)
        if not excess:  # the lens alone is too soft: the perfect lens's f-number is all there is to go by
            return plain, 0.0
        best = min(excess, key=lambda number: excess[number])
        return best, max(2 * math.log2(excess[best]), 0.0)
