"""Small pictures of what raised a flag, to stand beside the flag's text: the difference of two frames, or a frame."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from kitgauge.flags import Severity
from kitgauge.report import wording
from kitgauge.report.data import flag_of, mapping, number, records, text, texts
from kitgauge.report.troubles import Thumbnail, Trouble

_PNG_START = b"\x89PNG\r\n\x1a\n"
_MOST_PER_FLAG = 3
_MOST = 12
_LARGEST_BYTES = 250_000  # a picture of the run's files is far smaller: larger ones are not ours
_LARGEST_PX = 2000
_COLOURS = {"R": "red", "G": "green", "G1": "green", "G2": "green", "B": "blue"}


def png_source(encoded: object) -> str | None:
    """Return a PNG file given as base64 as an address of the kind data:, None where it is none of a sensible size."""
    if not isinstance(encoded, str) or not 0 < len(encoded) <= _LARGEST_BYTES:
        return None
    try:
        content = base64.b64decode(encoded, validate=True)
    except (binascii.Error, ValueError):
        return None
    return f"data:image/png;base64,{base64.b64encode(content).decode('ascii')}" if content[:8] == _PNG_START else None


def with_thumbnails(
    troubles: Sequence[Trouble], doubts: Sequence[Trouble], noise: Mapping[str, Any]
) -> tuple[list[Trouble], list[Trouble]]:
    """Return troubles of frames and doubts of numbers with the pictures that show what is meant.

    A picture is shown once, under the first of its flags that is told anywhere; a flag that nothing else tells of gets
    an entry of its own among the doubts.
    """
    shown: dict[str, list[Thumbnail]] = {}
    # of a flag with many pairs a run keeps a few pictures
    not_kept = mapping(noise.get("not_pictured")).items()
    left_over = {name: int(count) for name, value in not_kept if (count := number(value)) >= 1}
    told = {item.name for item in (*troubles, *doubts)}
    seen: set[tuple[str, ...]] = set()
    # of one pair the green samples tell enough
    for picture in sorted(records(noise.get("pictures")), key=lambda p: not text(p.get("colour")).startswith("G")):
        names = [name for name in texts(picture.get("flags")) if flag_of(name) is not None]
        # ... and of several flags the one that has the fewest pictures so far
        known = [n for n in names if n in told] or names[:1]
        name = min(known, key=lambda n: len(shown.get(n, [])), default="")
        thumbnail = _thumbnail(picture, name) if name else None
        what = (name, text(picture.get("kind")), *texts(picture.get("files")))
        if thumbnail is None or what in seen:
            continue
        seen.add(what)
        if len(shown.get(name, [])) < _MOST_PER_FLAG and sum(map(len, shown.values())) < _MOST:
            shown.setdefault(name, []).append(thumbnail)
        else:
            left_over[name] = left_over.get(name, 0) + 1
    own = [_entry(name, len(found) + left_over.get(name, 0)) for name, found in shown.items() if name not in told]

    def given(items: Sequence[Trouble]) -> list[Trouble]:
        out = []
        for item in items:  # rejected and doubtful frames may carry the same flag: the first has the pictures
            found = tuple(shown.pop(item.name, ()))
            out.append(replace(item, thumbnails=found, more_pictures=left_over.get(item.name, 0) if found else 0))
        return out

    return given(troubles), given([*doubts, *own])


def _entry(name: str, count: int) -> Trouble:
    flag = flag_of(name)
    assert flag is not None  # only registered flags are shown
    severity = "note" if flag.severity is Severity.NOTE else "doubt"
    return Trouble(name, flag.text, flag.advice, severity, count, "")


def _thumbnail(picture: Mapping[str, Any], name: str) -> Thumbnail | None:
    """Return a picture of the run's files for the page, None where it is not a PNG of a sensible size."""
    source = png_source(picture.get("png"))
    width, height = number(picture.get("width_px")), number(picture.get("height_px"))
    if source is None or not (0 < width <= _LARGEST_PX and 0 < height <= _LARGEST_PX):
        return None
    description, _, scale = text(picture.get("range")).rstrip(".").rpartition(": ")
    role = {"flat": "flats", "dark": "darks"}.get(text(picture.get("role")), "frames")
    differs = text(picture.get("kind")) == "difference"
    kind = f"difference of two {role}" if differs else description or "one frame"
    iso = number(picture.get("iso"))
    parts = [kind, _COLOURS.get(text(picture.get("colour")), ""), wording.iso(iso) if iso > 0 else ""]
    what = ", ".join(part for part in parts if part)
    what = f"{what[:1].upper()}{what[1:]}"
    files = wording.listing(list(texts(picture.get("files"))), 2)
    flag = flag_of(name)
    return Thumbnail(
        source=source,
        width_px=round(width),
        height_px=round(height),
        alt=f"{what}, {files}: {flag.text if flag else name}",
        caption=f"{what}: {files}." + (f" {scale[:1].upper()}{scale[1:]}." if scale else ""),
    )
