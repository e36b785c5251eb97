"""How it was done, what it does not cover, and cautions: the last sections of the report."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from kitgauge.limits.criteria import EXPLANATIONS
from kitgauge.report import wording
from kitgauge.report.data import RunData, mapping, number, text, texts
from kitgauge.report.method_noise import Formula, noise_formulas, noise_not_covered
from kitgauge.report.practice_method import practice_formulas, practice_not_covered

# (formula in words, signs and <sub>, source): constants of this module, put on the page as HTML; those of noise
# are in `method_noise.py`
FORMULAS: dict[str, tuple[tuple[str, str], ...]] = {
    "sharpness": (
        (
            "MTF from tilted edges, on undeveloped samples of one colour along the edge's normal",
            "e-SFR, ISO 12233",
        ),
        (
            "Ceiling: (2/π)(arccos s − s √(1 − s²)), s = λ N ν, times the pixel's sinc",
            "J. W. Goodman, Introduction to Fourier Optics, chapter 6",
        ),
        (
            "Model: diffraction × pixel × exp(−2π² σ² ν²), σ falling with the f-number to a floor",
            "common practice, no source",
        ),
        (
            "MTF50 in line pairs per millimetre: cycles per pixel / pixel pitch; in line widths per picture height: "
            "2 × cycles per pixel × pixels of the frame's shorter side",
            "line widths: ISO 12233",
        ),
        (
            "Lines along edges: how far the edge spread rises over the bright ground and falls under the dark one",
            "light adds up and is never negative, so behind any lens an edge rises steadily",
        ),
    ),
    "blur": (
        (
            "Streak of a frame: L = √(12 (σ² − σ<sub>tripod</sub>²)) in each direction, total by Pythagoras",
            "second moment of a uniform straight motion; second moments add under convolution",
        ),
        (
            "Frames too sharp or too blurred to measure are kept as bounds (censored) in the likelihood",
            "survival analysis, common practice, no single source",
        ),
        (
            "Why not simpler: where streaks over 10 pixels cannot be measured, leaving those frames out puts the limit "
            "0.3 stops too slow; a plain table of the share of measured frames with enough MTF50, read at the slowest "
            "speed with 8 of 10, is 1.1 stops off (root mean square) where the fit to all frames is 0.13 stops off",
            "own simulation of 24 people (table: 96), 10 frames a speed, streaks from motion paths",
        ),
        (
            "Limit: the slowest shutter time that keeps the wanted share of frames within the streak limit",
            "definition of this program",
        ),
        ("95 % intervals of counts", "E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209"),
        (
            "Other focal lengths: the same angles, so the streak in proportion to the focal length",
            "rotation of the camera; its shift, which matters close up, is left out",
        ),
        ("Rule beside the limit: 1/(focal length in 35 mm terms) seconds", "common practice, no source"),
        (
            "Frames for one keeper with confidence c at keep rate p: ln(1 − c) / ln(1 − p)",
            "independent trials",
        ),
    ),
}

_UNDEVELOPED = "on undeveloped samples of one colour"
_DEVELOPED = "on the brightness of the developed pictures, their colour encoding undone,"

# what results do not cover; of noise: `method_noise.py`
NOT_COVERED: dict[str, tuple[str, ...]] = {
    "sharpness": (
        "Other distances: a lens may be better or worse near its closest focus or at infinity.",
        "Other focal lengths of a zoom, other copies of the lens, and focus errors in use.",
        "What sharpening in a raw developer brings back, and what its lens profile takes out.",
        "Contrast of large shapes: stray light and reflections inside the lens are not in MTF50.",
    ),
    "blur": (
        "Subjects that move: the limit is about your hands, on a still target.",
        "Other focal lengths, other ways of holding, other days: hands differ from day to day.",
        "Focus errors; a frame out of focus may pass for blurred.",
    ),
}

CAUTIONS: dict[str, tuple[str, ...]] = {
    "noise": ("Hot lamps and cables near the card: keep a distance and tape the cables down.",),
    "sharpness": ("A tripod and cables are trip hazards: do not set them up in public ways.",),
    "blur": (
        "A tripod is a trip hazard: do not set it up in public ways.",
        "Look where you stand before you look through the finder; keep away from traffic, animals and heights.",
    ),
}
SUN_CAUTION = "Never aim a camera or a lens at the sun without a proper filter in front of it."

_SHOWN_ELSEWHERE = (
    "schema", "status", "reason", "notes", "missing", "frames", "not_frames", "cautions", "title", "measures",
)  # fmt: skip
_NAMES = {
    "sha256": "SHA-256",
    "code_sha256": "SHA-256 of the code",
    "kitgauge_version": "kitgauge",
    "focal_mm": "focal length (mm)",
    "focal_35mm": "focal length in 35 mm terms (mm)",
    "pixel_pitch_um": "pixel pitch (µm)",
    "pitch_um": "pixel pitch given (µm)",
    "body_serial": "serial number of the body",
    "pixel_pitch_source": "source of the pixel pitch",
    "width_px": "width (px)",
    "height_px": "height (px)",
    "sensor_pixels": "pixels",
    "developed": "developed pictures instead of raw",
    "id": "name",
    "started_at": "started",
    "stopped_at": "stopped",
    "libraw": "LibRaw",
}


def measured_parts(data: RunData) -> list[str]:
    """Return which of noise, sharpness, blur the run measured."""
    return [name for name in ("noise", "sharpness", "blur") if data.part(name)]


def formulas(data: RunData) -> list[Formula]:
    """Return formula, source, and what each cannot tell, of everything that was measured."""
    found = noise_formulas(data.part("noise")) if data.part("noise") else []
    found += [Formula(*entry) for part in measured_parts(data) for entry in FORMULAS.get(part, ())]
    found += [Formula(*entry) for entry in practice_formulas(data.part("practice"))]
    if any("rendered" in frame.flags for frame in data.frames):
        found = [replace(f, formula=f.formula.replace(_UNDEVELOPED, _DEVELOPED)) for f in found]
    return found


def not_covered(data: RunData) -> list[str]:
    """Return what the results do not cover."""
    found = noise_not_covered(data.part("noise")) if data.part("noise") else []
    found += [entry for part in measured_parts(data) for entry in NOT_COVERED.get(part, ())]
    found += practice_not_covered(data.part("practice"))
    if measured_parts(data):
        found.append("Another body, even of the same model: the numbers belong to the kit named above.")
    if any("rendered" in frame.flags for frame in data.frames):
        found.append(
            "Other picture styles: these frames were developed by the camera or a program, and the limits hold for "
            "that style only."
        )
    return found


def cautions(data: RunData) -> list[str]:
    """Return the cautions of the protocol, or those of the kind of work where the run recorded none; each once."""
    found = list(texts(data.run.get("cautions")))
    found = found or [entry for part in measured_parts(data) for entry in CAUTIONS[part]]
    if not any(re.search(r"\bsun\b", entry) for entry in found):
        found.append(SUN_CAUTION)
    return list(dict.fromkeys(found))


def run_facts(data: RunData) -> list[tuple[str, str]]:
    """Return (what, value) of everything that `run.json` records and the page does not show elsewhere."""
    facts: list[tuple[str, str]] = []
    for key, value in data.run.items():
        if key == "settings":  # of the command line; "frames" is the folder here
            facts += [(f"settings, {_label(k)}", _shown(v)) for k, v in mapping(value).items() if v is not None]
        elif key not in _SHOWN_ELSEWHERE:
            facts += _facts(_label(key), value)
    return facts


def _facts(label: str, value: object) -> list[tuple[str, str]]:
    if isinstance(value, Mapping):
        return [
            fact
            for key, inner in value.items()
            if key not in _SHOWN_ELSEWHERE
            for fact in _facts(f"{label}, {_label(key)}", inner)
        ]
    return [(label, _shown(value))]


def _label(key: object) -> str:
    return _NAMES.get(str(key), str(key).replace("_", " "))


def _shown(value: object) -> str:
    if value is None or value == "":
        return "–"
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {_shown(inner)}" for key, inner in value.items()) or "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return wording.plain(value, 6)
    if isinstance(value, list | tuple):
        if not value:
            return "none"
        simple = all(isinstance(item, str | int | float) for item in value)
        return ", ".join(str(item) for item in value) if simple else json.dumps(value, ensure_ascii=False)
    return str(value)


def criteria_facts(data: RunData) -> list[tuple[str, str, str]]:
    """Return (key, value, meaning) of the criteria that were applied, from the limits; one row per key and
    value.
    """
    rows: dict[tuple[str, str], str] = {}
    for limit in data.limits:
        for key, value in mapping(limit.get("criterion")).items():
            shown = wording.plain(number(value), 4)
            if key in ("keep", "mtf50_fraction", "focus_loss"):
                shown = wording.share(number(value))
            rows[(str(key), shown)] = EXPLANATIONS.get(str(key), "")
    return [(key, value, meaning) for (key, value), meaning in rows.items()]


def title(data: RunData) -> str:
    """Return the page's title: that of the protocol, else one made of what was measured."""
    if given := text(mapping(data.run.get("protocol")).get("title")):
        return given
    names = {
        "noise": "Noise against ISO",
        "sharpness": "Sharpness against f-number",
        "blur": "Blur against shutter speed",
    }
    made = ", ".join(names[part] for part in measured_parts(data))
    return made or protocol_name(data) or "Results"


def protocol_name(data: RunData) -> str:
    """Return the id of the protocol, empty where unknown."""
    recorded = data.run.get("protocol")
    if isinstance(recorded, Mapping):
        return text(recorded.get("id"))
    return text(recorded) or text(data.curves.get("protocol"))


def kit_text(data: RunData) -> str:
    """Return body, lens and technique in one line, empty where nothing is known."""
    kit = mapping(data.curves.get("kit")) or mapping(data.run.get("kit"))
    if not kit:
        return text(data.run.get("kit"))
    parts = [text(kit.get("body")) or text(kit.get("name")), text(kit.get("lens"))]
    focal = number(kit.get("focal_mm"))
    if math.isfinite(focal):
        parts.append(f"{wording.plain(focal, 3)} mm")
    parts.append(text(data.curves.get("technique")))
    return ", ".join(part for part in parts if part)


def dates_text(data: RunData) -> str:
    """Return when the frames were taken, empty where unknown."""
    days = sorted({day for frame in data.frames if (day := frame.values.get("taken_at", "")[:10])})
    if not days:
        return ""
    return days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}"


def status_text(run: Mapping[str, Any]) -> str:
    """Return a sentence on a run that is not complete, empty for a complete one."""
    status = text(run.get("status"))
    if status == "complete":
        return ""
    return {
        "partial": "This run is partial: what could be measured is here, but something is missing.",
        "failed": "This run failed: nothing below is a result to rely on.",
    }.get(status, f"The state of this run is {status or 'unknown'}.")
