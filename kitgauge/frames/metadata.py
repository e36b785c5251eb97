"""Settings of one frame from its metadata, without touching the pixels.

Every value is as recorded, or None with a plain reason in `missing`: odd values (0/0, f/0, ISO 0, 30
February) are never passed on. Sources: Exif 3.0 (CIPA DC-008): tags 33434 ExposureTime, 33437 FNumber, 34855
PhotographicSensitivity (which ends at 65535) with 34864 SensitivityType to 34867 ISOSpeed beyond it,
37377/37378 APEX shutter speed and aperture (t = 2^-Tv, N = 2^(Av/2)), 41486-41488 focal-plane resolution;
DNG 1.7 for CameraSerialNumber and UniqueCameraModel.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from kitgauge.exposure import exact_f_number, exact_iso, exact_shutter_s
from kitgauge.frames.exif_source import Tags, picture_size, read_tags
from kitgauge.frames.exif_values import (
    F_NUMBER_RANGE,
    FOCAL_RANGE_MM,
    ISO_RANGE,
    SHUTTER_RANGE_S,
    body_name,
    exif_offset,
    exif_time,
    lens_description,
    shown,
)
from kitgauge.frames.focal_plane import focal_plane_pitch_um
from kitgauge.frames.readable import cannot_read, check_readable
from kitgauge.frames.tiff_layout import MAKER_NOTE, TiffLayout, read_layout

# time, fraction of its second, offset from UTC: taken, digitised, file changed
_TIME_TAGS = ((0x9003, 0x9291, 0x9011), (0x9004, 0x9292, 0x9012), (0x0132, 0x9290, 0x9010))

# The makers whose block ExifRead decodes far enough to name a lens; a longer block costs more than all else
# here.
_MAKERS_THAT_NAME_LENSES = ("nikon", "canon")
_MAKER_NOTE_MAX_BYTES = 16 << 10


@dataclass(frozen=True, slots=True)
class FrameSettings:
    """What a frame's metadata says; None where it says nothing usable, with the reason in `missing`.

    `iso`, `shutter_s`, `f_number`, `focal_mm` are as recorded (marked values); `exact_settings` gives the
    exact ones. `taken_at` is the camera's local time without a zone, `utc_offset` the zone where the file
    names one. `pixel_pitch_um` comes from the focal-plane resolution. `notes` tells which value came by
    another way than usual.
    """

    path: Path
    body: str | None = None
    body_serial: str | None = None
    lens: str | None = None
    lens_serial: str | None = None
    iso: float | None = None
    shutter_s: float | None = None
    f_number: float | None = None
    focal_mm: float | None = None
    focal_35mm: float | None = None
    taken_at: datetime | None = None
    utc_offset: timedelta | None = None
    pixel_pitch_um: float | None = None
    orientation: int | None = None
    width_px: int | None = None
    height_px: int | None = None
    missing: dict[str, str] = field(default_factory=dict)
    notes: dict[str, str] = field(default_factory=dict)


def read_settings(path: str | Path) -> FrameSettings:
    """Return the settings that a frame's metadata holds.

    Raises
    ------
    FrameError : the file is absent, empty, no file, or cannot be read; odd metadata never raise
    """
    path = Path(path)
    check_readable(path)
    try:
        tags, nothing = read_tags(path)
        layout = read_layout(path)
        size = picture_size(path) if layout is None else layout.largest_picture()
        return _Reader(path, tags, nothing, size, layout).settings()
    except OSError as error:
        raise cannot_read(path, error) from error


def exact_settings(settings: FrameSettings) -> tuple[float | None, float | None, float | None]:
    """Return exact (ISO, shutter time [s], f-number) of the marked settings; None where unknown."""
    return (
        None if settings.iso is None else exact_iso(settings.iso),
        None if settings.shutter_s is None else exact_shutter_s(settings.shutter_s),
        None if settings.f_number is None else exact_f_number(settings.f_number),
    )


class _Reader:
    """Turns tags into settings, keeping the reason for each one that is not there."""

    def __init__(
        self,
        path: Path,
        tags: Tags,
        nothing: str | None,
        size: tuple[int, int] | None,
        layout: TiffLayout | None,
    ) -> None:
        self.path, self.tags, self.nothing, self.size, self.layout = path, tags, nothing, size, layout
        self.maker: Tags = {}
        self.missing: dict[str, str] = {}
        self.notes: dict[str, str] = {}

    def settings(self) -> FrameSettings:
        shutter_s = self.shutter_s()
        taken_at, utc_offset = self.taken_at()
        width, height = self.width_and_height()
        focal_mm, focal_35mm = self.focal_mm(), self.focal_35mm()
        pitch = self.pixel_pitch_um(focal_mm, focal_35mm)
        lens = self.lens(focal_mm)
        return FrameSettings(
            path=self.path,
            body=self.body(),
            body_serial=self.body_serial(),
            lens=lens,
            lens_serial=self.text_of("lens_serial", "lens serial number", 0xA435),
            iso=self.iso(),
            shutter_s=shutter_s,
            f_number=self.f_number(),
            focal_mm=focal_mm,
            focal_35mm=focal_35mm,
            taken_at=taken_at,
            utc_offset=utc_offset,
            pixel_pitch_um=pitch,
            orientation=self.orientation(),
            width_px=width,
            height_px=height,
            missing=self.missing,
            notes=self.notes,
        )

    # --- raw values
    # -------------------------------------------------------------------------------------------------

    def values(self, tag: int) -> Any | None:
        """Return a tag's values from the Exif directory, else from the first (TIFF/EP has them there)."""
        found = self.tags.get(("exif", tag))
        return self.tags.get(("image", tag)) if found is None else found

    def absent(self, what: str) -> str:
        return self.nothing or f"the file records no {what}"

    def number(self, tag: int) -> tuple[float | None, str]:
        """Return (value, "") of a single-number tag, or (None, why not)."""
        values = self.values(tag)
        if values is None:
            return None, ""
        first = values[0] if isinstance(values, list | tuple) and values else values
        while isinstance(first, tuple) and first:
            first = first[0]
        if isinstance(first, bool) or not hasattr(first, "__float__"):
            return None, f"it is not a number ({shown(values)})"
        top, bottom = getattr(first, "numerator", None), getattr(first, "denominator", 1)
        if bottom == 0:
            return None, f"it is recorded as {top}/0"
        value = float(first)
        if not math.isfinite(value):
            return None, f"it is recorded as {value}"
        return value, ""

    def text(self, *tags: int) -> str | None:
        """Return the first non-blank text among the tags."""
        for tag in tags:
            values = self.values(tag)
            if isinstance(values, bytes):
                values = values.decode("latin-1")
            if isinstance(values, str):
                cleaned = " ".join("".join(c if c.isprintable() else " " for c in values).split())
                if cleaned and cleaned.strip("-*_. ") and not re.fullmatch(r"0+", cleaned):
                    return cleaned
        return None

    def text_of(self, key: str, what: str, *tags: int) -> str | None:
        found = self.text(*tags)
        if found is None:
            self.missing[key] = self.absent(what)
        return found

    def ranged(self, key: str, what: str, tag: int, low: float, high: float) -> float | None:
        """Return a tag's value within [low, high], else None with the reason."""
        value, why = self.number(tag)
        if value is None:
            self.missing[key] = f"the {what} is unusable: {why}" if why else self.absent(what)
            return None
        if not low <= value <= high:
            self.missing[key] = f"the {what} is unusable: it is recorded as {value:g}"
            return None
        return value

    # --- settings
    # ---------------------------------------------------------------------------------------------------

    def shutter_s(self) -> float | None:
        value = self.ranged("shutter_s", "shutter time", 0x829A, *SHUTTER_RANGE_S)
        return self.apex("shutter_s", 0x9201, lambda tv: 2.0**-tv, SHUTTER_RANGE_S) if value is None else value

    def f_number(self) -> float | None:
        value = self.ranged("f_number", "f-number", 0x829D, *F_NUMBER_RANGE)
        if value is None and self.number(0x829D)[0] == 0:
            self.missing["f_number"] += " (a lens without contacts writes none)"
        return self.apex("f_number", 0x9202, lambda av: 2.0 ** (av / 2), F_NUMBER_RANGE) if value is None else value

    def apex(self, key: str, tag: int, convert: Any, limits: tuple[float, float]) -> float | None:
        """Return a setting from its APEX value; 0 would be 1 s or f/1, but is what writers leave unset."""
        apex, _ = self.number(tag)
        if apex is None or apex == 0 or abs(apex) > 60:
            return None
        value = float(convert(apex))
        if not limits[0] <= value <= limits[1]:
            return None
        del self.missing[key]
        self.notes[key] = f"from the APEX value {apex:g}"
        return value

    def iso(self) -> float | None:
        value = self.ranged("iso", "ISO", 0x8827, *ISO_RANGE)
        if value is not None and value < 65535:
            return value
        kind, _ = self.number(0x8830)
        # SensitivityType 1 to 7 names which of 34865 (output), 34866 (recommended), 34867 (ISO speed) 34855
        # repeats
        order = {1: (0x8831,), 2: (0x8832,), 3: (0x8833,), 4: (0x8832, 0x8831), 5: (0x8833, 0x8831),
                 6: (0x8832, 0x8833), 7: (0x8832, 0x8833, 0x8831)}  # fmt: skip
        for tag in (*order.get(int(kind or 0), ()), 0x8832, 0x8831, 0x8833):
            other, _ = self.number(tag)
            if other is not None and ISO_RANGE[0] <= other <= ISO_RANGE[1] and (value is None or other >= value):
                self.missing.pop("iso", None)
                self.notes["iso"] = f"from tag {tag}, as tag 34855 " + ("ends at 65535" if value else "is not usable")
                return other
        if value == 65535:
            self.missing["iso"] = "ISO is recorded as 65535, which means that or more"
            return None
        if value is None:
            index, _ = self.number(0xA215)  # ExposureIndex
            if index is not None and ISO_RANGE[0] <= index <= ISO_RANGE[1]:
                self.missing.pop("iso", None)
                self.notes["iso"] = "from the exposure index"
                return index
        return value

    def focal_mm(self) -> float | None:
        return self.ranged("focal_mm", "focal length", 0x920A, *FOCAL_RANGE_MM)

    def focal_35mm(self) -> float | None:
        return self.ranged("focal_35mm", "focal length in 35 mm terms", 0xA405, *FOCAL_RANGE_MM)

    def orientation(self) -> int | None:
        value = self.ranged("orientation", "orientation", 0x0112, 1, 8)
        return None if value is None else int(value)

    def body(self) -> str | None:
        make, model = self.text(0x010F), self.text(0x0110)
        if model is None:
            unique = self.text(0xC614)
            if unique is None:
                self.missing["body"] = self.absent("camera model")
            return unique
        return body_name(make, model)

    def body_serial(self) -> str | None:
        named = self.text(0xA431, 0xC62F)
        for (group, _), values in self.maker.items():
            if named is None and group == "maker:SerialNumber":
                text = values if isinstance(values, str) else str(values[0])
                named = " ".join(text.split()) or None
        if named is None:
            self.missing["body_serial"] = self.absent("serial number")
        return named

    def lens(self, focal_mm: float | None) -> str | None:
        named = self.text(0xA434)
        if named is None:
            named = self.lens_from_maker_note(focal_mm)
            if named is not None:
                self.notes["lens"] = "from the maker's own block"
        if named is None:
            described = self.values(0xA432)
            if isinstance(described, list | tuple):
                named = lens_description(described, focal_mm)
                if named is not None:
                    self.notes["lens"] = "described by its focal lengths and f-numbers, not named"
        if named is None:
            self.missing["lens"] = self.absent("lens")
        return named

    def lens_from_maker_note(self, focal_mm: float | None) -> str | None:
        make = (self.text(0x010F) or "").casefold()
        if not make.startswith(_MAKERS_THAT_NAME_LENSES) or self.maker_note_bytes() > _MAKER_NOTE_MAX_BYTES:
            return None
        self.maker = {key: values for key, values in read_tags(self.path, maker_note=True)[0].items()
                      if key[0].startswith("maker:")}  # fmt: skip
        for (group, _), values in self.maker.items():
            if group == "maker:LensModel" and isinstance(values, str) and values.strip():
                return " ".join(values.split())
            if group == "maker:LensMinMaxFocalMaxAperture" and isinstance(values, list):
                return lens_description(values, focal_mm)
        return None

    def maker_note_bytes(self) -> int:
        """Return the length of the maker's block; 0 for a JPEG, where a segment ends at 64 KiB anyway."""
        directories = () if self.layout is None else self.layout.directories
        return max((d.entries[MAKER_NOTE][1] for d in directories if MAKER_NOTE in d.entries), default=0)

    def taken_at(self) -> tuple[datetime | None, timedelta | None]:
        why = ""
        for tag, fraction_tag, offset_tag in _TIME_TAGS:
            recorded = self.values(tag)
            if recorded is None:
                continue
            moment = exif_time(recorded)
            if moment is None:
                why = why or f"the time is unusable: it is recorded as {shown(recorded)}"
                continue
            digits = re.match(r"\s*(\d{1,6})", str(self.values(fraction_tag) or ""))
            if digits:
                moment = moment.replace(microsecond=int(digits[1].ljust(6, "0")))
            return moment, exif_offset(self.values(offset_tag))
        self.missing["taken_at"] = why or self.absent("time")
        return None, None

    def width_and_height(self) -> tuple[int | None, int | None]:
        if self.size is not None:
            return self.size
        width, height = self.number(0xA002)[0], self.number(0xA003)[0]
        if width is None or height is None:
            width, height = self.number(0x0100)[0], self.number(0x0101)[0]
        if width is not None and height is not None and width >= 1 and height >= 1:
            return int(width), int(height)
        self.missing["width_px"] = self.missing["height_px"] = self.absent("picture size")
        return None, None

    def pixel_pitch_um(self, focal_mm: float | None, focal_35mm: float | None) -> float | None:
        x, why_x = self.number(0xA20E)
        y, why_y = self.number(0xA20F)
        if x is None and y is None:
            why = why_x or why_y
            self.missing["pixel_pitch_um"] = (
                f"the focal-plane resolution is unusable: {why}" if why else self.absent("focal-plane resolution")
            )
            return None
        pitch, reason = focal_plane_pitch_um(
            x,
            y,
            self.number(0xA210)[0],
            picture=self.size,
            developed=self.layout is None,
            recorded=(self.number(0xA002)[0], self.number(0xA003)[0]),
            focal_mm=focal_mm,
            focal_35mm=focal_35mm,
            zoom=self.number(0xA404)[0],
        )
        if reason:
            self.missing["pixel_pitch_um"] = reason
        return pitch
