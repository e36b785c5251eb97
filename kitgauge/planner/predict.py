"""What a picture at given settings will be like, as far as it was measured.

Pure standard library. Unknown is None, never 0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from kitgauge.planner.choose import Setting
from kitgauge.planner.depth_of_field import near_and_far_m
from kitgauge.planner.inputs import Inputs
from kitgauge.planner.kit_model import Z_95, KitModel

Interval = tuple[float, float] | None


@dataclass(frozen=True)
class Predicted:
    """Predictions for one frame; None = not measured. `far_m` is infinite beyond the hyperfocal distance."""

    keep_rate: float | None
    snr: float | None
    mtf50_cy_per_px: float | None
    near_m: float | None
    far_m: float | None
    keep_rate_interval: Interval = None
    snr_interval: Interval = None
    mtf50_interval: Interval = None

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
            "intervals": {
                "keep_rate": _pair(self.keep_rate_interval),
                "snr": _pair(self.snr_interval),
                "mtf50_cy_per_px": _pair(self.mtf50_interval),
            },
        }


@dataclass(frozen=True)
class Optics:
    """Focal length [mm], circle of confusion [mm] and focus distance [m], None where no distance is known."""

    focal_mm: float
    circle_mm: float
    focus_m: float | None

    def near_and_far(self, f_number: float) -> tuple[float | None, float | None]:
        """Return the nearest and farthest sharp distance [m] at an exact f-number."""
        if self.focus_m is None:
            return None, None
        return near_and_far_m(self.focal_mm, f_number, self.circle_mm, self.focus_m)


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
        mtf50_interval=None if math.isnan(error) else (mtf50 - Z_95 * error, mtf50 + Z_95 * error),
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
