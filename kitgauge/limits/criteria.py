"""The numbers a person sets: what counts as sharp enough, clean enough, often enough.

Pure standard library. Defaults: SNR 10 at mid-grey for an 8-megapixel picture (ISO 12232 calls 10 first acceptable,
40 first excellent); a streak of the frame's diagonal / 1500 in 80 % of frames (common practice, no source: the same
share of the diagonal as the usual circle of confusion); f-numbers within 90 % of the sharpest one's MTF50, and with an
MTF of 10 % at the finest detail of the picture (ISO 12233 takes the frequency of 10 % for the limiting resolution: from
memory); a third of MTF50 lost to focusing (common practice, no source).

A print and the distance it is seen from stand for a size in megapixels: `limits.viewing`. A streak in micrometres on
the 36 x 24 mm frame stands for one in pixels: 63 is the threshold of ISO 20954-1:2019 (image stabilisation, optical
method), carried to other sensors by their diagonals. Only the threshold is taken over, not that standard's procedure,
which shakes the camera by machine, in yaw and pitch only.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, fields, replace

from kitgauge.errors import UsageError
from kitgauge.limits.viewing import picture_megapixels

STREAK_DIAGONAL_FRACTION = 1.0 / 1500.0
FULL_FRAME_DIAGONAL_UM = 1000.0 * math.hypot(36.0, 24.0)


@dataclass(frozen=True)
class Criteria:
    """All criteria of one run. `streak_px` None means the frame's diagonal / 1500.

    `streak_um_35mm` [um on a frame of 36 x 24 mm] takes the place of `streak_px`.

    `shadow_snr` asks for that SNR `shadow_stops` below mid-grey too. `print_long_side_cm` and `viewing_distance_cm`
    take the place of `output_mp`. UsageError where one of such a pair is missing.
    """

    snr: float = 10.0
    output_mp: float = 8.0
    streak_px: float | None = None
    streak_um_35mm: float | None = None
    keep: float = 0.8
    mtf50_fraction: float = 0.9
    picture_mtf: float = 0.1
    focus_loss: float = 1.0 / 3.0
    shadow_stops: float | None = None
    shadow_snr: float | None = None
    print_long_side_cm: float | None = None
    viewing_distance_cm: float | None = None

    def __post_init__(self) -> None:
        for pair in PAIRS:
            given = [name for name in pair if getattr(self, name) is not None]
            if len(given) == 1:
                (missing,) = set(pair) - set(given)
                raise UsageError(
                    f"criterion {given[0]} needs {missing} beside it",
                    where="criteria",
                    got=f"{given[0]}={getattr(self, given[0]):g} alone",
                    needed=f"both; {missing}: {EXPLANATIONS[missing]}",
                    fix=f"add --criterion {missing}=...",
                )

    def snr_demands(self) -> list[tuple[float, float]]:
        """Return each SNR that the picture must have, and how many stops below mid-grey."""
        demands = [(self.snr, 0.0)]
        if self.shadow_snr is not None and self.shadow_stops is not None:
            demands.append((self.shadow_snr, self.shadow_stops))
        return demands

    def picture_mp(self, frame_shape: tuple[int, int]) -> float:
        """Return the size of the picture as used [megapixels], for a frame of (rows, columns).

        `output_mp`, or what the eye resolves of the print, at most the frame's own pixels.
        """
        if self.print_long_side_cm is None or self.viewing_distance_cm is None:
            return self.output_mp
        return picture_megapixels(self.print_long_side_cm, self.viewing_distance_cm, frame_shape)

    def streak_limit_px(self, frame_shape: tuple[int, int]) -> float:
        """Return the streak limit [px] for a frame of (rows, columns)."""
        if self.streak_px is not None:
            return self.streak_px
        if self.streak_um_35mm is not None:
            return math.hypot(*frame_shape) * self.streak_um_35mm / FULL_FRAME_DIAGONAL_UM
        return math.hypot(*frame_shape) * STREAK_DIAGONAL_FRACTION

    def streak_criterion(self, frame_shape: tuple[int, int]) -> dict[str, float]:
        """Return what a shutter limit says of its criterion: the streak limit [px], and where it comes from."""
        values = {"streak_px": self.streak_limit_px(frame_shape)}
        if self.streak_px is None and self.streak_um_35mm is not None:
            values["streak_um_35mm"] = self.streak_um_35mm
        return {**values, "keep": self.keep}

    def as_dict(self) -> dict[str, float]:
        """Return the criteria that are set, as plain values; without `output_mp` where a print takes its place."""
        values = {item.name: value for item in fields(self) if (value := getattr(self, item.name)) is not None}
        if self.print_long_side_cm is not None:
            del values["output_mp"]
        return values


EXPLANATIONS = {
    "snr": "signal-to-noise ratio at mid-grey in the picture as used (ISO 12232: 10 first acceptable, "
    "40 first excellent)",
    "output_mp": "size of the picture as used, in megapixels",
    "streak_px": "longest blur streak that still counts as sharp, in pixels (default: frame diagonal / 1500)",
    "streak_um_35mm": "longest blur streak that still counts as sharp, in micrometres on a frame of 36 x 24 mm, "
    "in place of streak_px (63: the threshold of ISO 20954-1; for other sensors in proportion to the diagonal)",
    "keep": "share of frames that must be at or under the streak limit",
    "mtf50_fraction": "share of the sharpest f-number's MTF50 that still counts as sharp",
    "picture_mtf": "MTF that the lens must have at the finest detail of the picture as used: one line pair in two "
    "of its pixels (ISO 12233: 10 % at the limiting resolution)",
    "focus_loss": "share of a frame's MTF50 that focusing may cost before the frame counts as out of focus",
    "shadow_stops": "how many stops below mid-grey the shadow lies that must be clean too",
    "shadow_snr": "signal-to-noise ratio that this shadow must have in the picture as used",
    "print_long_side_cm": "long side of the print, in centimetres; with viewing_distance_cm in place of output_mp "
    "(the eye resolves 1 arcminute: visual acuity 1.0)",
    "viewing_distance_cm": "distance from which the print is seen, in centimetres",
}

# (lowest, highest), both excluded
RANGES: dict[str, tuple[float, float]] = {
    "snr": (0.0, 10_000.0),
    "output_mp": (0.0, 10_000.0),
    "streak_px": (0.0, 10_000.0),
    "streak_um_35mm": (0.0, 10_000.0),
    "keep": (0.0, 1.0),
    "mtf50_fraction": (0.0, 1.0),
    "picture_mtf": (0.0, 1.0),
    "focus_loss": (0.0, 1.0),
    "shadow_stops": (0.0, 16.0),
    "shadow_snr": (0.0, 10_000.0),
    "print_long_side_cm": (0.0, 100_000.0),
    "viewing_distance_cm": (0.0, 100_000.0),
}

# one of these alone says nothing
PAIRS = (("shadow_stops", "shadow_snr"), ("print_long_side_cm", "viewing_distance_cm"))
_PRINT = PAIRS[1]


def parse_criteria(pairs: Iterable[str], base: Criteria | None = None) -> Criteria:
    """Return `base` (default: the defaults) with every `KEY=VALUE` of `pairs` applied.

    Raises UsageError for a pair that is not valid, for a key that stands twice, for criteria of which one says nothing
    without the other, and where the picture's size (megapixels, print) or the streak (pixels, um) is given twice.
    """
    criteria = base or Criteria()
    given: dict[str, float] = {}
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
        if key in given:
            raise UsageError(
                f"criterion {key} is given twice",
                where="--criterion",
                got=f"{key}={given[key]:g} and {key}={value:g}",
                needed="each criterion once",
                fix="leave one of them out",
            )
        given[key] = value
    prints = [key for key in _PRINT if key in given]
    if prints and "output_mp" in given:
        raise UsageError(
            "the picture's size is given twice",
            where="--criterion",
            got=" and ".join(f"{key}={given[key]:g}" for key in ("output_mp", *prints)),
            needed="megapixels, or the print's long side with the distance it is seen from",
            fix=f"leave out output_mp, or {' and '.join(prints)}",
        )
    if "streak_px" in given and "streak_um_35mm" in given:
        raise UsageError(
            "the longest streak is given twice",
            where="--criterion",
            got=f"streak_px={given['streak_px']:g} and streak_um_35mm={given['streak_um_35mm']:g}",
            needed="pixels, or micrometres on a frame of 36 x 24 mm",
            fix="leave one of them out",
        )
    if "streak_px" in given:  # takes the place of the other of `base`
        criteria = replace(criteria, streak_um_35mm=None)
    if "streak_um_35mm" in given:
        criteria = replace(criteria, streak_px=None)
    if "output_mp" in given:  # takes the place of a print of `base`
        criteria = replace(criteria, print_long_side_cm=None, viewing_distance_cm=None)
    return replace(criteria, **given)
