"""How sharp a typical frame is at near end, focus and far end: all blurs together, through their MTFs.

Contrast at the viewing frequency of the picture as used (`viewing`): defocus with diffraction (wave optics), what else
the lens and the pixel take away (measured), the movement of hands and subject, and misses of the focus (measured). MTFs
of blurs that are independent of each other multiply (Goodman, Introduction to Fourier Optics, ch. 6, from memory);
defocus and diffraction are not, and are taken together. Pure standard library.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NamedTuple

from kitgauge.intervals import NORMAL_95
from kitgauge.planner.focusing import Focusing
from kitgauge.planner.motion import Motion
from kitgauge.planner.optics import Optics
from kitgauge.planner.streaks import normal_rule
from kitgauge.planner.viewing import FIRST_ZERO_DISC

_TYPICAL = 0.5  # the streak that half of the frames do not exceed
_LONG = 60.0  # pi times the lengths of finest detail that a streak covers, from where on the long form serves
PLACES = ("near", "focus", "far")


class Sharpness(NamedTuple):
    """Contrast at the viewing frequency of a typical frame, by place; 0.5 and more is sharp.

    `interval`: 95 % of each place by the errors of the measured lens and hands, None where neither was measured.
    `motion`: the factor that movement takes, None where it is known by rule of thumb only (and not counted).
    `frequency_cy_per_mm`: the viewing frequency on the sensor.
    """

    contrast: Mapping[str, float]
    interval: Mapping[str, tuple[float, float]] | None
    motion: float | None
    frequency_cy_per_mm: float

    @property
    def worst(self) -> float:
        """The lowest contrast of the places."""
        return min(self.contrast.values())

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        places = {
            name: {"contrast": value, "interval": None if self.interval is None else list(self.interval[name])}
            for name, value in self.contrast.items()
        }
        return {**places, "motion_factor": self.motion, "viewing_frequency_cy_per_mm": self.frequency_cy_per_mm}


def motion_mtf(frequency: float, streak_mm: float) -> float:
    """Return the MTF of straight uniform motion, averaged over the directions of detail.

    Along the motion it is sinc(nu L), at an angle phi sinc(nu L cos phi); the trapezoid rule over phi converges
    exponentially. For long streaks the mean, the integral of J0 from 0 to u = pi nu L over u, is (1 + sqrt(2/(pi u))
    sin(u - pi/4))/u (Abramowitz and Stegun, 11.1 with 9.2.1, from memory).
    """
    u = math.pi * abs(frequency * streak_mm)
    if u > _LONG:
        return (1 + math.sqrt(2 / (math.pi * u)) * math.sin(u - math.pi / 4)) / u
    count = 10 + math.ceil(u / 2)
    total = 0.0
    for k in range(count):
        along = u * math.cos(math.pi * (k + 0.5) / (2 * count))
        total += math.sin(along) / along if along > 1e-9 else 1.0
    return total / count


def sharpness(
    optics: Optics, f_number: float, shutter_s: float, motion: Motion, focusing: Focusing | None = None
) -> Sharpness:
    """Return the sharpness of a typical frame at exact settings; at the focus only where no distance is known."""
    frequency = optics.viewing.frequency
    streak_mm = motion.streak_at(shutter_s, _TYPICAL)
    factor = 1.0 if streak_mm is None else motion_mtf(frequency, streak_mm)
    miss_mm = None if focusing is None else focusing.sigma_mm()
    still = {name: still_contrast(optics, f_number, disc, miss_mm) for name, disc in optics.discs_mm(f_number).items()}
    contrast = {name: value * factor for name, value in still.items()}
    lens_error = optics.viewing.log_error(f_number)
    motion_error = _motion_error(motion, frequency, streak_mm, factor)
    errors = [error for error in (lens_error, motion_error) if error is not None]
    interval = None
    if errors:
        spread = NORMAL_95 * math.hypot(*errors)
        interval = {
            name: (min(value * math.exp(-spread), value), min(value * math.exp(spread), 1.0))
            if value > 0
            else (value, value)
            for name, value in contrast.items()
        }
    return Sharpness(contrast, interval, None if streak_mm is None else factor, frequency)


def still_contrast(optics: Optics, f_number: float, disc_mm: float, miss_mm: float | None) -> float:
    """Return the contrast with a defocus disc, averaged over misses of the focus of a standard deviation in mm.

    0 beyond the disc's first zero: what comes back there is detail turned dark for bright, not sharpness.
    """
    viewing = optics.viewing

    def contrast(disc: float) -> float:
        resolved = disc * viewing.frequency < FIRST_ZERO_DISC
        return max(viewing.mtf(f_number, disc), 0.0) if resolved else 0.0

    if miss_mm is None:
        return contrast(disc_mm)
    return sum(weight * contrast(abs(disc_mm + node * miss_mm / f_number)) for node, weight in normal_rule())


def _motion_error(motion: Motion, frequency: float, streak_mm: float | None, factor: float) -> float | None:
    """Return the standard error of ln(motion factor) by that of the hands, None where it is not known."""
    hands = motion.hands
    if hands is None or streak_mm is None or math.isnan(hands.stderr_stops) or factor <= 0:
        return None
    longer = motion_mtf(frequency, streak_mm * 2 ** (hands.slope * hands.stderr_stops))
    return abs(math.log(max(longer, 1e-6) / factor))
