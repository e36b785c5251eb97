"""A personal limit: the setting that a criterion picks from a curve, with its interval.

Pure standard library: the planner reads limits at start-up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Literal

LimitKind = Literal["iso", "f_number", "shutter", "focus"]


@dataclass(frozen=True)
class Limit:
    """One limit.

    `value` holds the exact setting, keyed as in the files: `iso`, or `f_number_low` and `f_number_high`, or
    `shutter_s`, or of focusing the lowest `f_number`; `dial` the same rounded to the dial on the safe side (ISO down,
    shutter faster, f-numbers inward).
    `ci_low` and `ci_high` bound the 95 % interval of the value (of an f-number limit: the low end of the lower
    f-number's and the high end of the higher f-number's interval); NaN = not estimated. `stderr_stops` is the
    standard error of the value in stops, NaN where not estimated. `flags` are names from the flag registry.
    """

    kind: LimitKind
    value: dict[str, float]
    dial: dict[str, float]
    ci_low: float
    ci_high: float
    criterion: dict[str, float]
    text: str
    stderr_stops: float = math.nan
    lens: str | None = None
    focal_mm: float | None = None
    technique: str | None = None
    region: str | None = None
    flags: tuple[str, ...] = field(default_factory=tuple)
    extra: dict[str, Any] = field(default_factory=dict)  # further plain values for the files

    def as_dict(self) -> dict[str, Any]:
        """Return the limit as plain values, in the order of the file contract."""
        return {
            "kind": self.kind,
            **self.value,
            **{f"{key}_dial": value for key, value in self.dial.items()},
            "ci_low": self.ci_low,
            "ci_high": self.ci_high,
            "stderr_stops": self.stderr_stops,
            "criterion": dict(self.criterion),
            "lens": self.lens,
            "focal_mm": self.focal_mm,
            "technique": self.technique,
            "region": self.region,
            "flags": list(self.flags),
            **self.extra,
            "text": self.text,
        }
