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
from kitgauge.measure.tiles import TileGrid, broken_share, level_step, smooth_ratio, tile_grid, tile_levels

# Thresholds of the flags: common practice, no source.
CLIPPED_SHARE = 1e-3
TOO_DARK_SHARE = 0.01  # of the range from black to white
LIGHT_CHANGED = 0.1  # |r - 1|
MOVED_LIGHT = 0.005  # what the smooth ratio leaves over, as a share of the level
UNEVEN_LIGHT = 4.0  # two stops between the brightest and the darkest twentieth of the frame
FLICKER = 1e-3  # standard deviation of smooth bands as a share of the level
TEXTURE = 0.02  # standard deviation of structure as a share of the level, in a tenth of the tiles or more
EDGE = 0.05  # the same for an edge in a tile ...
EDGE_SHARE = 0.01  # ... and the share of tiles that may hold one
EDGE_TILES = 3  # ... and their number: dust
STEP_SHARE = 0.02  # of places between tiles where the level steps by more than `EDGE`
CORRELATED = 0.03
_UNRELATED_ROWS = 4  # noise reduction reaches less far
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
    low_frequency_power: float  # of the difference, relative to white noise of the same variance
    prnu: float  # photo-response non-uniformity: standard deviation between neighbours, as a share of the level
    texture: float  # structure eight samples apart, 90th percentile of tiles, as a share of the level
    edge_share: float  # tiles with structure above `EDGE`
    step_share: float  # places between tiles where the level steps by more than `EDGE`
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
    than 5 standard deviations are left out: 1.5e-5 of a Gaussian's variance, not corrected for. Bands of
    flickering light, where there are some, are taken into the ratio row by row.

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
    counts = code_counts(a)
    clipped = max(clipped_share(counts, white_dn), clipped_share(code_counts(b), white_dn))
    exposure, squared_ratio = level_a + ratio**2 * level_b, ratio**2
    if not dark and clipped <= CLIPPED_SHARE and _flicker(noise, grid) > FLICKER * float(level_a.mean()):
        bands = _Bands.of(noise, b, grid, ratio, black_dn)
        again = difference_noise(a, b, grid, ratio, black_dn, level_a + black_dn, bands.row_ratio)
        noise = replace(again, row_means=noise.row_means, row_variance=noise.row_variance)
        exposure = level_a + ratio**2 * level_b * bands.squared_of_light[:, None]
        squared_ratio = ratio**2 * bands.squared[:, None]
    variance, stderr, freedom, use = pooled_variance(noise, exposure)
    weight = noise.degrees_of_freedom * use / freedom
    signal = float((weight * level_a).sum())
    scale = signal if signal > 0 else math.nan
    in_one_frame = 1.0 / (1.0 + ratio_mean**2)
    edges = np.count_nonzero(noise.texture > EDGE * abs(signal))
    pair = FlatPair(
        signal_dn=signal,
        ratio=ratio_mean,
        ratio_low=float(ratio.min()),
        ratio_high=float(ratio.max()),
        shot_dn=float((weight * exposure).sum()),
        dark_weight=float((weight * (1.0 + squared_ratio)).sum()),
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
        low_frequency_power=noise.low_frequency_power,
        prnu=math.sqrt(max(noise.fixed_variance, 0.0)) / scale,
        texture=float(np.percentile(noise.texture, 90)) / scale,
        edge_share=edges / noise.texture.size if edges >= EDGE_TILES else 0.0,
        step_share=_step_share(level_a, noise, step),
        flicker=_flicker(noise, grid) / scale,
        falloff=_falloff(level_a),
        clipped_share=clipped,
        missing_code_share=missing_code_share(counts),
        black_dn=float(black_dn),
        white_dn=float(white_dn),
        flags=(),
    )
    return replace(pair, flags=_flags(pair, dark, _moved(noise, level_a)))


def _flags(pair: FlatPair, dark: bool, moved: float) -> tuple[str, ...]:
    correlation = max(abs(pair.correlation_along_row), abs(pair.correlation_along_column))
    clipped = pair.clipped_share > CLIPPED_SHARE
    raised = {
        "clipped": clipped,
        "too-dark": dark,
        "uneven-light": pair.falloff > UNEVEN_LIGHT,
        "missing-codes": pair.missing_code_share > MISSING_CODES,
        # clipping cuts light and noise off in places, which looks like each of these
        "correlated-noise": not clipped and correlation > max(CORRELATED, 5.0 * pair.correlation_stderr),
        "light-changed": not clipped and (abs(pair.ratio - 1.0) > LIGHT_CHANGED or moved > MOVED_LIGHT),
        "flicker": not clipped and pair.flicker > FLICKER,
        "textured": not clipped
        and (
            pair.texture > TEXTURE
            or pair.edge_share > EDGE_SHARE
            or pair.step_share > STEP_SHARE
            or pair.tiles_used < 0.75 * pair.tiles
        ),
    }
    return tuple(name for name, up in raised.items() if up)


@dataclass(frozen=True)
class _Bands:
    """Bands of flickering light: what the ratio is multiplied by in each row, and means of its square by row of
    tiles, plain and weighted with the light of the second frame."""

    row_ratio: NDArray[np.float64]
    squared: NDArray[np.float64]
    squared_of_light: NDArray[np.float64]

    @classmethod
    def of(
        cls,
        noise: DifferenceNoise,
        b: NDArray[np.uint16],
        grid: TileGrid,
        ratio: NDArray[np.float64],
        black_dn: float,
    ) -> _Bands:
        """Return the bands that the row means of A - r B show: (row mean of A) / (row mean of r B)."""
        heights = grid.heights()
        light = b.mean(axis=1) - black_dn
        expected = np.repeat(ratio.mean(axis=1), heights) * light
        row_ratio = np.where(expected > 0, 1.0 + noise.row_means / np.where(expected > 0, expected, 1.0), 1.0)

        def by_tile(values: NDArray[np.float64]) -> NDArray[np.float64]:
            return np.asarray(np.add.reduceat(values, grid.rows[:-1]))

        squared = row_ratio**2
        return cls(row_ratio, by_tile(squared) / heights, by_tile(squared * light) / by_tile(light))


def _step_share(level: NDArray[np.float64], noise: DifferenceNoise, row_step: int) -> float:
    """Return the share of places between tiles where the level steps by more than `EDGE`; bands do not count."""
    band = level.mean(axis=1, keepdims=True)
    if not band.min() > 0:
        return 0.0
    # A tile's mean is known to its noise and fixed pattern over the rows taken for it; half of 5 times the error of
    # a third difference (variances 1 + 9 + 9 + 1).
    variance = np.maximum(noise.variance, 0.0) + max(noise.fixed_variance, 0.0)
    error = np.sqrt(20.0 * variance * row_step / noise.degrees_of_freedom)
    return broken_share(level / band, np.maximum(EDGE * level, 2.5 * error) / band)


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
    errors. Where noise is correlated down the columns, neighbouring rows are not independent: rows further apart
    serve.
    """
    rows = int(grid.rows[-1])
    lag = _UNRELATED_ROWS if abs(noise.correlation_along_column) > CORRELATED else 1
    steps = noise.row_means[lag:] - noise.row_means[:-lag]
    independent = 0.5 * float((steps**2).mean())
    smooth = float(noise.row_means.var(ddof=1)) - independent
    return math.sqrt(smooth) if smooth > 5.0 * independent * math.sqrt(2.0 * lag / rows) else 0.0


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
