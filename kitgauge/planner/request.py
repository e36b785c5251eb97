"""What is asked of a plan, what is known of the camera, and the checks on both.

Pure standard library. Lengths: distances in m from the lens (its front principal plane), focal lengths and
frame sizes in mm. Speeds of a subject in mm/s across the line of sight.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Literal

from kitgauge.errors import PlanError, UsageError
from kitgauge.exposure import DialStep, exact_f_number, exact_iso, exact_shutter_s

SubjectWord = Literal["still", "moving", "fast"]
FULL_FRAME_MM = (36.0, 24.0)
FULL_FRAME_DIAGONAL_MM = math.hypot(*FULL_FRAME_MM)
TRIPOD = "tripod"

# Slowest shutter for a subject whose movement was not measured [s, marked]: a still person 1/60, a moving one
# 1/250,
# birds in flight 1/1000 (common practice, no source).
SUBJECT_SHUTTER_S: dict[str, float] = {"still": 1 / 60, "moving": 1 / 250, "fast": 1 / 1000}


# What may be asked, wide enough for any photograph; [low, high] both included
_RANGES = {
    "focal_mm": (1.0, 10_000.0),
    "near_m": (1e-3, 1e8),
    "far_m": (1e-3, 1e8),
    "distance_m": (1e-3, 1e8),
    "output_mp": (0.01, 10_000.0),
    "snr": (0.1, 10_000.0),
    "keep": (0.001, 0.9999),
    "confidence": (0.001, 0.9999),
    "nd_stops": (0.0, 30.0),
    "highlight_margin_stops": (-10.0, 10.0),
}
_FASTEST_MM_S = 1e9


@dataclass(frozen=True)
class CameraFacts:
    """What the camera can be set to, and its frame; None = not known.

    Ranges hold marked or exact values. `frame_width_mm` and `frame_height_mm` measure the sensor's picture
    area, `sensor_pixels` counts its pixels, `pixel_pitch_um` is the distance of two neighbours. `measured_range` says
    in words which of the ranges are those of measured frames, None where none is.
    """

    iso_min: float = 100.0
    iso_max: float = 25600.0
    shutter_fastest_s: float = 1 / 8000
    shutter_slowest_s: float = 30.0
    f_min: float = 2.8
    f_max: float = 22.0
    dial_step: DialStep = "thirds"
    iso_step: DialStep = "thirds"
    sensor_pixels: float | None = None
    pixel_pitch_um: float | None = None
    frame_width_mm: float | None = None
    frame_height_mm: float | None = None
    body: str | None = None
    measured_range: str | None = None

    @property
    def frame_diagonal_mm(self) -> float | None:
        """The frame's diagonal [mm], from its sides, else from pixels and pitch (of a 3:2 frame), else
        None.
        """
        if self.frame_width_mm is not None and self.frame_height_mm is not None:
            return math.hypot(self.frame_width_mm, self.frame_height_mm)
        if self.sensor_pixels is not None and self.pixel_pitch_um is not None:
            # of all common aspect ratios the diagonal differs by less than 4 % at equal area
            height_mm = math.sqrt(self.sensor_pixels / 1.5) * self.pixel_pitch_um / 1000
            return math.hypot(1.5 * height_mm, height_mm)
        return None

    def exact(self) -> CameraFacts:
        """Return the facts with exact settings for marked ones, checked; PlanError if they contradict each
        other.
        """
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, float | int) and not 0 < value < math.inf:
                raise PlanError(
                    "a fact about the camera is impossible",
                    where=item.name,
                    got=value,
                    needed="a positive number",
                    fix="correct it, or leave it out",
                )
        exact = CameraFacts(
            **{
                **{item.name: getattr(self, item.name) for item in fields(self)},
                "iso_min": exact_iso(self.iso_min),
                "iso_max": exact_iso(self.iso_max),
                "shutter_fastest_s": exact_shutter_s(self.shutter_fastest_s),
                "shutter_slowest_s": exact_shutter_s(self.shutter_slowest_s),
                "f_min": exact_f_number(self.f_min),
                "f_max": exact_f_number(self.f_max),
            }
        )
        for low, high in (
            ("iso_min", "iso_max"),
            ("shutter_fastest_s", "shutter_slowest_s"),
            ("f_min", "f_max"),
        ):
            if getattr(exact, low) > getattr(exact, high):
                raise PlanError(
                    "the camera's range is upside down",
                    where=f"{low} and {high}",
                    got=f"{getattr(self, low):g} and {getattr(self, high):g}",
                    needed=f"{low} not above {high}",
                    fix="exchange the two",
                )
        return exact


@dataclass(frozen=True)
class PlanRequest:
    """One question to the planner.

    light            text ("ev9.5", "800lux", "1/60,f4,iso800", a frame's path); or give `ev100`, the exposure
                     value
                     at ISO 100
    focal_mm         focal length [mm]; None: that of the limits if they agree on one, else 50 mm in 35 mm
                     terms
    near_m, far_m    nearest and farthest point that must be sharp [m]; far may be infinite
    distance_m       distance of a subject without depth [m]
    subject          "still", "moving", "fast" (common practice), its speed in mm/s, 0 for a thing that
                     stands still, or the name of a measured one
    technique        how the camera is held, as measured; "tripod": not held
    output_mp        megapixels of the picture as used; None: those of the limits, else 8
    keep             share of frames that must be sharp; None: that of the limits, else 0.8
    snr              wanted signal-to-noise ratio at mid-grey; None: that of the limits, else 10
    confidence       probability that a burst holds one keeper
    nd_stops         neutral-density filter on the lens [stops]
    highlight_margin_stops   how much less than the metered exposure to give [stops]
    """

    light: str | None = None
    ev100: float | None = None
    focal_mm: float | None = None
    near_m: float | None = None
    far_m: float | None = None
    distance_m: float | None = None
    subject: SubjectWord | float | str = "still"
    technique: str | None = None
    lens: str | None = None
    output_mp: float | None = None
    keep: float | None = None
    snr: float | None = None
    confidence: float = 0.95
    nd_stops: float = 0.0
    highlight_margin_stops: float = 0.0

    def checked(self) -> PlanRequest:
        """Return the request with `distance_m`, `near_m` and `far_m` completed; UsageError or PlanError if it
        cannot be.

        A distance alone is a subject without depth; without any distance all three stay None.
        """
        for name, (low, high) in _RANGES.items():
            value = getattr(self, name)
            infinite_far = name == "far_m" and value == math.inf
            if not (value is None or low <= value <= high or infinite_far):
                raise PlanError(
                    f"{name} is out of range",
                    where="--" + name.removesuffix("_mm").removesuffix("_m").replace("_", "-"),
                    got=value,
                    needed=f"a number from {low:g} to {high:g}",
                    fix="give a number in that range",
                )
        if self.light is not None and self.ev100 is not None:
            raise UsageError("light is given twice", got=f"{self.light} and EV {self.ev100:g}", fix="give one of them")
        if self.light is None and self.ev100 is None:
            raise UsageError("no light is given", needed="--light", fix="for example --light ev9.5")
        if (self.near_m is None) != (self.far_m is None):
            raise UsageError(
                "near and far belong together",
                got="only one of them",
                needed="--near M and --far M",
                fix="give both (far may be `inf`), or --distance M for a subject without depth",
            )
        near, far, distance = self.near_m, self.far_m, self.distance_m
        if near is None or far is None:
            near = far = distance
        if near is not None and far is not None:
            if near > far:
                raise PlanError(
                    "the near end lies behind the far end",
                    where="--near, --far",
                    got=f"near {near:g} m, far {far:g} m",
                    needed="near at most as far as far",
                    fix="exchange the two",
                )
            if distance is not None and not near <= distance <= far:
                raise PlanError(
                    "the distances contradict each other",
                    where="--distance",
                    got=f"{distance:g} m",
                    needed=f"a distance from near ({near:g} m) to far ({far:g} m)",
                    fix="leave --distance out: the plan says where to focus",
                )
        return _with(self, near_m=near, far_m=far)


def subject_speed_mm_s(subject: str | float, measured: tuple[str, ...] = ()) -> float | None:
    """Return the speed [mm/s] of a subject given as a number, None for one of the words.

    Raises UsageError for another word, PlanError for a negative or infinite speed.
    """
    if isinstance(subject, str):
        if subject in SUBJECT_SHUTTER_S:
            return None
        try:
            subject = float(subject)
        except ValueError:
            raise UsageError(
                "unknown subject",
                where="--subject",
                got=subject,
                needed=", ".join(["still, moving, fast", *measured]) + ", or its speed in mm/s",
                fix="for example --subject moving, or --subject 1400 for a walker seen from the side",
            ) from None
    speed = float(subject)
    if not 0 <= speed <= _FASTEST_MM_S:
        raise PlanError(
            "the subject's speed is impossible",
            where="--subject",
            got=f"{speed:g} mm/s",
            needed=f"0 to {_FASTEST_MM_S:g}",
            fix="give the speed in mm/s across the line of sight",
        )
    return speed


def _with(request: PlanRequest, **changes: float | None) -> PlanRequest:
    from dataclasses import replace

    return replace(request, **changes)  # type: ignore[arg-type]
