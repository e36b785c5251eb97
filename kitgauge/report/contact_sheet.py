"""One edge of the target at every f-number, side by side at 100 %: one pixel of the frame per pixel of the screen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from kitgauge.report import wording
from kitgauge.report.data import number, records, text, texts
from kitgauge.report.regions import region_means, sharpest_aperture
from kitgauge.report.thumbnails import png_source

_MOST = 40  # crops of one edge
_LARGEST_PX = 200


@dataclass(frozen=True)
class Crop:
    """One small picture. `source` is the picture itself, as an address of the kind data:; `lines` stand under it."""

    source: str
    width_px: int
    height_px: int
    alt: str
    heading: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Strip:
    """The crops of one edge, from the widest to the smallest f-number."""

    heading: str
    crops: tuple[Crop, ...]


@dataclass(frozen=True)
class ContactSheet:
    """All strips, with the caption of the whole."""

    caption: str
    strips: tuple[Strip, ...]


def contact_sheet(sharpness: Mapping[str, Any]) -> ContactSheet | None:
    """Return the crops of a sharpness run (`sharpness.crops`), None without any that can be shown."""
    by_region: dict[str, list[Mapping[str, Any]]] = {}
    for crop in records(sharpness.get("crops")):
        if number(crop.get("f_number")) > 0:
            by_region.setdefault(text(crop.get("region")), []).append(crop)
    points = [p for p in records(sharpness.get("points")) if number(p.get("f_number")) > 0]
    best = sharpest_aperture(points)
    strips = []
    for region, rows in by_region.items():
        rows.sort(key=lambda row: number(row.get("f_number")))
        mtf50 = {f_number: value for f_number, value, _, _ in region_means(points, region)}
        crops = [shown for row in rows[:_MOST] if (shown := _crop(row, mtf50, best)) is not None]
        if crops:
            strips.append(Strip("Centre" if region == "centre" else f"{region} corner".capitalize(), tuple(crops)))
    if not strips:
        return None
    isos = {number(row.get("iso")) for rows in by_region.values() for row in rows}
    at_iso = f", all at {wording.iso(isos.pop())}" if len(isos) == 1 and min(isos) > 0 else ""
    corner = " and in the worst corner" if len(strips) > 1 else ""
    samples = (
        "the green samples as the sensor gave them, the gaps between them filled in, brightness evened out. Nothing is "
        "sharpened, so all look softer than finished pictures: compare them with each other."
    )
    if any("rendered" in texts(point.get("flags")) for point in points):
        samples = "the brightness of the developed pictures, evened out."
    caption = (
        f"The same edge at every f-number, at 100 %: one pixel of the frame is one of the screen{at_iso}. One edge in "
        f"the centre{corner}, {samples} Under each: f-number, shutter time, and MTF50 of the region in cycles per "
        "pixel."
    )
    return ContactSheet(caption, tuple(strips))


def _crop(row: Mapping[str, Any], mtf50: Mapping[float, float], best: float) -> Crop | None:
    source = png_source(row.get("png"))
    width, height = number(row.get("width_px")), number(row.get("height_px"))
    if source is None or not (0 < width <= _LARGEST_PX and 0 < height <= _LARGEST_PX):
        return None
    f_number, shutter_s = number(row.get("f_number")), number(row.get("shutter_s"))
    value = _at(mtf50, f_number)
    lines = [wording.shutter(shutter_s)] if shutter_s > 0 else []
    lines += [f"MTF50 {value:.3f}"] if value is not None else ["not measured"]
    lines += ["sharpest in the centre"] if f_number == best else []
    setting = wording.f_number(f_number)
    alt = f"Edge at {setting}, {text(row.get('region'))}, frame {text(row.get('file'))}"
    return Crop(source, round(width), round(height), alt, setting, tuple(lines))


def _at(mtf50: Mapping[float, float], f_number: float) -> float | None:
    """Return the value at an f-number, which the mapping holds as exact ones."""
    found = min(mtf50, key=lambda known: abs(known / f_number - 1.0), default=None)
    return mtf50[found] if found is not None and abs(found / f_number - 1.0) < 0.03 else None
