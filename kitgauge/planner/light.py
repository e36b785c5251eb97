"""How much light there is, from what a photographer has at hand.

Exposure value at ISO 100, illuminance (incident, C = 250 lx s), the settings of a metered exposure, or a
frame of the scene: its settings, corrected by how far its mean level lies from mid-grey. Pure standard
library; pixels are read by a function that the caller gives, or else by kitgauge.frames, loaded only then.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from kitgauge.errors import FrameError, PlanError, UsageError
from kitgauge.exposure import (
    MIDGREY_FRACTION_OF_SATURATION,
    ev100,
    ev100_from_lux,
    exact_f_number,
    exact_iso,
    exact_shutter_s,
    format_f_number,
    format_shutter,
    nominal_iso,
    percent,
)

EV_DARKEST, EV_BRIGHTEST = -15.0, 24.0  # a night without a moon lies near EV -8, sunlit snow near EV 17
MIDGREY_RENDERED = ((118 / 255 + 0.055) / 1.055) ** 2.4
FULL_SUN_EV = 15.0  # front-lit in full sun: f/16 at 1/ISO (common practice)

# forms of texts, compiled when they are first asked for: all of them together cost more than a plan
_NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)"
_EV = rf"ev\s*({_NUMBER})|({_NUMBER})\s*ev"
_LUX = rf"({_NUMBER})\s*(?:lux|lx)"
_ISO = r"iso\s*(\d+(?:\.\d+)?)"
_F = r"f\s*/?\s*(\d+(?:\.\d+)?)"
_TIME = r"(\d+(?:\.\d+)?)\s*/\s*(\d+(?:\.\d+)?)\s*s?|(\d+(?:\.\d+)?)\s*s"
_DECIMAL_COMMA = r"(\d),(\d)"
_BARE = r"\d+(?:\.\d+)?"
_SPACE_IN_SETTING = r"(?:(?<=iso)|(?<=f)|(?<=f/))\s+(?=\d)|(?<=\d)\s+(?=s\b)|\s*/\s*"
_LONGEST_NAME = 1000
_FORMS = "ev9.5, 800lux, 1/60,f4,iso800, or the path of a frame of the scene"


class Light(NamedTuple):
    """The light on the scene: exposure value at ISO 100, where it comes from, and what to beware of."""

    ev100: float
    source: str
    cautions: tuple[str, ...] = ()


class FrameLight(NamedTuple):
    """What a frame tells of the light: its exact settings and the mean of its green samples.

    `level` is (mean - black) / (saturation - black), 0..1; `clipped_share` the share of samples at
    saturation; `midgrey` the level of a metered mid-grey: 10/78 in raw samples, 0.181 in a developed picture
    (118 of 255 in sRGB, the output level of ISO 12232's standard output sensitivity, from memory).
    """

    shutter_s: float
    f_number: float
    iso: float
    level: float
    clipped_share: float
    midgrey: float = MIDGREY_FRACTION_OF_SATURATION


def _match(form: str, text: str) -> re.Match[str] | None:
    """Return the match of a whole text, whatever its capitals; a form is compiled when it is first asked for."""
    return re.fullmatch(form, text, re.IGNORECASE)


def parse_light(text: str, read_frame: Callable[[Path], FrameLight] | None = None) -> Light:
    """Return the light that `text` describes: `ev9.5`, `800lux`, `1/60,f4,iso800` (marked values) or a
    frame's path.

    Raises UsageError for text that is none of these, PlanError for light that cannot be.
    """
    bare = text.strip()
    single = re.sub(_DECIMAL_COMMA, r"\1.\2", bare) if bare.count(",") == 1 else bare
    if match := _match(_EV, single):
        value = float(match[1] or match[2])
        return checked_light(Light(value, f"EV {value:g} at ISO 100"), text)
    if match := _match(_LUX, single):
        lux = float(match[1])
        if not 0 < lux < math.inf:
            raise PlanError(
                "there is no light",
                where="--light",
                got=text,
                needed="more than 0 lux, and less than infinite",
                fix="measure again",
            )
        return checked_light(Light(ev100_from_lux(lux), f"{lux:g} lux on the subject (incident light)"), text)
    if bare and _is_file(Path(bare)):
        return light_of_frame(Path(bare), read_frame)
    if bare.casefold().startswith("flash"):
        raise UsageError(
            "flash is not planned",
            where="--light",
            got=text,
            needed=_FORMS,
            fix="give the light that is there without it; for flash, set the power by its own meter or by trial",
        )
    parts = _parts(bare)
    if (settings := _settings(parts, text)) is not None:
        shutter_s, f_number, iso = settings
        source = f"metered as {format_shutter(shutter_s)}, {format_f_number(f_number)}, ISO {nominal_iso(iso):.0f}"
        return checked_light(Light(ev100(f_number, shutter_s, iso), source), text)
    raise _not_a_light(text, bare, parts)


def parse_time_s(text: str, where: str) -> float:
    """Return the marked shutter time [s] of `1/60`, `0.5` or `30`; UsageError, naming `where`, for anything else."""
    match = _match(_TIME, text.strip()) or _match(_TIME, f"{text.strip()}s")
    bottom = float(match[2]) if match and match[2] else 1.0
    value = float(match[1] or match[3]) / bottom if match and bottom > 0 else math.nan
    if not 1e-6 <= value <= 1e5:
        raise UsageError(
            "not a shutter time", where=where, got=text, needed="a time such as 1/4000, 0.5 or 30", fix="write it so"
        )
    return value


def _parts(text: str) -> list[str]:
    """Return the pieces of a metered exposure, separated by commas or spaces, without spaces in them."""
    tight = re.sub(_SPACE_IN_SETTING, lambda match: match[0].strip(), text, flags=re.IGNORECASE)
    return [part for part in re.split(r"[,;\s]+", tight) if part]


def _not_a_light(text: str, bare: str, parts: list[str]) -> UsageError:
    """Return the error for a text that is no light, with what is missing in it, as far as that can be told."""
    what, fix = "not a light", "write it in one of these forms"
    kinds = {
        name: sum(_match(form, part) is not None for part in parts)
        for name, form in (("a time (1/60)", _TIME), ("an f-number (f4)", _F), ("an ISO (iso800)", _ISO))
    }
    missing = [name for name, count in kinds.items() if count == 0]
    suffix = Path(bare).suffix
    if _is_folder(Path(bare)):
        what, fix = "a folder, not a light", "give one frame in it"
    elif len(bare) <= _LONGEST_NAME and suffix[1:2].isalpha() and "\0" not in bare:
        what, fix = "not a light, and there is no such file", "check the path of the frame, or give the light as text"
    elif _match(_BARE, bare.replace(",", ".", 1)):
        number = bare.replace(",", ".", 1)
        fix = f"say what the number is: ev{number}, or {number}lux"
    elif len(missing) < len(kinds) and missing:
        what, fix = (
            f"not a light: {' and '.join(missing)} {'is' if len(missing) == 1 else 'are'} missing",
            "write it like 1/60,f4,iso800",
        )
    return UsageError(what, where="--light", got=text or "nothing", needed=_FORMS, fix=fix)


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):  # a text that no file can have for a name
        return False


def _is_folder(path: Path) -> bool:
    try:
        return path != Path() and path.is_dir()
    except (OSError, ValueError):
        return False


def checked_light(light: Light, got: str) -> Light:
    """Return `light` if it lies in the range of what can be photographed; PlanError if not."""
    if EV_DARKEST <= light.ev100 <= EV_BRIGHTEST:
        return light
    raise PlanError(
        "light that no scene has",
        where="--light",
        got=f"{got} (EV {light.ev100:.1f} at ISO 100)",
        needed=f"EV {EV_DARKEST:g} to {EV_BRIGHTEST:g}; a living room has about 6, full sun 15",
        fix="check the unit: EV is at ISO 100, lux falls on the subject",
    )


def _settings(parts: list[str], text: str) -> tuple[float, float, float] | None:
    """Return exact (shutter_s, f_number, iso) of three marked settings in any order, None if they are not all
    there, or others too.
    """
    shutter_s = f_number = iso = None
    for piece in parts:
        if (match := _match(_ISO, piece)) and iso is None:
            iso = float(match[1])
        elif (match := _match(_F, piece)) and f_number is None:
            f_number = float(match[1])
        elif (match := _match(_TIME, piece)) and shutter_s is None:
            bottom = float(match[2]) if match[2] else 1.0
            shutter_s = float(match[1] or match[3]) / bottom if bottom else math.nan
        else:
            return None
    if shutter_s is None or f_number is None or iso is None:
        return None
    if not (0 < shutter_s < math.inf and 0 < f_number < math.inf and 0 < iso < math.inf):
        raise PlanError(
            "a metered setting is impossible",
            where="--light",
            got=text,
            needed="positive numbers",
            fix="write it like 1/60,f4,iso800",
        )
    return exact_shutter_s(shutter_s), exact_f_number(f_number), exact_iso(iso)


def light_of_frame(path: Path, read_frame: Callable[[Path], FrameLight] | None = None) -> Light:
    """Return the light on the scene of the frame at `path`.

    EV of its settings plus log2(mean level / mid-grey) (10/78 of saturation: ISO 12232, from memory).
    """
    try:
        seen = (read_frame or read_frame_light)(path)
    except FrameError as error:
        raise PlanError(
            "not a picture that tells of the light",
            where=path,
            got=error.what,
            needed="a raw file, JPEG, TIFF or PNG of the scene",
            fix="give a frame of the scene, or the light as ev9.5 or 1/60,f4,iso800",
        ) from error
    if not 0 < seen.level <= 1:
        raise PlanError(
            "the frame is black: it tells nothing of the light",
            where=path,
            got=f"mean level {seen.level:g}",
            needed="a picture of the scene",
            fix="give a frame with the lens uncovered",
        )
    offset = math.log2(seen.level / seen.midgrey)
    value = ev100(seen.f_number, seen.shutter_s, seen.iso) + offset
    cautions: tuple[str, ...] = ()
    if seen.clipped_share > 0.02:
        cautions = (
            f"{percent(seen.clipped_share)} of the light frame is clipped: there is more light than it shows. "
            "Give a darker frame for an exact plan.",
        )
    source = (
        f"frame {path.name} at {format_shutter(seen.shutter_s)}, {format_f_number(seen.f_number)}, ISO "
        f"{nominal_iso(seen.iso):.0f}, mean {offset:+.1f} stops from mid-grey"
    )
    return checked_light(Light(value, source, cautions), str(path))


def read_frame_light(path: Path) -> FrameLight:
    """Return settings and level of the frame at `path`, read through kitgauge.frames (loads numpy and a
    decoder).
    """
    from kitgauge.frames.metadata import exact_settings, read_settings
    from kitgauge.frames.opening import RAW_SUFFIXES, RENDERED_SUFFIXES, open_frame

    iso, shutter_s, f_number = exact_settings(read_settings(path))
    if iso is None or shutter_s is None or f_number is None:
        if path.suffix.lower() not in {*RAW_SUFFIXES, *RENDERED_SUFFIXES}:
            raise FrameError("not a picture", where=path, got=path.name, fix="give a frame of the scene")
        raise PlanError(
            "the frame does not tell its settings",
            where=path,
            got="ISO, shutter time or f-number missing",
            needed="all three",
            fix="give the light as 1/60,f4,iso800 instead",
        )
    mosaic = open_frame(path)
    green = mosaic.green_mask()
    black = float(mosaic.black_dn.mean())
    level = float(mosaic.signal()[green].mean()) / (mosaic.white_dn - black)
    midgrey = MIDGREY_RENDERED if mosaic.rendered else MIDGREY_FRACTION_OF_SATURATION
    return FrameLight(shutter_s, f_number, iso, level, float(mosaic.saturated()[green].mean()), midgrey)
