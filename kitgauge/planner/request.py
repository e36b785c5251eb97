"""What is asked of a plan, what is known of the camera, and the checks on both.

Pure standard library. Lengths: distances in m from the lens (its front principal plane), focal lengths and
frame sizes in mm. Speeds of a subject in mm/s across the line of sight.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, fields
from typing import Literal

from kitgauge.errors import PlanError, UsageError
from kitgauge.exposure import DialStep, exact_f_number, exact_iso, exact_shutter_s

SubjectWord = Literal["still", "moving", "fast"]
FULL_FRAME_MM = (36.0, 24.0)
FULL_FRAME_DIAGONAL_MM = math.hypot(*FULL_FRAME_MM)
TRIPOD, MONOPOD = "tripod", "monopod"

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
    "direction_deg": (0.0, 180.0),
    "stabiliser_stops": (0.0, 10.0),
    "print_long_side_cm": (1.0, 10_000.0),
    "viewing_distance_cm": (1.0, 100_000.0),
    "keepers": (1, 1000),
}
_OPTIONS = {
    "direction_deg": "--direction", "stabiliser_stops": "--stabiliser", "print_long_side_cm": "--print-cm",
    "viewing_distance_cm": "--viewing-cm", "nd_stops": "--nd", "highlight_margin_stops": "--highlight-margin",
}  # fmt: skip
_SPEED = r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:e[+-]?\d+)?)\s*(mm/s|m/s|km/h|mph)"
_MM_S = {"mm/s": 1.0, "m/s": 1000.0, "km/h": 1e6 / 3600, "mph": 1_609_344 / 3600}
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
    direction_deg    angle between the path of a subject of known speed and the line of sight [degrees]: 90 across
                     (the default), 0 straight towards or away from the camera
    stabiliser_stops what a stabiliser gains that the hands were measured without, or not at all [stops]
    print_long_side_cm, viewing_distance_cm   a print and the distance it is seen from, in place of `output_mp` [cm]
    keepers          how many sharp frames a burst must hold
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
    direction_deg: float | None = None
    stabiliser_stops: float = 0.0
    print_long_side_cm: float | None = None
    viewing_distance_cm: float | None = None
    keepers: int = 1

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
                    where=_OPTIONS.get(name) or "--" + name.removesuffix("_mm").removesuffix("_m").replace("_", "-"),
                    got=value,
                    needed=f"a number from {low:g} to {high:g}",
                    fix="give a number in that range",
                )
        if self.light is not None and self.ev100 is not None:
            raise UsageError("light is given twice", got=f"{self.light} and EV {self.ev100:g}", fix="give one of them")
        if self.light is None and self.ev100 is None:
            raise UsageError("no light is given", needed="--light", fix="for example --light ev9.5")
        self._check_picture()
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

    def _check_picture(self) -> None:
        """Raise UsageError where the picture's size is given by halves, or twice."""
        sizes = (self.print_long_side_cm, self.viewing_distance_cm)
        if (sizes[0] is None) != (sizes[1] is None):
            raise UsageError(
                "a print and its viewing distance belong together",
                got="only one of them",
                needed="--print-cm CM and --viewing-cm CM",
                fix="give both, for example --print-cm 60 --viewing-cm 80, or --output-mp instead",
            )
        if sizes[0] is not None and self.output_mp is not None:
            raise UsageError(
                "the picture's size is given twice",
                where="--output-mp, --print-cm",
                got=f"{self.output_mp:g} megapixels, and a print of {sizes[0]:g} cm",
                needed="one of them",
                fix="leave one out",
            )


def subject_speed_mm_s(subject: str | float, measured: tuple[str, ...] = ()) -> float | None:
    """Return the speed [mm/s] of a subject given as a number, with or without a unit ("1400", "1.4m/s", "5km/h",
    "3mph"), None for one of the words.

    Raises UsageError for another word, PlanError for a negative or infinite speed.
    """
    got = str(subject)
    if isinstance(subject, str):
        if subject in SUBJECT_SHUTTER_S:
            return None
        with_unit = re.fullmatch(_SPEED, subject.strip(), re.IGNORECASE)
        try:
            if with_unit is None:
                subject = float(subject)
            else:
                subject = float(with_unit[1].replace(",", ".")) * _MM_S[with_unit[2].lower()]
        except ValueError:
            raise UsageError(
                "unknown subject",
                where="--subject",
                got=subject,
                needed=", ".join(["still, moving, fast", *measured]) + ", or its speed in mm/s, m/s or km/h",
                fix="for example --subject moving, or --subject 5km/h for a walker",
            ) from None
    speed = float(subject)
    if not 0 <= speed <= _FASTEST_MM_S:
        raise PlanError(
            "the subject's speed is impossible",
            where="--subject",
            got=f"{speed:g} mm/s" if got.strip() in (f"{speed:g}", str(speed)) else got,
            needed=f"0 to {_FASTEST_MM_S:g} mm/s",
            fix="give the speed of the subject, not a negative or endless one",
        )
    return speed


def _with(request: PlanRequest, **changes: float | None) -> PlanRequest:
    from dataclasses import replace

    return replace(request, **changes)  # type: ignore[arg-type]
