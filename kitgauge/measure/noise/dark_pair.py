"""Temporal noise and level of a pair of dark frames, one colour plane at a time.

Source: EMVA 1288 Release 4 Linear, dark noise from a pair of dark frames; the variance of one frame is half
that of the difference. A frame less the mean of m frames before it has the variance 1 + 1/m of one frame.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.noise.code_histogram import (
    code_counts,
    dark_gap_share,
    flattened_share,
    lowest_code_share,
    on_whole_steps,
)
from kitgauge.measure.noise.dark_subtraction import tail_counts
from kitgauge.measure.noise.difference_noise import DifferenceNoise, difference_noise, pooled_variance
from kitgauge.measure.noise.frame_traps import frame_traps
from kitgauge.measure.noise.gain_change import dark_gain_changed
from kitgauge.measure.noise.neighbour_filter import STRUCTURED, fixed_structure
from kitgauge.measure.noise.photon_transfer import CORRELATED, check_pair, fixed_pattern, profile_error, restored
from kitgauge.measure.noise.rounding import NARROW_DN2, QUANTISATION_DN2, narrow_noise, rounding_excess_dn2
from kitgauge.measure.noise.tiles import level_step, tile_grid, tile_levels

# Thresholds of the flags: common practice, no source.
LIGHT_LEAK_SIGMAS = 3.0  # above black, or from one part of the frame to another, in read noises ...
LIGHT_LEAK_DN = 4.0  # ... and never less than this
_STRAY_SHARE = 2e-4  # dead samples below the lowest code
_NEAR_CODES, _FEW_SAMPLES = 4, 5
_MOST_CODES = 60  # on either side of the middle
_PADDED_STEP = 3  # from which on codes are padded, or an ISO pushed so far that few are left
UNCERTAIN = 0.25  # relative error from which on a read noise behind rounding is not worth stating


@dataclass(frozen=True, slots=True)
class DarkPair:
    """What two dark frames of one setting tell of one colour plane. Unknown is NaN.

    With `clipped-black` among the flags, level and variance are those of a cut-off distribution: not of the
    sensor. With `narrow` noise (less than about 0.6 DN), level, variance and non-uniformity are those behind the
    rounding (`measure.rounding`); 1/12 DN^2 has been added to the variance, so that it means what it always means.
    """

    mean_dn: float  # level, hot samples left out
    variance_dn2: float  # white temporal variance of one frame [DN^2], quantisation still in it
    variance_stderr_dn2: float
    degrees_of_freedom: float
    samples: int
    correlation_along_row: float
    correlation_along_column: float
    dsnu_dn: float  # dark-signal non-uniformity, standard deviation neighbour to neighbour [DN]
    lowest_code_share: float  # samples piled on the lowest code
    unevenness_dn: float  # 99th less 1st percentile of tile levels
    flags: tuple[str, ...]
    reference_frames: int = 1  # frames whose mean the second is
    row_variance_dn2: float = math.nan  # rows' and columns' own variance in one frame [DN^2], below 0 by chance
    row_variance_stderr_dn2: float = math.nan
    column_variance_dn2: float = math.nan
    column_variance_stderr_dn2: float = math.nan
    dsnu_variance_stderr_dn2: float = math.nan  # of the square of `dsnu_dn`
    narrow: bool = False
    level_change_dn: float = math.nan  # mean of the first above that of the second
    missing_code_share: float = math.nan  # codes that never occur in the middle of the histogram
    cold_samples: int = 0  # samples of the first far below and above its middle (`measure.dark_subtraction`)
    hot_samples: int = 0
    # as the file's codes show them, with nothing done about rounding: temporal and fixed variance, and how often the
    # codes around the middle of the first frame occur (none where noise is wide)
    rounded_variance_dn2: float = math.nan
    rounded_variance_stderr_dn2: float = math.nan
    rounded_fixed_dn2: float = math.nan
    first_code: int = 0
    codes: tuple[int, ...] = ()

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


def measure_dark_pair(
    a: NDArray[np.uint16], b: NDArray[np.uint16] | NDArray[np.float32], *, reference_frames: int = 1
) -> DarkPair:
    """Return temporal noise and level of two dark frames of the same setting.

    a, b : (row, column) samples [DN] of one colour plane; b may be the mean of `reference_frames` frames (float32).
    `light-leak` is raised for a level that is not the same all over the frame; light spread evenly is seen only
    against a known black (`measure.black_level`).

    Standard error of the variance as in `measure_flat_pair`. Raises MeasurementError if the shapes differ or
    the plane is too small.
    """
    check_pair(a, b)
    grid = tile_grid((a.shape[0], a.shape[1]))
    step = level_step((a.shape[0], a.shape[1]))
    share = 1.0 / reference_frames
    in_one_frame = 1.0 / (1.0 + share)
    level_a, level_b = tile_levels(a, grid, step), tile_levels(b, grid, step)
    levels = (level_a + reference_frames * level_b) / (1 + reference_frames)
    area = grid.heights()[:, None] * grid.widths()[None, :]
    mean = float((levels * area).sum() / area.sum())
    counts = code_counts(a)
    piled = _cut_off_share(counts)
    if b.dtype == np.uint16:  # the frames of a mean have been looked at before
        piled = max(piled, _cut_off_share(code_counts(cast("NDArray[np.uint16]", b))))
    noise = difference_noise(a, b, grid, np.ones(grid.shape), 0.0, levels)
    variance, stderr, freedom, _ = pooled_variance(noise, np.zeros(grid.shape))
    variance, stderr = in_one_frame * variance, in_one_frame * stderr
    fixed, fixed_stderr = fixed_pattern(noise, variance / in_one_frame)
    row_variance, column_variance = in_one_frame * noise.row_variance, in_one_frame * noise.column_variance
    uneven = float(np.subtract(*np.percentile(levels, (99, 1))))
    other_gain = dark_gain_changed(a, b, variance / in_one_frame, reference_frames)
    as_rounded = (variance, stderr, max(fixed, 0.0))
    # a narrow distribution has most of its samples on one or two codes; cameras cut off at 0
    if variance >= NARROW_DN2:
        variance -= rounding_excess_dn2(variance - QUANTISATION_DN2, max(fixed, 0.0), mean)
    narrow = 0.0 < variance < NARROW_DN2 and not (piled > 0 and counts[0] > 0)
    # so does one of padded or multiplied codes
    code_step = on_whole_steps(counts)[1]
    few_codes = 0.0 < variance < NARROW_DN2 * code_step**2
    if few_codes and counts[0] == 0:
        piled = 0.0
    if narrow:
        piled = 0.0
        seen = narrow_noise(a, b, reference_frames)
        # what rows and columns do is seen through the rounding as well
        offsets = max(row_variance, 0.0) + max(column_variance, 0.0)
        behind = seen.sigma_dn**2 - offsets / seen.slope**2
        mean, fixed, fixed_stderr = seen.mean_dn, seen.fixed_dn2, seen.fixed_stderr_dn2
        variance, stderr = behind + QUANTISATION_DN2, 2.0 * seen.sigma_dn * seen.sigma_stderr_dn
        freedom = 2.0 * (variance / stderr) ** 2
    change = float(((level_a - level_b) * area).sum() / area.sum())
    cold, hot = tail_counts(a)
    correlated = variance > 0 and not narrow and _correlated(noise)
    sigma = math.sqrt(max(variance, 0.0))
    structured = correlated or fixed_structure(a, b, sigma) > STRUCTURED
    traps = frame_traps(a, counts, sigma, textured=structured)
    cut_off = piled > 0 or flattened_share(counts) > 0
    flags = {
        "clipped-black": cut_off and not (variance == 0 and counts[0] == 0),
        "light-leak": uneven > level_tolerance(variance),
        "iso-changed": other_gain and not narrow and not cut_off,
        "correlated-noise": correlated,
        "lossy-raw": "lossy-raw" in traps.flags and not cut_off,
        "neighbour-filtered": "neighbour-filtered" in traps.flags and not cut_off,
        "rounding-dominates": (narrow and not stderr < 2.0 * UNCERTAIN * (variance - QUANTISATION_DN2))
        or (few_codes and code_step >= _PADDED_STEP)
        or (variance == 0 and counts[0] == 0),
    }
    return DarkPair(
        mean_dn=mean,
        variance_dn2=variance,
        variance_stderr_dn2=stderr,
        degrees_of_freedom=freedom,
        samples=noise.samples,
        correlation_along_row=noise.correlation_along_row,
        correlation_along_column=noise.correlation_along_column,
        dsnu_dn=math.sqrt(max(fixed, 0.0)),
        lowest_code_share=piled,
        unevenness_dn=uneven,
        flags=tuple(name for name, up in flags.items() if up),
        reference_frames=reference_frames,
        row_variance_dn2=row_variance,
        row_variance_stderr_dn2=profile_error(row_variance, variance, a.shape[0], a.shape[1]),
        column_variance_dn2=column_variance,
        column_variance_stderr_dn2=profile_error(column_variance, variance, a.shape[1], a.shape[0]),
        dsnu_variance_stderr_dn2=fixed_stderr,
        narrow=narrow,
        level_change_dn=change,
        missing_code_share=dark_gap_share(counts),
        cold_samples=cold,
        hot_samples=hot,
        rounded_variance_dn2=as_rounded[0],
        rounded_variance_stderr_dn2=as_rounded[1],
        rounded_fixed_dn2=as_rounded[2],
        **_middle_codes(counts, as_rounded[0] + as_rounded[2]),
    )


def _middle_codes(counts: NDArray[np.int64], variance_dn2: float) -> dict[str, Any]:
    """Return `first_code` and `codes` of a pair: five standard deviations of noise, nothing of wide noise."""
    reach = math.ceil(5.0 * math.sqrt(max(variance_dn2, 0.0))) + 2
    if reach > _MOST_CODES:
        return {}
    first = max(int(np.searchsorted(np.cumsum(counts), 0.5 * counts.sum())) - reach, 0)
    return {"first_code": first, "codes": tuple(counts[first : first + 2 * reach + 1].tolist())}


def _cut_off_share(counts: NDArray[np.int64]) -> float:
    """Return the share of samples piled on the lowest code, 0 where the distribution goes on right below it: codes
    that were scaled digitally stand out without being the last."""
    counts, _ = on_whole_steps(counts)
    share = lowest_code_share(counts)
    lowest = int(np.searchsorted(np.cumsum(counts), _STRAY_SHARE * counts.sum(), side="right"))
    goes_on = int(counts[max(0, lowest - _NEAR_CODES) : lowest].sum()) >= _FEW_SAMPLES
    return 0.0 if goes_on else share


def _correlated(noise: DifferenceNoise) -> bool:
    correlation = max(abs(noise.correlation_along_row), abs(noise.correlation_along_column))
    return correlation > max(CORRELATED, 5.0 * noise.correlation_stderr)
