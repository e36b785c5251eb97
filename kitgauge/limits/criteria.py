"""The numbers a person sets: what counts as sharp enough, clean enough, often enough.

Pure standard library. Defaults: SNR 10 at mid-grey for an 8-megapixel picture (ISO 12232 calls 10 first acceptable,
40 first excellent); a streak of the frame's diagonal / 1500 in 80 % of frames (common practice, no source: the same
share of the diagonal as the usual circle of confusion); f-numbers within 90 % of the sharpest one's MTF50.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, fields, replace

from kitgauge.errors import UsageError

STREAK_DIAGONAL_FRACTION = 1.0 / 1500.0


@dataclass(frozen=True)
class Criteria:
    """All criteria of one run. `streak_px` None means the frame's diagonal / 1500."""

    snr: float = 10.0
    output_mp: float = 8.0
    streak_px: float | None = None
    keep: float = 0.8
    mtf50_fraction: float = 0.9

    def streak_limit_px(self, frame_shape: tuple[int, int]) -> float:
        """Return the streak limit [px] for a frame of (rows, columns)."""
        if self.streak_px is not None:
            return self.streak_px
        return math.hypot(*frame_shape) * STREAK_DIAGONAL_FRACTION

    def as_dict(self) -> dict[str, float]:
        """Return the criteria that are set, as plain values."""
        return {item.name: value for item in fields(self) if (value := getattr(self, item.name)) is not None}


EXPLANATIONS = {
    "snr": "signal-to-noise ratio at mid-grey in the picture as used (ISO 12232: 10 first acceptable, "
    "40 first excellent)",
    "output_mp": "size of the picture as used, in megapixels",
    "streak_px": "longest blur streak that still counts as sharp, in pixels (default: frame diagonal / 1500)",
    "keep": "share of frames that must be at or under the streak limit",
    "mtf50_fraction": "share of the sharpest f-number's MTF50 that still counts as sharp",
}

# (lowest, highest), both excluded
RANGES: dict[str, tuple[float, float]] = {
    "snr": (0.0, 10_000.0),
    "output_mp": (0.0, 10_000.0),
    "streak_px": (0.0, 10_000.0),
    "keep": (0.0, 1.0),
    "mtf50_fraction": (0.0, 1.0),
}


def parse_criteria(pairs: Iterable[str], base: Criteria | None = None) -> Criteria:
    """Return `base` (default: the defaults) with every `KEY=VALUE` of `pairs` applied.

    Raises UsageError for a pair that is not valid.
    """
    criteria = base or Criteria()
    for pair in pairs:
        key, sign, text = pair.partition("=")
        key = key.strip()
        where = f"--criterion {pair}"
        if not sign or key not in RANGES:
            raise UsageError(
                "not a criterion",
                where=where,
                got=key,
                needed=f"KEY=VALUE with one of {', '.join(RANGES)}",
                fix="for example: --criterion snr=20",
            )
        low, high = RANGES[key]
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not low < value < high:
            raise UsageError(
                f"criterion {key} is out of range",
                where=where,
                got=text,
                needed=f"a number between {low:g} and {high:g}: {EXPLANATIONS[key]}",
                fix="give a number in that range",
            )
        criteria = replace(criteria, **{key: value})
    return criteria
