"""What this camera and lens can be set to, and how large the picture they make is."""

from __future__ import annotations

import math
from dataclasses import dataclass

from kitgauge.errors import UsageError
from kitgauge.exposure import exact_f_number, exact_iso, exact_shutter_s

FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)
ASSUMED_FOCAL_35MM = 50.0


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
        for name in (
            "iso_min", "iso_max", "f_min", "f_max", "shutter_fastest_s", "shutter_slowest_s",
            "focal_mm", "focal_35mm", "pitch_um", "frame_width_px", "frame_height_px",
        ):  # fmt: skip
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value > 0):
                raise UsageError(
                    f"{name} is not possible",
                    got=value,
                    needed="a positive number",
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
                    f"{low} lies above {high}",
                    got=f"{getattr(self, low):g} and {getattr(self, high):g}",
                    needed=f"{low} at most {high}",
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
