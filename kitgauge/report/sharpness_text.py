"""What the letter says of a sharpness run beside the limits: the lens's faults, and what sharpening did."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from kitgauge.report import wording
from kitgauge.report.data import mapping, number, records, text, texts

_MOST_FINDINGS = 8
# what spoils pictures most comes first; kinds not named here come before colours, which software can take out
_FIRST = ("sharpened", "weak-corner", "tilt", "decentring", "field-curvature", "focus-shift", "astigmatism")
_LAST = ("lateral-colour", "longitudinal-colour")


@dataclass(frozen=True)
class SharpnessLetter:
    """Sentences on the lens (or on what stands for it, where the files are sharpened), and on how the files were made.

    `more` counts findings that are only in the table.
    """

    lens: tuple[str, ...]
    more: int
    made: tuple[str, ...]


def sharpness_letter(sharpness: Mapping[str, Any]) -> SharpnessLetter | None:
    """Return what the letter adds for a sharpness run, None where nothing was measured."""
    points = records(sharpness.get("points"))
    through_focus = mapping(sharpness.get("bracket"))
    if not points and not through_focus:
        return None
    found = sorted(records(sharpness.get("findings")), key=lambda f: _weight(text(f.get("kind"))))
    findings = [text(f.get("text")) or text(f.get("kind")).replace("-", " ") for f in found]
    lens = findings[:_MOST_FINDINGS] or [_nothing_found(sharpness)]
    return SharpnessLetter(
        tuple(said for said in lens if said),
        max(len(findings) - _MOST_FINDINGS, 0),
        (*developed_sentences(sharpness), *halo_sentences(sharpness)),
    )


def _weight(kind: str) -> int:
    order = (*_FIRST, "", *_LAST)
    return order.index(kind if kind in order else "")


def _nothing_found(sharpness: Mapping[str, Any]) -> str:
    """Return that no fault stands out and how small one could have been seen, empty where places cannot be compared."""
    if mapping(sharpness.get("bracket")):
        return "Best focus is the same at all places, colours and f-numbers, but for chance and what costs under 2 %."
    points = records(sharpness.get("points"))
    regions = {text(point.get("region")) for point in points}
    directions = {text(point.get("orientation")) for point in points}
    compared = (["its corners and sides"] if len(regions) > 1 else []) + (
        ["the two edge directions"] if len(directions) > 1 else []
    )
    if mapping(mapping(sharpness.get("colour")).get("lateral")):
        compared.append("its colours")
    if not compared:
        return ""
    return f"No fault of the lens stands out from the scatter of the frames: {wording.joined(compared)} were compared."


def developed_sentences(sharpness: Mapping[str, Any]) -> list[str]:
    """Return what holds for developed pictures, nothing for raw frames."""
    points = records(sharpness.get("points"))
    if not any("rendered" in texts(point.get("flags")) for point in points):
        return []
    found = [
        "These are developed pictures, not raw files: the sharpening and the noise reduction of the camera or the "
        "program are part of every number here. All of it holds for this picture style only and is never mixed with "
        "results of raw files."
    ]
    beyond = sorted({number(p.get("f_number")) for p in points if "sharpened" in texts(p.get("flags"))})
    if beyond:
        where = wording.joined([wording.f_number(value) for value in beyond if value > 0])
        found.append(
            f"At {where} they are sharper than diffraction and the pixel let any lens be: that is sharpening, "
            "not the lens."
        )
    return found


def halo_sentences(sharpness: Mapping[str, Any]) -> list[str]:
    """Return in plain words what lines the edges carry, nothing where that was not measured."""
    halos = [h for h in records(sharpness.get("halo")) if math.isfinite(number(h.get("overshoot")))]
    rendered = any("rendered" in texts(p.get("flags")) for p in records(sharpness.get("points")))
    plain = [h for h in halos if h.get("plain") is True]
    if not plain:
        said = "The edges carry no bright or dark line that stands out: sharpening, if any, is gentle."
        return [said] if rendered and halos else []
    worst = max(plain, key=lambda h: max(number(h.get("overshoot")), number(h.get("undershoot"))))
    parts = [
        f"a {name} line of {100 * value:.1f} % (± {100 * number(worst.get(f'{key}_stderr')):.1f})"
        for key, name in (("overshoot", "bright"), ("undershoot", "dark"))
        if (value := number(worst.get(key))) >= 0.01
    ]
    where = f" at {wording.f_number(number(worst.get('f_number')))}, where it is strongest" if len(halos) > 1 else ""
    said = f"The edges carry {wording.joined(parts)} of the contrast{where}: sharpened. No lens draws such lines."
    if rendered:
        return [said]
    return [
        f"{said} These raw files are not as the sensor gave them: look for a setting of the camera or of the program "
        "that wrote them."
    ]
