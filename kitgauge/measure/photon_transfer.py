"""Temporal noise of a pair of flats of one setting: the variance that photon transfer turns into a gain.

For flats A, B with levels S_A = r S_B above black, gain g [e-/DN] and read noise sigma_d [DN] (EMVA 1288
Release 4 Linear: sigma_y^2 = sigma_d^2 K^2 + sigma_q^2 + K (mu_y - mu_y.dark), K = 1/g, applied to a weighted
difference):

    var(A - r B) = (S_A + r^2 S_B) / g + (1 + r^2) sigma_d^2 = (1 + r) S_A / g + (1 + r^2) sigma_d^2

Only that difference is free of fixed pattern. The plain difference A - B also measures how the light drifted
over an unevenly lit card, and is wrong by percents at a drift of 1 to 2 %.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.errors import MeasurementError
from kitgauge.measure.code_histogram import clipped_share, code_counts, missing_code_share
from kitgauge.measure.difference_noise import DifferenceNoise, difference_noise, pooled_variance
from kitgauge.measure.tiles import TileGrid, level_step, smooth_ratio, tile_grid, tile_levels

# Thresholds of the flags: common practice, no source.
CLIPPED_SHARE = 1e-3
TOO_DARK_SHARE = 0.01  # of the range from black to white
LIGHT_CHANGED = 0.1  # |r - 1|
MOVED_LIGHT = 0.005  # what the smooth ratio leaves over, as a share of the level
UNEVEN_LIGHT = 4.0  # two stops between the brightest and the darkest twentieth of the frame
FLICKER = 1e-3  # standard deviation of smooth bands as a share of the level
TEXTURE = 0.02  # standard deviation of structure as a share of the level
CORRELATED = 0.03
MISSING_CODES = 0.02


@dataclass(frozen=True)
class FlatPair:
    """What two flats of one setting tell of one colour plane. Unknown is NaN.

    `shot_dn` is the mean of S_A + r^2 S_B and `dark_weight` the mean of 1 + r^2 over the samples used, so
    that E[variance_dn2] = shot_dn / gain + dark_weight * (variance of a dark sample), whatever the shading.
    """

    signal_dn: float  # mean of A above black [DN], tiles used
    ratio: float  # mean level of A over B
    ratio_low: float  # least and greatest smooth ratio over the frame
    ratio_high: float
    shot_dn: float
    dark_weight: float
    variance_dn2: float  # white temporal variance of A - r B [DN^2], quantisation still in it
    variance_stderr_dn2: float
    degrees_of_freedom: float
    samples: int
    tiles: int
    tiles_used: int
    outlier_share: float
    row_noise_dn: float  # standard deviation of rows' and columns' own noise in one frame [DN], white light assumed
    column_noise_dn: float
    correlation_along_row: float  # of neighbouring samples of the plane, in the difference
    correlation_along_column: float
    correlation_stderr: float
    prnu: float  # photo-response non-uniformity: standard deviation between neighbours, as a share of the level
    texture: float  # structure eight samples apart, 90th percentile of tiles, as a share of the level
    flicker: float  # standard deviation of smooth bands as a share of the level
    falloff: float  # 95th over 5th percentile of tile levels
    clipped_share: float
    missing_code_share: float
    black_dn: float
    white_dn: float
    flags: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {**asdict(self), "flags": list(self.flags)}

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> FlatPair:
        """Return the pair that `as_dict` wrote; None (JSON's null) becomes NaN."""
        return cls(**restored(values))


def restored(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values of a cached record with null as NaN and flags as a tuple."""
    return {
        key: tuple(value) if key == "flags" else math.nan if value is None else value for key, value in values.items()
    }


def measure_flat_pair(a: NDArray[np.uint16], b: NDArray[np.uint16], black_dn: float, white_dn: float) -> FlatPair:
    """Return the temporal noise of two flats of the same setting.

    Parameters
    ----------
    a, b : (row, column) samples [DN] of one colour plane, black still in them, 16 x 16 samples or more
    black_dn, white_dn : black and white level [DN] of the plane

    The standard error of the variance is sqrt(2 / degrees of freedom) of it (Gaussian noise; summed over
    tiles, so that shading is accounted for), widened if tiles scatter more than that. Samples off by more
    than 5 standard deviations are left out: 1.5e-5 of a Gaussian's variance, not corrected for.

    Raises MeasurementError if the shapes differ, the plane is too small or white is not above black.
    """
    check_pair(a, b)
    if not white_dn > black_dn:
        raise MeasurementError(
            "the white level is not above black",
            got=f"black {black_dn:g}, white {white_dn:g}",
            needed="white above black",
            fix="check the file's black and white level",
        )
    grid = tile_grid((a.shape[0], a.shape[1]))
    step = level_step((a.shape[0], a.shape[1]))
    level_a = tile_levels(a, grid, step) - black_dn
    level_b = tile_levels(b, grid, step) - black_dn
    lowest = min(float(np.median(level_a)), float(np.median(level_b)))
    dark = lowest < TOO_DARK_SHARE * (white_dn - black_dn)
    # levels at or below black give no ratio: the plain difference is then all there is, and the flag says so
    if dark or float(min(level_a.min(), level_b.min())) <= 0:
        ratio, ratio_mean = np.ones(grid.shape), 1.0
    else:
        ratio, ratio_mean = smooth_ratio(level_a, level_b), float(level_a.sum() / level_b.sum())
    noise = difference_noise(a, b, grid, ratio, black_dn, level_a + black_dn)
    exposure = level_a + ratio**2 * level_b
    variance, stderr, freedom, use = pooled_variance(noise, exposure)
    weight = noise.degrees_of_freedom * use / freedom
    signal = float((weight * level_a).sum())
    scale = signal if signal > 0 else math.nan
    in_one_frame = 1.0 / (1.0 + ratio_mean**2)
    counts = code_counts(a)
    pair = FlatPair(
        signal_dn=signal,
        ratio=ratio_mean,
        ratio_low=float(ratio.min()),
        ratio_high=float(ratio.max()),
        shot_dn=float((weight * exposure).sum()),
        dark_weight=float((weight * (1.0 + ratio**2)).sum()),
        variance_dn2=variance,
        variance_stderr_dn2=stderr,
        degrees_of_freedom=freedom,
        samples=noise.samples,
        tiles=use.size,
        tiles_used=int(np.count_nonzero(use)),
        outlier_share=noise.outliers / noise.samples,
        row_noise_dn=math.sqrt(max(_white_rows(noise), 0.0) * in_one_frame),
        column_noise_dn=math.sqrt(max(noise.column_variance, 0.0) * in_one_frame),
        correlation_along_row=noise.correlation_along_row,
        correlation_along_column=noise.correlation_along_column,
        correlation_stderr=noise.correlation_stderr,
        prnu=math.sqrt(max(noise.fixed_variance, 0.0)) / scale,
        texture=float(np.percentile(noise.texture, 90)) / scale,
        flicker=_flicker(noise, grid) / scale,
        falloff=_falloff(level_a),
        clipped_share=max(clipped_share(counts, white_dn), clipped_share(code_counts(b), white_dn)),
        missing_code_share=missing_code_share(counts),
        black_dn=float(black_dn),
        white_dn=float(white_dn),
        flags=(),
    )
    return replace(pair, flags=_flags(pair, dark, _moved(noise, level_a)))


def _flags(pair: FlatPair, dark: bool, moved: float) -> tuple[str, ...]:
    correlation = max(abs(pair.correlation_along_row), abs(pair.correlation_along_column))
    raised = {
        "clipped": pair.clipped_share > CLIPPED_SHARE,
        "too-dark": dark,
        "light-changed": abs(pair.ratio - 1.0) > LIGHT_CHANGED or moved > MOVED_LIGHT,
        "uneven-light": pair.falloff > UNEVEN_LIGHT,
        "flicker": pair.flicker > FLICKER,
        "textured": pair.texture > TEXTURE or pair.tiles_used < 0.75 * pair.tiles,
        "correlated-noise": correlation > max(CORRELATED, 5.0 * pair.correlation_stderr),
        "missing-codes": pair.missing_code_share > MISSING_CODES,
    }
    return tuple(name for name, up in raised.items() if up)


def check_pair(a: NDArray[np.uint16], b: NDArray[np.uint16]) -> None:
    """Raise MeasurementError unless `a` and `b` are 2-D samples of one shape."""
    if a.shape != b.shape or a.ndim != 2:
        raise MeasurementError(
            "the two frames of a pair differ in size",
            got=f"{' x '.join(map(str, a.shape))} and {' x '.join(map(str, b.shape))}",
            needed="two planes of the same rows and columns",
            fix="pair frames of one image size",
        )


def _white_rows(noise: DifferenceNoise) -> float:
    """Return the variance of row offsets that do not go on from row to row [DN^2], white pixel noise taken
    off."""
    steps = np.diff(noise.row_means)
    smooth = float(noise.row_means.var(ddof=1)) - 0.5 * float((steps**2).mean())
    return noise.row_variance - max(smooth, 0.0)


def _flicker(noise: DifferenceNoise, grid: TileGrid) -> float:
    """Return the standard deviation of smooth bands along the rows [DN], 0 where not significant.

    Steps between neighbouring rows hold twice the variance of independent row offsets and next to none of a
    smooth band (von Neumann's mean square successive difference; from memory). Significant: above 5 standard
    errors.
    """
    rows = int(grid.rows[-1])
    steps = np.diff(noise.row_means)
    independent = 0.5 * float((steps**2).mean())
    smooth = float(noise.row_means.var(ddof=1)) - independent
    return math.sqrt(smooth) if smooth > 5.0 * independent * math.sqrt(2.0 / rows) else 0.0


def _moved(noise: DifferenceNoise, level: NDArray[np.float64]) -> float:
    """Return the standard deviation of what light the smooth ratio left in the tiles, as a share of the
    level.

    From the 90th percentile of tiles, 1.645 standard deviations of a Gaussian, as a shadow moves in a part of
    the frame only; 0 where it is not twice what the noise of tile means makes of it.
    """
    share = float(np.percentile(np.abs(noise.tile_means) / np.maximum(level, 1e-9), 90)) / 1.645
    chance = noise.variance / (noise.degrees_of_freedom * np.maximum(level, 1e-9) ** 2)
    expected = float(np.median(chance))
    return math.sqrt(share**2 - expected) if share**2 > 4.0 * expected else 0.0


def _falloff(level: NDArray[np.float64]) -> float:
    low, high = np.percentile(level, (5, 95))
    return float(high / low) if low > 0 else math.nan
