"""Where a flat stops: the level at which a converter or a full well cuts it off.

Histograms are counts (code,) of the samples of one plane, code 0 first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_STRAY_SHARE = 2e-4  # hot samples and dead columns beyond the pile


def pile_level(counts: NDArray[np.int64]) -> float:
    """Return the code [DN] on which the samples of a clipped flat pile up; NaN where they do not.

    The most frequent code among the highest, stray samples beyond it passed over: it holds at least three times
    what the ten codes below it hold on average, and one sample in a thousand.
    """
    total = float(counts.sum())
    if total == 0:
        return math.nan
    beyond = np.cumsum(counts[::-1])[::-1]  # samples at or above each code
    top = int(np.flatnonzero(beyond > _STRAY_SHARE * total).max())
    near = counts[max(0, top - 2) : top + 1]
    code = max(0, top - 2) + int(np.argmax(near))
    below = counts[max(0, code - 12) : max(0, code - 2)]
    piled = float(counts[code]) >= max(1e-3 * total, 3.0 * (float(below.mean()) if below.size else 0.0))
    return float(code) if piled else math.nan


@dataclass(frozen=True)
class Saturation:
    """Level at which a channel stops [DN], black in it; `source` is "flats" or "file"."""

    level_dn: float
    stderr_dn: float
    source: str


def saturation_level(piled_dn: Sequence[float], full_well_dn: float, white_dn: Sequence[float]) -> Saturation:
    """Return where a channel of several planes stops.

    piled_dn : per plane the code on which flats pile up, NaN where none does; full_well_dn : level at which flats stop
    varying, NaN where none does; white_dn : per plane as the file states it. A pile tells the converter's last code to
    a code; a full well is below that, so the lower of the two counts. Without either the file's white holds, with an
    error of 0: what the file states has none to tell.
    """
    white = float(np.mean(white_dn))
    piled = [level for level in piled_dn if math.isfinite(level)]
    if not piled and math.isnan(full_well_dn):
        return Saturation(white, 0.0, "file")
    level = float(np.mean(piled)) if piled else math.inf
    if full_well_dn < level:
        # brightest parts of flats: a part of them may lie below the top by what noise there is; a thousandth
        return Saturation(full_well_dn, 1e-3 * full_well_dn, "flats")
    return Saturation(level, 1.0 / math.sqrt(12.0), "flats")
