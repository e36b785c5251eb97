"""What this camera and lens can be set to, and how large the picture they make is."""

from __future__ import annotations

import math
from dataclasses import dataclass

from kitgauge.errors import UsageError
from kitgauge.exposure import exact_f_number, exact_iso, exact_shutter_s
from kitgauge.protocol.marked import F_NUMBER_RANGE, ISO_RANGE, SHUTTER_RANGE_S

FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)
ASSUMED_FOCAL_35MM = 50.0


# Limits of sense, not of any camera: outside them a value is a slip of the pen or of the unit.
_POSSIBLE: dict[str, tuple[float, float]] = {
    "iso_min": ISO_RANGE,
    "iso_max": ISO_RANGE,
    "f_min": F_NUMBER_RANGE,
    "f_max": F_NUMBER_RANGE,
    "shutter_fastest_s": SHUTTER_RANGE_S,
    "shutter_slowest_s": SHUTTER_RANGE_S,
    "focal_mm": (0.5, 10_000.0),
    "focal_35mm": (1.0, 50_000.0),
    "pitch_um": (0.3, 100.0),
    "frame_width_px": (16, 200_000),
    "frame_height_px": (16, 200_000),
}
_WORDS = {
    "iso_min": "the lowest ISO",
    "iso_max": "the highest ISO",
    "f_min": "the lowest f-number",
    "f_max": "the highest f-number",
    "shutter_fastest_s": "the fastest shutter time",
    "shutter_slowest_s": "the slowest shutter time",
    "focal_mm": "the focal length",
    "focal_35mm": "the focal length in 35 mm terms",
    "pitch_um": "the pixel pitch",
}


@dataclass(frozen=True)
class CameraRange:
    """Range of a camera's settings, marked or exact, and its geometry as far as it is known (None = unknown).

    ISO, f-numbers and shutter times [s] are the ends of the dials; `focal_mm` the true focal length [mm];
    `focal_35mm` the equivalent in 35 mm terms [mm] (else computed from pitch and frame size); `pitch_um` the
    pixel pitch [um]; `light_ev100` the light at hand as EV at ISO 100. UsageError for an impossible value.
    """

    iso_min: float = 100.0
    iso_max: float = 25600.0
    f_min: float = 2.8
    f_max: float = 22.0
    shutter_fastest_s: float = 1 / 8000
    shutter_slowest_s: float = 30.0
    focal_mm: float | None = None
    focal_35mm: float | None = None
    pitch_um: float | None = None
    frame_width_px: int | None = None
    frame_height_px: int | None = None
    light_ev100: float | None = None

    def __post_init__(self) -> None:
        for name, (least, most) in _POSSIBLE.items():
            value = getattr(self, name)
            if value is not None and not least <= value <= most:
                raise UsageError(
                    f"{_WORDS.get(name, name.replace('_', ' '))} is not possible",
                    got=f"{value:g}",
                    needed=f"{least:g} to {most:g}",
                    fix="give the value that the camera shows",
                )
        if self.light_ev100 is not None and not -10 <= self.light_ev100 <= 22:
            raise UsageError(
                "the light is not possible",
                got=f"EV {self.light_ev100:g}",
                needed="EV -10 to 22 at ISO 100",
                fix="meter the light, or leave it out",
            )
        for low, high in (
            ("iso_min", "iso_max"),
            ("f_min", "f_max"),
            ("shutter_fastest_s", "shutter_slowest_s"),
        ):
            if getattr(self, low) > getattr(self, high):
                raise UsageError(
                    f"{_WORDS[low]} lies above {_WORDS[high]}",
                    got=f"{getattr(self, low):g} and {getattr(self, high):g}",
                    needed="the lower value first",
                    fix="swap the two, or correct one of them",
                )

    def bounds(self, setting: str) -> tuple[float, float]:
        """Return the exact lowest and highest value of "iso", "shutter_s" or "f_number"."""
        if setting == "iso":
            return exact_iso(self.iso_min), exact_iso(self.iso_max)
        if setting == "f_number":
            return exact_f_number(self.f_min), exact_f_number(self.f_max)
        return exact_shutter_s(self.shutter_fastest_s), exact_shutter_s(self.shutter_slowest_s)

    @property
    def sensor_mm(self) -> tuple[float, float] | None:
        """Width and height of the picture on the sensor [mm], None if not known."""
        if self.pitch_um is None or self.frame_width_px is None or self.frame_height_px is None:
            return None
        return self.frame_width_px * self.pitch_um / 1000.0, self.frame_height_px * self.pitch_um / 1000.0

    def focal_in_35mm_terms(self) -> tuple[float, str]:
        """Return the focal length in 35 mm terms [mm] and, in words, where it comes from.

        The equivalent keeps the diagonal angle of view: focal length x diagonal of 36 x 24 mm / own diagonal.
        """
        if self.focal_35mm is not None:
            return self.focal_35mm, f"{self.focal_35mm:g} mm in 35 mm terms, as given"
        if self.focal_mm is None:
            return (
                ASSUMED_FOCAL_35MM,
                f"no focal length given: {ASSUMED_FOCAL_35MM:g} mm in 35 mm terms assumed",
            )
        if self.sensor_mm is None:
            return (
                self.focal_mm,
                f"sensor size not known: {self.focal_mm:g} mm taken as 35 mm terms",
            )
        equivalent = self.focal_mm * FULL_FRAME_DIAGONAL_MM / math.hypot(*self.sensor_mm)
        if abs(equivalent / self.focal_mm - 1.0) < 0.02:  # 36 x 24 mm, as near as makers cut it
            return equivalent, f"{self.focal_mm:g} mm"
        return equivalent, f"{self.focal_mm:g} mm on this sensor is {equivalent:.0f} mm in 35 mm terms"
