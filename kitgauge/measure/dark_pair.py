"""Temporal noise and level of a pair of dark frames, one colour plane at a time.

Source: EMVA 1288 Release 4 Linear, dark noise from a pair of dark frames; the variance of one frame is half
that of the difference.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.code_histogram import code_counts, lowest_code_share
from kitgauge.measure.difference_noise import difference_noise, pooled_variance
from kitgauge.measure.photon_transfer import CORRELATED, check_pair, restored
from kitgauge.measure.tiles import level_step, tile_grid, tile_levels

# Thresholds of the flags: common practice, no source.
LIGHT_LEAK_SIGMAS = 3.0  # above black, or from one part of the frame to another, in read noises ...
LIGHT_LEAK_DN = 4.0  # ... and never less than this


@dataclass(frozen=True)
class DarkPair:
    """What two dark frames of one setting tell of one colour plane. Unknown is NaN.

    With `clipped-black` among the flags, level and variance are those of a cut-off distribution: not of the
    sensor.
    """

    mean_dn: float  # level, hot samples left out
    variance_dn2: float  # white temporal variance of one frame [DN^2], quantisation still in it
    variance_stderr_dn2: float
    degrees_of_freedom: float
    samples: int
    outlier_share: float
    row_noise_dn: float  # standard deviation of rows' and columns' own noise in one frame [DN]
    column_noise_dn: float
    correlation_along_row: float
    correlation_along_column: float
    dsnu_dn: float  # dark-signal non-uniformity, standard deviation neighbour to neighbour [DN]
    lowest_code_share: float  # samples piled on the lowest code
    unevenness_dn: float  # 99th less 1st percentile of tile levels
    flags: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {**asdict(self), "flags": list(self.flags)}

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> DarkPair:
        """Return the pair that `as_dict` wrote; None (JSON's null) becomes NaN."""
        return cls(**restored(values))


def level_tolerance(variance_dn2: float) -> float:
    """Return by how much [DN] levels of dark frames with this variance may differ before light is suspected."""
    return max(LIGHT_LEAK_DN, LIGHT_LEAK_SIGMAS * math.sqrt(max(variance_dn2, 0.0)))


def measure_dark_pair(a: NDArray[np.uint16], b: NDArray[np.uint16]) -> DarkPair:
    """Return temporal noise and level of two dark frames of the same setting.

    a, b : (row, column) samples [DN] of one colour plane. `light-leak` is raised for a level that is not the same
    all over the frame; light spread evenly is seen only against a known black (`measure.black_level`).

    Standard error of the variance as in `measure_flat_pair`. Raises MeasurementError if the shapes differ or
    the plane is too small.
    """
    check_pair(a, b)
    grid = tile_grid((a.shape[0], a.shape[1]))
    step = level_step((a.shape[0], a.shape[1]))
    levels = 0.5 * (tile_levels(a, grid, step) + tile_levels(b, grid, step))
    area = grid.heights()[:, None] * grid.widths()[None, :]
    mean = float((levels * area).sum() / area.sum())
    piled = max(lowest_code_share(code_counts(a)), lowest_code_share(code_counts(b)))
    noise = difference_noise(a, b, grid, np.ones(grid.shape), 0.0, levels)
    variance, stderr, freedom, _ = pooled_variance(noise, np.zeros(grid.shape))
    sigma = math.sqrt(0.5 * variance)
    uneven = float(np.subtract(*np.percentile(levels, (99, 1))))
    flags: list[str] = []
    if piled > 0:
        flags.append("clipped-black")
    if uneven > level_tolerance(0.5 * variance):
        flags.append("light-leak")
    correlation = max(abs(noise.correlation_along_row), abs(noise.correlation_along_column))
    if sigma > 0 and correlation > max(CORRELATED, 5.0 * noise.correlation_stderr):
        flags.append("correlated-noise")
    return DarkPair(
        mean_dn=mean,
        variance_dn2=0.5 * variance,
        variance_stderr_dn2=0.5 * stderr,
        degrees_of_freedom=freedom,
        samples=noise.samples,
        outlier_share=noise.outliers / noise.samples,
        row_noise_dn=math.sqrt(max(0.5 * noise.row_variance, 0.0)),
        column_noise_dn=math.sqrt(max(0.5 * noise.column_variance, 0.0)),
        correlation_along_row=noise.correlation_along_row,
        correlation_along_column=noise.correlation_along_column,
        dsnu_dn=math.sqrt(max(noise.fixed_variance, 0.0)),
        lowest_code_share=piled,
        unevenness_dn=uneven,
        flags=tuple(flags),
    )
