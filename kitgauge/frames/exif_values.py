"""From the texts and numbers of Exif tags to names, times and lenses; impossible ones become None.

Source: Exif 3.0 (CIPA DC-008): time texts (tags 306, 36867, 36868), offsets (36880 to 36882),
LensSpecification (42034).
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

# Outside these ranges a value is a fault of the file, not a setting (common sense, no source): f/0.5 is the
# limit of a lens in air and f/0.7 the fastest ever sold, bulb exposures last hours, the highest marked ISO
# is in the millions.
ISO_RANGE = (1.0, 1e8)
SHUTTER_RANGE_S = (1e-6, 2 * 86400.0)
F_NUMBER_RANGE = (0.7, 1000.0)
FOCAL_RANGE_MM = (0.3, 10000.0)
_YEARS = (1980, 2100)


def shown(values: object) -> str:
    """Return recorded values as a short text."""
    text = repr(values)
    return text if len(text) <= 40 else text[:37] + "..."


_COMPANY = re.compile(
    r"[,.]?\s+\b(corporation|corp|company|co|ltd|inc|gmbh|ag|imaging|optical|photo film|digital camera|"
    r"electric|electronics|techwin|mobile|communications)\b.*$",
    re.IGNORECASE,
)


def body_name(make: str | None, model: str) -> str:
    """Return one name for a body: the make's first words and the model, without saying the make twice."""
    if make is None:
        return model
    short = _COMPANY.sub("", make).strip(" ,.") or make
    if model.casefold().startswith(tuple(word.casefold() for word in short.split())):
        return model
    return f"{short} {model}"


def lens_description(values: Sequence[Any], focal_mm: float | None = None) -> str | None:
    """Return "24-70 mm f/2.8" from (shortest, longest focal length [mm], f-number at each); None if unknown.

    Impossible values, or a range that `focal_mm` lies outside of, give None.
    Source: Exif 3.0, tag 42034 LensSpecification (0/0 = unknown).
    """
    numbers = [
        float(v) if hasattr(v, "__float__") and getattr(v, "denominator", 1) != 0 else math.nan for v in values[:4]
    ]
    if len(numbers) < 4 or not FOCAL_RANGE_MM[0] <= numbers[0] <= numbers[1] <= FOCAL_RANGE_MM[1]:
        return None
    if focal_mm is not None and not 0.95 * numbers[0] <= focal_mm <= 1.05 * numbers[1]:
        return None
    focal = f"{numbers[0]:g} mm" if numbers[0] == numbers[1] else f"{numbers[0]:g}-{numbers[1]:g} mm"
    if any(math.isnan(n) for n in numbers[2:]):
        return focal
    if not all(F_NUMBER_RANGE[0] <= n <= F_NUMBER_RANGE[1] for n in numbers[2:]):
        return None
    return f"{focal} f/{numbers[2]:.2g}" if numbers[2] == numbers[3] else f"{focal} f/{numbers[2]:.2g}-{numbers[3]:.2g}"


def exif_time(recorded: object) -> datetime | None:
    """Return the moment of an Exif time text "YYYY:MM:DD HH:MM:SS"; None if blank, impossible or absurd."""
    match = re.match(r"\s*(\d{4})[:/-](\d{2})[:/-](\d{2})[ T](\d{2}):(\d{2})(?::(\d{2}))?", str(recorded))
    if not match:
        return None
    year, month, day, hour, minute, second = (int(part or 0) for part in match.groups())
    if not _YEARS[0] <= year <= _YEARS[1]:
        return None
    try:
        return datetime(year, month, day, hour, minute, second)
    except ValueError:
        return None


def exif_offset(recorded: object) -> timedelta | None:
    """Return the offset from UTC of an Exif offset text "+09:00"; None if blank or impossible."""
    match = re.match(r"\s*([+-])(\d{2}):(\d{2})", str(recorded or ""))
    if not match:
        return timedelta(0) if str(recorded or "").strip() == "Z" else None
    hours, minutes = int(match[2]), int(match[3])
    if hours > 14 or minutes > 59:
        return None
    return (-1 if match[1] == "-" else 1) * timedelta(hours=hours, minutes=minutes)
