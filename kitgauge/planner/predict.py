"""What a picture at given settings will be like, as far as it was measured.

Pure standard library. Unknown is None, never 0.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NamedTuple

from kitgauge.intervals import NORMAL_95
from kitgauge.planner.choose import Setting
from kitgauge.planner.inputs import Inputs
from kitgauge.planner.kit_model import KitModel
from kitgauge.planner.optics import Optics
from kitgauge.planner.sharpness import Sharpness, sharpness

Interval = tuple[float, float] | None


class Predicted(NamedTuple):
    """Predictions for one frame; None = not measured.

    `near_m` and `far_m` bound what is sharp (far may be infinite); `contrast` at near end, focus and far end
    is that at the viewing frequency (0.5 and more is sharp) of what holds still; `sharpness` the same with the
    movement and the focusing of a typical frame. `keep_rate` is the share of frames frozen well enough (`extrapolated`:
    at a shutter time beyond the measured ones), `focused_rate` of those focused well enough, `sharp_rate` both
    together.
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
    sharpness: Sharpness | None = None
    focused_rate: float | None = None
    focused_interval: Interval = None
    extrapolated: bool = False

    @property
    def sharp_rate(self) -> float | None:
        """The share of frames both frozen and focused well enough; of the first alone where focusing is unknown."""
        if self.keep_rate is None or self.focused_rate is None:
            return self.keep_rate
        return self.keep_rate * self.focused_rate

    @property
    def sharp_rate_low(self) -> float | None:
        """The low end of the interval of `sharp_rate`: both errors together; None where none is known."""
        if self.keep_rate is None or self.keep_rate_interval is None:
            return None
        lost = self.keep_rate - self.keep_rate_interval[0]
        if self.focused_rate is None:
            return self.keep_rate - lost
        if self.focused_interval is None:
            return None
        unfocused = self.focused_rate - self.focused_interval[0]
        rate = self.keep_rate * self.focused_rate
        return max(rate - math.hypot(lost * self.focused_rate, unfocused * self.keep_rate), 0.0)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON; an infinite far end is null with `far_infinite` true."""
        infinite = self.far_m is not None and math.isinf(self.far_m)
        return {
            "keep_rate": self.keep_rate,
            "keep_rate_extrapolated": self.extrapolated,
            "focused_rate": self.focused_rate,
            "sharp_rate": self.sharp_rate,
            "snr": self.snr,
            "mtf50_cy_per_px": self.mtf50_cy_per_px,
            "near_m": self.near_m,
            "far_m": None if infinite else self.far_m,
            "far_infinite": infinite,
            "contrast_at_viewing_frequency": None if self.contrast is None else dict(self.contrast),
            "sharpness": None if self.sharpness is None else self.sharpness.as_dict(),
            "intervals": {
                "keep_rate": _pair(self.keep_rate_interval),
                "focused_rate": _pair(self.focused_interval),
                "snr": _pair(self.snr_interval),
                "mtf50_cy_per_px": _pair(self.mtf50_interval),
            },
        }


def predict(setting: Setting, inputs: Inputs, optics: Optics, model: KitModel) -> Predicted:
    """Return the predictions for `setting`.

    SNR is that of the scene's mid-grey where the settings put it: lower by a margin for the highlights.
    """
    near, far = optics.near_and_far(setting.f_number)
    level = model.snr_at_level(setting.iso, setting.error_stops - inputs.margin_stops)
    snr, snr_low, snr_high = (value * level for value in inputs.noise.snr(setting.iso))
    sharp, motion = inputs.sharp, inputs.motion
    mtf50, error = model.mtf50_at(setting.f_number, sharp.lens, inputs.focal_mm, sharp.region)
    focusing = None if inputs.focus is None else inputs.focus.focusing
    return Predicted(
        keep_rate=motion.expected_keep_rate(setting.shutter_s),
        snr=_known(snr),
        mtf50_cy_per_px=_known(mtf50),
        near_m=near,
        far_m=far,
        keep_rate_interval=motion.interval(setting.shutter_s),
        snr_interval=None if math.isnan(snr_low) else (snr_low, snr_high),
        mtf50_interval=None if math.isnan(error) else (mtf50 - NORMAL_95 * error, mtf50 + NORMAL_95 * error),
        contrast=optics.contrast(setting.f_number),
        sharpness=sharpness(optics, setting.f_number, setting.shutter_s, motion, focusing),
        focused_rate=None if focusing is None else focusing.keep_rate(setting.f_number),
        focused_interval=None if focusing is None else focusing.interval(setting.f_number),
        extrapolated=motion.hands is not None and motion.hands.beyond_measured(setting.shutter_s),
    )


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value


def _pair(interval: Interval) -> list[float] | None:
    return None if interval is None else list(interval)
