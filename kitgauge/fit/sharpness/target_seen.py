"""What the target's markers tell about distance and tilt, averaged over the frames of a run."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np


@dataclass(frozen=True)
class TargetSeen:
    """Scale and tilt of the target as its markers show it, the mean over sheets and frames.

    `px_per_mm`: pixels of the frame per millimetre of the target. `tilt_x_deg` is positive where the target's right end
    (in the frame) is farther away, `tilt_y_deg` where its lower end is; NaN where they are not known.
    """

    px_per_mm: float
    tilt_x_deg: float
    tilt_x_stderr_deg: float
    tilt_y_deg: float
    tilt_y_stderr_deg: float
    sheets: int
    frames: int

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return asdict(self)

    def magnification(self, pitch_um: float | None) -> float:
        """Return picture size over target size, 0 where the pixel pitch is unknown."""
        return 0.0 if pitch_um is None else self.px_per_mm * pitch_um / 1000.0


def target_seen(frames: Sequence[Sequence[Mapping[str, Any]]]) -> TargetSeen | None:
    """Return the mean of what the sheets of each frame tell (`SheetSeen.as_dict()`), None where no frame shows any.

    The tilt is that of one wall: the mean of the sheets. Its standard error is the larger of what the sheets state and
    what they scatter. Frames of one sheet err alike (the camera stands still), so that more of them make it no smaller.
    """
    seen = [sheet for sheets in frames for sheet in sheets if (sheet.get("px_per_mm") or 0.0) > 0]
    if not seen:
        return None
    tilt_x, error_x = _mean(seen, "tilt_x")
    tilt_y, error_y = _mean(seen, "tilt_y")
    return TargetSeen(
        px_per_mm=float(np.median([sheet["px_per_mm"] for sheet in seen])),
        tilt_x_deg=tilt_x,
        tilt_x_stderr_deg=error_x,
        tilt_y_deg=tilt_y,
        tilt_y_stderr_deg=error_y,
        sheets=len({sheet.get("sheet") for sheet in seen}),
        frames=sum(1 for sheets in frames if sheets),
    )


def _mean(seen: Sequence[Mapping[str, Any]], name: str) -> tuple[float, float]:
    """Return (mean, standard error) over the sheets, each the mean of its frames; NaN where no sheet tells."""
    by_sheet: dict[tuple[Any, Any], list[tuple[float, float]]] = defaultdict(list)
    for sheet in seen:
        value, error = sheet.get(f"{name}_deg"), sheet.get(f"{name}_stderr_deg")
        if value is not None and error is not None and math.isfinite(value) and math.isfinite(error):
            by_sheet[sheet.get("sheet"), sheet.get("copy")].append((float(value), float(error)))
    if not by_sheet:
        return math.nan, math.nan
    values, errors = np.array([np.mean(own, axis=0) for own in by_sheet.values()]).T
    stated = math.sqrt(float(np.sum(errors**2))) / values.size
    scatter = float(values.std(ddof=1)) / math.sqrt(values.size) if values.size > 1 else 0.0
    return float(values.mean()), max(stated, scatter)
