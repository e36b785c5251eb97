"""Which lens took the frames, where the camera does not tell, or tells of several focal lengths or of half a lens."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace

from kitgauge.errors import IngestError, UsageError
from kitgauge.exposure import exact_f_number, nominal_f_number
from kitgauge.ingest.record import FrameRecord

SAME_FOCAL_STOPS = 0.07  # of a zoom set by its ring: 5 %
_FACTORS = (1.05, 4.0)
_COUNTED = re.compile(
    r"teleconverter|tele-converter|extender|\+\s*(?:tc\b|\d(?:\.\d+)?\s*x)|\b\d(?:\.\d+)?\s*x\s*(?:tc|ii+|iv)\b", re.I
)
_F_FOLDER = re.compile(r"f[-_ ]?(\d{1,3}(?:[.,]\d{1,2})?)", re.I)
_F_NUMBERS = (0.5, 128.0)


def f_number_of_folder(name: str) -> float | None:
    """Return the f-number that a folder's name says ("f2.8", "f-5,6", "F 11"), None where it says none."""
    found = _F_FOLDER.fullmatch(name.strip())
    if found is None:
        return None
    value = float(found.group(1).replace(",", "."))
    return value if _F_NUMBERS[0] <= value <= _F_NUMBERS[1] else None


def with_teleconverter(records: Sequence[FrameRecord], factor: float | None) -> tuple[FrameRecord, ...]:
    """Return the records with f-number and focal length multiplied by a teleconverter that the camera does not know of.

    A teleconverter spreads the same light: 1.4 times makes f/2.8 to f/4 and 100 mm to 140 mm. The lens's name gets it
    too, so that its limits stay apart from those of the bare lens. UsageError for a factor that none has, and where the
    camera records the teleconverter already.
    """
    if factor is None:
        return tuple(records)
    if not _FACTORS[0] <= factor <= _FACTORS[1]:
        raise UsageError(
            "no teleconverter has this factor",
            where="--teleconverter",
            got=f"{factor:g}",
            needed=f"{_FACTORS[0]:g} to {_FACTORS[1]:g}",
            fix="for example: --teleconverter 1.4",
        )
    counted = next((record for record in records if record.lens and _COUNTED.search(record.lens)), None)
    if counted is not None:
        raise UsageError(
            "the camera already counts the teleconverter",
            where=f"--teleconverter, {counted.file}",
            got=counted.lens,
            needed="a lens recorded without it",
            fix="leave --teleconverter out: f-number and focal length are recorded with it",
        )
    return tuple(
        replace(
            record,
            f_number=None if record.f_number is None else nominal_f_number(exact_f_number(record.f_number) * factor),
            focal_mm=None if record.focal_mm is None else record.focal_mm * factor,
            focal_35mm=None if record.focal_35mm is None else record.focal_35mm * factor,
            lens=f"{record.lens or 'lens'} + {factor:g}x teleconverter",
        )
        for record in records
    )


def one_focal_length(records: Sequence[FrameRecord], focal_mm: float | None) -> tuple[FrameRecord, ...]:
    """Return the records with the frames of one focal length (within 5 %); those of others become unmatched.

    A zoom is another lens at every focal length: one run each. Frames that record none stay. IngestError where several
    are recorded and `focal_mm` picks none of them, or is None; one recorded focal length that differs from `focal_mm`
    stays as well: the user knows better.
    """
    counts: dict[float, int] = {}
    for record in records:
        if record.status == "rejected" or record.reason or not record.focal_mm:
            continue
        key = next((known for known in counts if _same(known, record.focal_mm)), record.focal_mm)
        counts[key] = counts.get(key, 0) + 1
    if len(counts) < 2:
        return tuple(records)
    listing = ", ".join(f"{known:g} mm ({count} frames)" for known, count in sorted(counts.items()))
    if focal_mm is None:
        raise IngestError(
            "frames of several focal lengths in one folder",
            got=listing,
            needed="one focal length per run: a zoom is another lens at each",
            fix=f"pick one with --focal {min(counts):g}, then run again for the next",
        )
    if not any(_same(known, focal_mm) for known in counts):
        raise UsageError(
            "--focal picks no frame",
            got=f"{focal_mm:g} mm",
            needed=f"one of: {listing}",
            fix="give one of these focal lengths",
        )
    return tuple(
        record.unmatched(f"other focal length: {record.focal_mm:g} mm")
        if record.focal_mm
        and record.status != "rejected"
        and not record.reason
        and not _same(record.focal_mm, focal_mm)
        else record
        for record in records
    )


def _same(a: float, b: float) -> bool:
    return abs(math.log2(a / b)) < SAME_FOCAL_STOPS


def named_lens(records: Sequence[FrameRecord], lens: str | None) -> tuple[FrameRecord, ...]:
    """Return the records with `lens` as the lens's name where no frame names one (adapted lenses write nothing)."""
    if lens is None or any(record.lens for record in records):
        return tuple(records)
    return tuple(replace(record, lens=lens) for record in records)
