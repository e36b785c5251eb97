"""Camera settings as a protocol file writes them: marked values in, exact values out.

A file says `"1/60"`, 5.6 or 400, as the dials do; physics needs 1/64 s, 2^(5/2) and 400. These pydantic types
check the notation, turn it into exact values (`kitgauge.exposure`), and tell the JSON Schema what fits.
"""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

from kitgauge.errors import UsageError
from kitgauge.exposure import (
    exact_f_number,
    exact_iso,
    exact_shutter_s,
    format_f_number,
    format_shutter,
    nominal_iso,
)

Setting = Literal["iso", "shutter_s", "f_number"]

# Limits of sense, not of any camera: outside them a value is a slip of the pen or of the unit.
ISO_RANGE = (1.0, 10_000_000.0)
SHUTTER_RANGE_S = (1.0 / 100_000.0, 3600.0)
F_NUMBER_RANGE = (0.5, 256.0)

ISO_NEEDED = "an ISO value as a number, such as 400"
SHUTTER_NEEDED = 'a shutter time in seconds: a fraction as text, such as "1/60", or a number, such as 0.5'
F_NUMBER_NEEDED = "an f-number as a number, such as 5.6"

_FRACTION = re.compile(r"1/(\d{1,6}(?:\.\d)?)")


def _number(value: Any, needed: str, bounds: tuple[float, float]) -> float:
    """Return `value` as a float inside `bounds`; a pydantic error with `needed` otherwise."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise PydanticCustomError("setting", "{needed}", {"needed": needed})
    if not bounds[0] <= value <= bounds[1]:  # also refuses NaN, infinities and integers too long for a float
        raise PydanticCustomError(
            "setting", "{needed}", {"needed": f"{needed}, from {_plain(bounds[0])} to {_plain(bounds[1])}"}
        )
    return float(value)


def _plain(bound: float) -> str:
    return f"{bound:,.0f}" if bound >= 1000 else f"1/{1 / bound:.0f}" if bound < 0.01 else f"{bound:g}"


def parse_iso(value: Any) -> float:
    """Return the exact ISO of a marked value from a file."""
    return exact_iso(_number(value, ISO_NEEDED, ISO_RANGE))


def parse_shutter_s(value: Any) -> float:
    """Return the exact shutter time [s] of a marked value from a file: "1/60" -> 1/64 s, 0.5 -> 0.5 s."""
    if isinstance(value, str):
        match = _FRACTION.fullmatch(value.strip())
        if match is None or float(match.group(1)) == 0:
            raise PydanticCustomError("setting", "{needed}", {"needed": SHUTTER_NEEDED})
        value = 1.0 / float(match.group(1))
    return exact_shutter_s(_number(value, SHUTTER_NEEDED, SHUTTER_RANGE_S))


def parse_shutter_text(text: str, where: str) -> float:
    """Return the exact time [s] of a typed "1/60" or "0.5"; UsageError naming `where` if it is neither."""
    try:
        return parse_shutter_s(text if "/" in text else float(text))
    except ValueError:  # PydanticCustomError is one too
        raise UsageError(
            "not a shutter time",
            where=where,
            got=text,
            needed="seconds, as 1/60 or 0.5",
            fix="write it as on the camera's dial, in seconds",
        ) from None


def parse_f_number(value: Any) -> float:
    """Return the exact f-number of a marked value from a file: 5.6 -> 2^(5/2)."""
    return exact_f_number(_number(value, F_NUMBER_NEEDED, F_NUMBER_RANGE))


_ISO_SCHEMA: dict[str, Any] = {"type": "number", "minimum": ISO_RANGE[0], "maximum": ISO_RANGE[1]}
_SHUTTER_SCHEMA: list[dict[str, Any]] = [
    {"type": "string", "pattern": r"^\s*1/[0-9]{1,6}(\.[0-9])?\s*$", "examples": ["1/60"]},
    {"type": "number", "minimum": SHUTTER_RANGE_S[0], "maximum": SHUTTER_RANGE_S[1], "examples": [0.5]},
]
_F_NUMBER_SCHEMA: dict[str, Any] = {
    "type": "number", "minimum": F_NUMBER_RANGE[0], "maximum": F_NUMBER_RANGE[1]
}  # fmt: skip

Iso = Annotated[float, BeforeValidator(parse_iso), WithJsonSchema(_ISO_SCHEMA)]
ShutterTime = Annotated[float, BeforeValidator(parse_shutter_s), WithJsonSchema({"anyOf": _SHUTTER_SCHEMA})]
FNumber = Annotated[float, BeforeValidator(parse_f_number), WithJsonSchema(_F_NUMBER_SCHEMA)]


def _or_word(parse: Any, words: tuple[str, ...], needed: str) -> BeforeValidator:
    """Return a validator that lets one of `words` through and hands anything else to `parse`."""

    def check(value: Any) -> float | str:
        if isinstance(value, str) and value in words:
            return value
        try:
            return float(parse(value))
        except PydanticCustomError as error:
            choices = ", ".join(f'"{word}"' for word in words)
            detail = (error.context or {}).get("needed", needed)
            raise PydanticCustomError("setting", "{needed}", {"needed": f"{choices}, or {detail}"}) from None

    return BeforeValidator(check)


ISO_WORDS = ("base", "metered")
SHUTTER_WORDS = ("fastest", "metered")
F_NUMBER_WORDS = ("widest", "metered")


def _word_schema(words: tuple[str, ...], others: list[dict[str, Any]]) -> WithJsonSchema:
    return WithJsonSchema({"anyOf": [{"type": "string", "enum": list(words)}, *others]})


IsoRule = Annotated[float | str, _or_word(parse_iso, ISO_WORDS, ISO_NEEDED), _word_schema(ISO_WORDS, [_ISO_SCHEMA])]
ShutterRule = Annotated[
    float | str,
    _or_word(parse_shutter_s, SHUTTER_WORDS, SHUTTER_NEEDED),
    _word_schema(SHUTTER_WORDS, _SHUTTER_SCHEMA),
]
FNumberRule = Annotated[
    float | str,
    _or_word(parse_f_number, F_NUMBER_WORDS, F_NUMBER_NEEDED),
    _word_schema(F_NUMBER_WORDS, [_F_NUMBER_SCHEMA]),
]


def format_setting(setting: Setting, value: float) -> str:
    """Return a value as a shot list names it: "ISO 400", "1/60", "2 s", "f/5.6"."""
    if setting == "iso":
        return f"ISO {nominal_iso(value):.0f}"
    if setting == "f_number":
        return format_f_number(value)
    text = format_shutter(value)
    return text.removesuffix(" s") if text.startswith("1/") else text
