"""Numbers and settings in words: a value never goes without its uncertainty, and unknown is said, never 0."""

from __future__ import annotations

import math
import re

from kitgauge.exposure import format_exact_shutter, format_f_number, format_shutter, nominal_iso

UNKNOWN = "unknown"
NOT_ESTIMATED = "not estimated"


def plain(value: float, digits: int = 4) -> str:
    """Return a number with `digits` significant digits and no exponent in everyday ranges; 'unknown' for
    NaN.
    """
    if not math.isfinite(value):
        return UNKNOWN
    if value == 0:
        return "0"
    magnitude = math.floor(math.log10(abs(value)))
    if -4 <= magnitude < 7:
        decimals = max(0, digits - 1 - magnitude)
        shown = f"{value:.{decimals}f}"
        return shown.rstrip("0").rstrip(".") if "." in shown else shown
    return f"{value:.{max(digits - 1, 0)}e}"


def digits(value: float, significant: int) -> str:
    """Return a number with at least `significant` digits, zeros at the end included: 71.0, 12.5, 39515."""
    if not math.isfinite(value) or value == 0:
        return plain(value)
    decimals = max(0, significant - 1 - math.floor(math.log10(abs(value))))
    return f"{value:.{decimals}f}" if decimals < 7 else plain(value, significant)


def decimals(value: float, places: int) -> str:
    """Return a number with so many decimals, never '-0.0'; 'unknown' for NaN."""
    return f"{round(value, places) + 0.0:.{places}f}" if math.isfinite(value) else UNKNOWN


def with_error(value: float, error: float, unit: str = "") -> str:
    """Return 'value ± error unit', the error with two significant digits and the value to the same place."""
    tail = f" {unit}" if unit and unit not in ("1", "-") else ""
    if not math.isfinite(value):
        return UNKNOWN
    if not math.isfinite(error):
        return f"{plain(value)} ± {NOT_ESTIMATED}{tail}"
    if error <= 0:  # an error of 0 is never right: it is shown as it stands in the file, so that it is seen
        return f"{plain(value)} ± {plain(error)}{tail}"
    decimals = 1 - math.floor(math.log10(error))
    if decimals > 9 or abs(value) >= 1e9:
        return f"{value:.4g} ± {error:.2g}{tail}"
    decimals = max(0, decimals)
    return f"{value:.{decimals}f} ± {error:.{decimals}f}{tail}"


def iso(value: float) -> str:
    """Return 'ISO 400' as marked on the dial."""
    return f"ISO {nominal_iso(value):.0f}" if value > 0 else UNKNOWN


def f_number(value: float) -> str:
    """Return 'f/5.6' as marked on the dial."""
    return format_f_number(value) if value > 0 else UNKNOWN


def shutter(value: float) -> str:
    """Return '1/125 s' as marked on the dial."""
    return format_shutter(value) if value > 0 else UNKNOWN


def exact_shutter(value: float) -> str:
    """Return a measured time, which lies on no dial: '1/137 s', '0.62 s'."""
    return format_exact_shutter(value) if value > 0 else UNKNOWN


def share(value: float) -> str:
    """Return a share as a percentage."""
    return f"{100 * value:.0f} %" if math.isfinite(value) else UNKNOWN


def count(number: int, one: str, many: str | None = None) -> str:
    """Return '1 frame' or '3 frames'."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def listing(names: list[str], most: int = 6) -> str:
    """Return 'a, b, c and 4 more'."""
    if len(names) <= most + 1:
        return ", ".join(names)
    return f"{', '.join(names[:most])} and {len(names) - most} more"


def joined(names: list[str]) -> str:
    """Return 'a', 'a and b' or 'a, b and c'."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def tie(sentence: str) -> str:
    """Return a sentence in which no line ends between a number and its unit, after ISO, or within
    "f-number".
    """
    tied = re.sub(r"(?<=\d) (?=(?:s|px|mm|%|µm|stops?|electrons|megapixels)\b|%)", "\N{NO-BREAK SPACE}", sentence)
    tied = tied.replace(" ± ", "\N{NO-BREAK SPACE}±\N{NO-BREAK SPACE}")
    tied = tied.replace("f-number", "f\N{NON-BREAKING HYPHEN}number")
    return re.sub(r"\bISO (?=\d)", "ISO\N{NO-BREAK SPACE}", tied)


def untie(sentence: str) -> str:
    """Return a sentence as it was before `tie`."""
    return sentence.replace("\N{NO-BREAK SPACE}", " ").replace("\N{NON-BREAKING HYPHEN}", "-")
