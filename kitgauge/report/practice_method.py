"""How the numbers of a practice series came about, with sources, and what they do not tell."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from kitgauge.report.data import number, records

_BRIGHTNESS = (
    "Brightness: the median over the parts of the scene of the ratio of levels, in linear light",
    "common practice, no source",
)
_NOISE = (
    "Noise: scatter within small blocks that stay plain in all frames, a smooth surface taken off, relative to the "
    "level",
    "least squares; the same blocks in every frame",
)
_STREAK = (
    "Blur of what stands still: length of the straight motion with the same second moment, from the cross spectrum of "
    "each frame with the sharpest; what moves is left out",
    "second moments add under convolution",
)
_MOVING = (
    "Blur of what moves: the length L whose sinc²(L f) fits the ratio of two power spectra of its texture",
    "characteristic function of a straight uniform motion",
)
_DEPTH = (
    "Sharp places: the blur disc, from the fall of the power spectrum, exp(−4π² f² D²/16), between f-numbers; D goes "
    "with 1/N",
    "thin lens; Goodman, Introduction to Fourier Optics, ch. 6, from memory",
)
_PLAN = (
    "The plan: N²/t = 2^EV S/100, the light from the frame's mean level against mid-grey",
    "ISO 2720, ISO 12232, from memory",
)


def practice_formulas(practice: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return (what, source) of everything that was worked out for a practice run."""
    if "places" not in practice and "exercises" not in practice:
        return []
    found = [_BRIGHTNESS, _NOISE]
    rows = records(practice.get("frames"))
    found += [_STREAK] if any(row.get("relative_to") for row in rows) else []
    found += [_MOVING] if any("moving_streak_px" in row for row in rows) else []
    found += [_DEPTH] if any(number(row.get("sharp_share")) >= 0 for row in rows) else []
    return [*found, _PLAN] if "exercises" in practice else found


def practice_not_covered(practice: Mapping[str, Any]) -> list[str]:
    """Return what the numbers of a practice run do not tell."""
    if "places" not in practice and "exercises" not in practice:
        return []
    return [
        "Whether the picture is good: blur, noise and little depth may be what you want.",
        "Limits of your hands, lens and body: for those, shoot handheld-shutter, aperture-sweep and noise-ladder.",
    ]
