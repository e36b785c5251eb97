"""What a picture at given settings will be like, as far as it was measured.

Pure standard library. Unknown is None, never 0.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from kitgauge.intervals import NORMAL_95
from kitgauge.planner.choose import Setting
from kitgauge.planner.depth_of_field import blur_circle_mm, f_number_for_depth, near_and_far_m
from kitgauge.planner.inputs import Inputs
from kitgauge.planner.kit_model import KitModel
from kitgauge.planner.viewing import HALF, Viewing

_DEPTH_STEPS = range(-12, 73)  # from one stop below to six above, in steps of 1/12 stop

Interval = tuple[float, float] | None


@dataclass(frozen=True)
class Predicted:
    """Predictions for one frame; None = not measured.

    `near_m` and `far_m` bound what is sharp (far may be infinite); `contrast` at near end, focus and far end
    is that at the viewing frequency (0.5 and more is sharp).
    """

    keep_rate: float | None
    snr: float | None
    mtf50_cy_per_px: float | None
    near_m: float | None
    far_m: float | None
    keep_rate_interval: Interval = None
    snr_interval: Interval = None
    mtf50_interval: Interval = None
    contrast: Mapping[str, float] | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON; an infinite far end is null with `far_infinite` true."""
        infinite = self.far_m is not None and math.isinf(self.far_m)
        return {
            "keep_rate": self.keep_rate,
            "snr": self.snr,
            "mtf50_cy_per_px": self.mtf50_cy_per_px,
            "near_m": self.near_m,
            "far_m": None if infinite else self.far_m,
            "far_infinite": infinite,
            "contrast_at_viewing_frequency": None if self.contrast is None else dict(self.contrast),
            "intervals": {
                "keep_rate": _pair(self.keep_rate_interval),
                "snr": _pair(self.snr_interval),
                "mtf50_cy_per_px": _pair(self.mtf50_interval),
            },
        }


@dataclass(frozen=True)
class Optics:
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
        return {
            name: self.viewing.mtf(f_number, blur_circle_mm(self.focal_mm, f_number, self.focus_m, distance))
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


def predict(setting: Setting, inputs: Inputs, optics: Optics, model: KitModel) -> Predicted:
    """Return the predictions for `setting`."""
    near, far = optics.near_and_far(setting.f_number)
    snr, snr_low, snr_high = inputs.noise.snr(setting.iso)
    sharp = inputs.sharp
    mtf50, error = model.mtf50_at(setting.f_number, sharp.lens, inputs.focal_mm, sharp.region)
    return Predicted(
        keep_rate=inputs.motion.keep_rate(setting.shutter_s),
        snr=_known(snr),
        mtf50_cy_per_px=_known(mtf50),
        near_m=near,
        far_m=far,
        keep_rate_interval=inputs.motion.interval(setting.shutter_s),
        snr_interval=None if math.isnan(snr_low) else (snr_low, snr_high),
        mtf50_interval=None if math.isnan(error) else (mtf50 - NORMAL_95 * error, mtf50 + NORMAL_95 * error),
        contrast=optics.contrast(setting.f_number),
    )


def burst_frames(keep_rate: float | None, confidence: float) -> int | None:
    """Return the frames for one keeper with probability `confidence`: k = ceil(ln(1-c)/ln(1-p)).

    None where the keep rate is unknown or 0 (no burst helps).
    """
    if keep_rate is None or keep_rate <= 0:
        return None
    if keep_rate >= 1:
        return 1
    # the slack keeps an exact power (p = 0.9, c = 0.99: two frames) from rounding up
    return max(1, math.ceil(math.log1p(-confidence) / math.log1p(-keep_rate) - 1e-9))


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value


def _pair(interval: Interval) -> list[float] | None:
    return None if interval is None else list(interval)
