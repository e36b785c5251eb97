"""What is known of how a developed picture was made: pictures made in different ways are not put on one curve.

Exif 2.32 (CIPA DC-008), section 4.6.5: the tags Contrast, Saturation and Sharpness tell what the camera was set to.
Makers' picture styles have no tag in common; where they differ without a trace here, the halo of the edges may tell.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from kitgauge.frames.exif_source import container, read_tags
from kitgauge.frames.mosaic import Mosaic
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.tasks import Measurement

Style = dict[str, str]

_SETTINGS = {  # tag of the Exif directory -> (name, its values in words)
    41994: ("sharpness", {0: "normal", 1: "soft", 2: "hard"}),
    41992: ("contrast", {0: "normal", 1: "soft", 2: "hard"}),
    41993: ("saturation", {0: "normal", 1: "low", 2: "high"}),
}
_KINDS = {"jpeg": "JPEG", "png": "PNG", "tiff": "TIFF"}
_SOFTWARE = 305
_WHICH = {"kind": "", "encoding": "", "program": "written by ", "sharpness": "sharpness ", "contrast": "contrast "}


def developed_style(path: Path, mosaic: Mosaic) -> Style | None:
    """Return how a developed picture was made, as far as the file tells; None of a raw one.

    Raises OSError where the file cannot be read.
    """
    if not mosaic.rendered:
        return None
    with path.open("rb") as stream:
        kind = container(stream.read(32))
    style = {"kind": _KINDS.get(kind or "", "picture"), "encoding": "; ".join(mosaic.notes)}
    tags, _ = read_tags(path)
    if isinstance(program := tags.get(("image", _SOFTWARE)), str) and program.strip():
        style["program"] = program.strip()
    for tag, (name, words) in _SETTINGS.items():
        values = tags.get(("exif", tag))
        if isinstance(values, list) and len(values) == 1:
            style[name] = words.get(values[0], str(values[0]))
    return style


def one_style(
    records: Sequence[FrameRecord], results: Mapping[str, Measurement]
) -> tuple[tuple[FrameRecord, ...], list[str]]:
    """Return the records, developed pictures made otherwise than most of them rejected, and what to tell of it.

    Of equally many the way of the first picture stays.
    """
    styles: dict[str, Style] = {
        record.file: style
        for record in records
        if record.status == "used" and (style := (results.get(record.file) or {}).get("style"))
    }
    if len({_frozen(style) for style in styles.values()}) < 2:
        return tuple(records), []
    usual = dict(Counter(_frozen(style) for style in styles.values()).most_common(1)[0][0])
    kept: list[FrameRecord] = []
    count = 0
    for record in records:
        style = styles.get(record.file)
        if style is None or style == usual:
            kept.append(record)
            continue
        count += 1
        kept.append(record.rejected("different-profile", f"{difference(style, usual)}: kept apart from the rest"))
    note = (
        f"{count} of {len(styles)} developed pictures were made otherwise than the rest and are kept apart: put each "
        "kind into a folder of its own and run it there"
    )
    return tuple(kept), [note]


def difference(style: Mapping[str, str], usual: Mapping[str, str]) -> str:
    """Return how a style differs from the usual one: 'TIFF instead of JPEG, sharpness hard instead of normal'."""
    parts = [
        f"{_WHICH.get(key, f'{key} ')}{style.get(key, 'not recorded')} instead of {usual.get(key, 'not recorded')}"
        for key in dict.fromkeys((*usual, *style))
        if style.get(key) != usual.get(key)
    ]
    return ", ".join(parts)


def pictures_beside_raw(records: Sequence[FrameRecord]) -> list[str]:
    """Return what to tell of developed pictures that lie beside the raw frames of a run, nothing without any."""
    raw = [record for record in records if record.is_raw and record.status == "used"]
    left_out = [record for record in records if not record.is_raw and record.status == "unmatched"]
    if not raw or not left_out:
        return []
    have = {record.f_number for record in raw}
    only = sorted({r.f_number for r in left_out if r.f_number is not None and r.f_number not in have})
    said = (
        f"{len(left_out)} developed picture{'s' if len(left_out) > 1 else ''} beside {len(raw)} raw "
        f"frame{'s' if len(raw) > 1 else ''}: the raw frames were measured; results of the two are never mixed"
    )
    if only:
        said += f" ({', '.join(f'f/{value:g}' for value in only)}: developed pictures only, so not measured)"
    return [said]


def _frozen(style: Mapping[str, Any]) -> tuple[tuple[str, Any], ...]:
    return tuple(sorted(style.items()))
