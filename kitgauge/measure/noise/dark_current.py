"""Level, noise and hot samples of two dark frames of one exposure time, one colour plane at a time.

Source: EMVA 1288 Release 4 Linear, section on dark current: level and temporal variance of dark frames rise in
proportion to the exposure time, both by the electrons that heat sets free.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.noise.dark_pair import DarkPair
from kitgauge.measure.noise.tiles import level_step, tile_grid, tile_levels

# A sample is a candidate for a hot one if in both frames it stands this many temporal standard deviations above its
# neighbourhood: by chance 1e-13 of all samples (Gaussian, 2.9e-7 squared).
CANDIDATE_SIGMAS = 5.0
MOST_LISTED = 1000
_NEIGHBOURHOOD = 5  # samples of the plane a side; its median is not moved by hot samples that lie apart


@dataclass(frozen=True)
class DarkExposure:
    """Two dark frames of one exposure time, one colour plane. Unknown is NaN.

    Levels leave out hot samples. `variance_dn2` is the white temporal variance of one frame, rounding included;
    `dsnu_dn` the standard deviation of the fixed pattern from neighbour to neighbour. `candidate_dn` and
    `candidate_samples` are how many samples stand by how much [whole DN] above their neighbourhood in both frames;
    `rows`, `columns`, `excess_dn` and `clipped` list the brightest of them, the brightest first, by their place in
    the plane.
    """

    level_a_dn: float
    level_b_dn: float
    level_stderr_dn: float  # of one frame's level, from its samples alone
    variance_dn2: float
    variance_stderr_dn2: float
    dsnu_dn: float
    samples: int
    candidate_dn: tuple[int, ...]
    candidate_samples: tuple[int, ...]
    rows: tuple[int, ...]
    columns: tuple[int, ...]
    excess_dn: tuple[float, ...]
    clipped: tuple[bool, ...]
    flags: tuple[str, ...]
    cold_samples: int = 0  # far below and above the middle of the first frame (`measure.dark_subtraction`)
    hot_samples: int = 0

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {name: list(value) if isinstance(value, tuple) else value for name, value in asdict(self).items()}

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> DarkExposure:
        """Return what `as_dict` wrote; None (JSON's null) becomes NaN."""
        plain: dict[str, Any] = {
            name: tuple(value) if isinstance(value, (list, array)) else math.nan if value is None else value
            for name, value in values.items()
        }
        return cls(**plain)


def measure_dark_exposure(
    a: NDArray[np.uint16], b: NDArray[np.uint16], pair: DarkPair, white_dn: float
) -> DarkExposure:
    """Return what two dark frames of one exposure time tell of one colour plane.

    a, b : (row, column) samples [DN], black not subtracted, of the same shape; `pair` is what `measure_dark_pair` says
    of them, with their flags; `white_dn` is where they clip.
    """
    grid = tile_grid((a.shape[0], a.shape[1]))
    step = level_step((a.shape[0], a.shape[1]))
    area = grid.heights()[:, None] * grid.widths()[None, :]
    level_a, level_b = (float((tile_levels(plane, grid, step) * area).sum() / area.sum()) for plane in (a, b))
    if pair.narrow:  # whole codes pull the mean of narrow noise towards them; the pair's level is behind that
        shift = pair.mean_dn - 0.5 * (level_a + level_b)
        level_a, level_b = level_a + shift, level_b + shift
    spread = math.sqrt(max(pair.variance_dn2, 0.0))
    # `tile_levels` looks at every `step`-th row; the fixed pattern is the same at every time and moves no slope
    stderr = math.sqrt(max(pair.variance_dn2, 0.0) * step / a.size)
    rows, columns, excess = _candidates(a, b, max(CANDIDATE_SIGMAS * spread, 1.0), 0.5 * (level_a + level_b))
    codes, counts = np.unique(np.floor(excess).astype(np.int64), return_counts=True)
    brightest = np.argsort(-excess, kind="stable")[:MOST_LISTED]
    rows, columns = rows[brightest], columns[brightest]
    clipped = np.maximum(a[rows, columns], b[rows, columns]) >= white_dn
    return DarkExposure(
        level_a_dn=level_a,
        level_b_dn=level_b,
        level_stderr_dn=stderr,
        variance_dn2=pair.variance_dn2,
        variance_stderr_dn2=pair.variance_stderr_dn2,
        dsnu_dn=pair.dsnu_dn,
        samples=int(a.size),
        candidate_dn=tuple(codes.tolist()),
        candidate_samples=tuple(counts.tolist()),
        rows=tuple(rows.tolist()),
        columns=tuple(columns.tolist()),
        excess_dn=tuple(excess[brightest].tolist()),
        clipped=tuple(clipped.tolist()),
        flags=pair.flags,
        cold_samples=pair.cold_samples,
        hot_samples=pair.hot_samples,
    )


def _candidates(
    a: NDArray[np.uint16], b: NDArray[np.uint16], cut_dn: float, level_dn: float
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64]]:
    """Return rows, columns and mean excess [DN] of the samples that stand `cut_dn` above their neighbours in both.

    The fainter of the two frames decides: what a cosmic particle or read noise lights up once does not count.
    """
    fainter = np.ascontiguousarray(np.minimum(a, b))
    around = cv2.medianBlur(fainter, _NEIGHBOURHOOD)
    rows, columns = np.nonzero(fainter > around + np.float32(cut_dn))
    # the fainter of two lies below the mean of both everywhere; the neighbourhood is brought up to that mean
    lift = level_dn - float(np.mean(around))
    both = 0.5 * (a[rows, columns].astype(np.float64) + b[rows, columns])
    return rows, columns, both - (around[rows, columns] + lift)
