"""Shutter limits and focal lengths: the 1/focal-length rule beside the measured limit, and limits carried by angle.

Shake turns the camera by an angle, so the streak on the sensor grows with the focal length: P(L <= limit) at the focal
length f2 is P(L <= limit f1/f2) at the measured f1. The limit for f2 is therefore that of the same fit for another
streak, with the profile interval of that fit. It leaves out that the camera also shifts sideways, which matters close
up only (the streak of a shift grows with the magnification), and that a lens of another weight is held otherwise.
The rule: 1/(focal length in 35 mm terms) seconds (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from kitgauge.exposure import format_exact_shutter
from kitgauge.fit.blur.blur_shutter import BlurFit, ShutterLimit
from kitgauge.limits.criteria import FULL_FRAME_DIAGONAL_UM

# whole millimetres as engraved on lenses (common practice, no source)
_MARKED_MM = (8, 10, 12, 14, 16, 20, 24, 28, 35, 50, 70, 85, 105, 135, 200, 300, 400, 600, 800)
_FARTHEST_FACTOR = 4.2  # in focal length; beyond it another kind of lens is held in another way
_SAME_FOCAL = 0.03


def focal_35mm(kit: Mapping[str, Any], frame_shape: tuple[int, int]) -> tuple[float, str] | None:
    """Return the focal length in 35 mm terms [mm] and where it is known from, None where it is not known.

    `kit` as in curves.json, `frame_shape` (rows, columns). By the diagonals of the sensor, from pixel pitch and frame
    size, and of 36 x 24 mm; else as the frames tell.
    """
    focal, pitch, told = (_positive(kit.get(key)) for key in ("focal_mm", "pixel_pitch_um", "focal_35mm"))
    if focal and pitch:
        return focal * FULL_FRAME_DIAGONAL_UM / (pitch * math.hypot(*frame_shape)), "pixel pitch and frame size"
    return (told, "as the frames tell") if told else None


def beside_focal_lengths(
    fit: BlurFit,
    keep: float,
    streak_limit_px: float,
    kit: Mapping[str, Any],
    frame_shape: tuple[int, int],
    *,
    hands: bool,
) -> dict[str, Any]:
    """Return `rule` and `scaled` of `blur` in curves.json; no rule where it is not hands that were measured."""
    limit = fit.limit(keep, streak_limit_px)
    return {
        "rule": rule_beside_limit(limit, kit, frame_shape) if hands else None,
        "scaled": scaled_limits(fit, keep, streak_limit_px, _positive(kit.get("focal_mm"))),
    }


def rule_beside_limit(
    limit: ShutterLimit, kit: Mapping[str, Any], frame_shape: tuple[int, int]
) -> dict[str, Any] | None:
    """Return the 1/focal-length rule beside a measured limit, for `blur.rule`; None where it cannot be told.

    `stops` > 0: the limit is slower than the rule. Of a limit beyond the measured times only the side is told: its
    number is NaN.
    """
    known = focal_35mm(kit, frame_shape)
    if known is None or not math.isfinite(limit.shutter_s):
        return None
    focal, source = known
    rule = 1.0 / focal
    measured = limit.reach == "measured"
    stops, low, high = (
        math.log2(time / rule) if measured and math.isfinite(time) else math.nan
        for time in (limit.shutter_s, limit.ci_low_s, limit.ci_high_s)
    )
    return {
        "focal_35mm": focal,
        "focal_35mm_source": source,
        "rule_s": rule,
        "stops": stops,
        "ci_low_stops": low,
        "ci_high_stops": high,
        "text": _rule_sentence(limit, focal, stops, low, high),
    }


def _rule_sentence(limit: ShutterLimit, focal: float, stops: float, low: float, high: float) -> str:
    start = (
        f"The rule of thumb, 1/(focal length in 35 mm terms, here {focal:.0f} mm), says "
        f"{format_exact_shutter(1 / focal)}"
    )
    if math.isnan(stops):
        side = "slower than the slowest" if limit.reach == "slower" else "faster than the fastest"
        return f"{start}; your limit lies {side} speed measured, so the two cannot be compared."
    interval = ""
    if math.isfinite(low) and math.isfinite(high):
        interval = f" (95 % interval {low:+.2f} to {high:+.2f})"
        if low <= 0 <= high:
            return f"{start}; your limit agrees with it within its interval: {stops:+.2f} stops{interval}."
    slower = "slower: the rule is stricter than you need" if stops > 0 else "faster: the rule is not enough for you"
    return f"{start}; your limit is {abs(stops):.2f} stops {slower}{interval}."


def scaled_limits(
    fit: BlurFit, keep: float, streak_limit_px: float, focal_mm: float | None, wanted_mm: Sequence[float] = ()
) -> list[dict[str, Any]]:
    """Return the limits for other focal lengths of the same body by angle, for `blur.scaled`.

    `wanted_mm`: the focal lengths [mm]; without any those that lenses are marked with, within two stops. Each row says
    `scaled` and `from_focal_mm`; limits beyond the measured shutter times are left out.
    """
    if not focal_mm or focal_mm <= 0:
        return []
    candidates = wanted_mm or [mm for mm in _MARKED_MM if abs(math.log(mm / focal_mm)) < math.log(_FARTHEST_FACTOR)]
    others = [wanted for wanted in candidates if abs(wanted / focal_mm - 1.0) >= _SAME_FOCAL]
    limits = fit.limits_of([(keep, streak_limit_px * focal_mm / wanted) for wanted in others])
    rows = []
    for wanted, found in zip(others, limits, strict=True):
        if found.reach == "measured" and math.isfinite(found.shutter_s):
            rows.append(
                {
                    "focal_mm": float(wanted),
                    "from_focal_mm": focal_mm,
                    "scaled": True,
                    "keep": keep,
                    "streak_limit_px": streak_limit_px,
                    "shutter_s": found.shutter_s,
                    "ci_low_s": found.ci_low_s,
                    "ci_high_s": found.ci_high_s,
                }
            )
    return rows


def _positive(value: object) -> float:
    known = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value) and value > 0
    return float(value) if known else 0.0  # type: ignore[arg-type]
