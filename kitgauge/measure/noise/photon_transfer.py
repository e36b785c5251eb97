"""Temporal noise of a pair of flats of one setting: the variance that photon transfer turns into a gain.

For flats A, B with levels S_A = r S_B above black, gain g [e-/DN] and read noise sigma_d [DN] (EMVA 1288
Release 4 Linear: sigma_y^2 = sigma_d^2 K^2 + sigma_q^2 + K (mu_y - mu_y.dark), K = 1/g, applied to a weighted
difference):

    var(A - r B) = (S_A + r^2 S_B) / g + (1 + r^2) sigma_d^2 = (1 + r) S_A / g + (1 + r^2) sigma_d^2

Only that difference is free of fixed pattern. The plain difference A - B also measures how the light drifted
over an unevenly lit card, and is wrong by percents at a drift of 1 to 2 %.

More than two frames of one setting: each further frame is set against the mean M of the m before it (Helmert
contrasts; standard, no source). n frames make n - 1 differences that have nothing in common, so that all that n
frames know of the variance is used:

    var(A - r M) = (S_A + r^2 S_M / m) / g + (1 + r^2 / m) sigma_d^2
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal, cast

import numpy as np
from numpy.typing import NDArray

from kitgauge.errors import MeasurementError
from kitgauge.measure.noise.code_histogram import clipped_share, code_counts, missing_code_share
from kitgauge.measure.noise.difference_noise import DifferenceNoise, bands_looked_at, difference_noise, pooled_variance
from kitgauge.measure.noise.dust import dust_tiles
from kitgauge.measure.noise.flat_traps import EXPLAINED_BY_CORRELATION, MOVED_CORRELATION, FlatTraps, flat_traps
from kitgauge.measure.noise.flicker import CORRELATED as CORRELATED
from kitgauge.measure.noise.flicker import Bands, flicker_dn, white_row_variance
from kitgauge.measure.noise.full_well_tiles import full_well_in_tiles
from kitgauge.measure.noise.saturation import pile_level
from kitgauge.measure.noise.tiles import TileGrid, broken_share, level_step, smooth_ratio, tile_grid, tile_levels

# Thresholds of the flags: common practice, no source.
CLIPPED_SHARE = 1e-3
TOO_DARK_SHARE = 0.01  # of the range from black to white
LIGHT_CHANGED = 0.1  # |r - 1|
MOVED_LIGHT = 0.005  # what the smooth ratio leaves over, as a share of the level
UNEVEN_LIGHT = 4.0  # two stops between the brightest and the darkest twentieth of the frame
FLICKER = 1e-3  # standard deviation of smooth bands as a share of the level
TEXTURE = 0.02  # standard deviation of structure as a share of the level, in a tenth of the tiles or more ...
TEXTURE_EVERYWHERE = 0.006  # ... and in a third of them, where it cannot be dust
EDGE = 0.05  # the same for an edge in a tile ...
EDGE_SHARE = 0.01  # ... and the share of tiles that may hold one
EDGE_TILES = 3  # ... and their number: dust
STEP_SHARE = 0.02  # of places between tiles where the level steps by more than `EDGE`


@dataclass(frozen=True, slots=True)
class FlatPair:
    """What two flats of one setting tell of one colour plane. Unknown is NaN.

    B is one frame or the mean of m = `reference_frames`. `shot_dn` is the mean of S_A + r^2 S_B / m and
    `dark_weight` the mean of 1 + r^2 / m over the samples used, so that E[variance_dn2] = shot_dn / gain +
    dark_weight * (variance of a dark sample), whatever the shading.
    """

    signal_dn: float  # mean of A above black [DN], tiles used
    ratio: float  # mean level of A over B
    shot_dn: float
    dark_weight: float
    variance_dn2: float  # white temporal variance of A - r B [DN^2], quantisation still in it
    variance_stderr_dn2: float
    degrees_of_freedom: float
    samples: int
    tiles: int
    tiles_used: int
    correlation_along_row: float  # of neighbouring samples of the plane, in the difference
    correlation_along_column: float
    correlation_stderr: float
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
    reference_frames: int = 1  # frames whose mean B is
    row_variance_dn2: float = math.nan  # rows' and columns' own variance in one frame [DN^2], below 0 by chance
    row_variance_stderr_dn2: float = math.nan
    column_variance_dn2: float = math.nan
    column_variance_stderr_dn2: float = math.nan
    prnu_variance_stderr: float = math.nan  # of the square of `prnu`
    top_dn: float = math.nan  # level of the brightest part of A above black [DN]
    clipped_level_dn: float = math.nan  # code at which A piles up or stops varying, black in it; NaN: not clipped
    full_well_dn: float = math.nan  # level above black [DN] at which parts of A stop varying below any code
    # noise power density relative to white within the squares |f| <= k/32 cycles per sample of the plane, k = 1..16
    spectrum: tuple[float, ...] = ()
    spectrum_blocks: float = 0.0  # blocks of 32 x 32 samples that it is from: tells its error
    code_scale: float = math.nan  # factor by which the codes were scaled digitally; 1 none
    code_scale_stderr: float = math.nan
    level_slope: float = math.nan  # slope of log variance against log level over tiles ...
    level_slope_stderr: float = math.nan
    level_slope_expected: float = math.nan  # ... and what a linear raw gives beside it

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {**asdict(self), "flags": list(self.flags)}

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> FlatPair:
        """Return the pair that `as_dict` wrote; None (JSON's null) becomes NaN."""
        return cls(**restored(values))


def restored(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values of a cached record with null as NaN and lists as tuples."""

    def value(one: Any) -> Any:
        if isinstance(one, (list, tuple, array)):
            return tuple(value(each) for each in one)
        return math.nan if one is None else one

    return {key: value(one) for key, one in values.items()}


def measure_flat_pair(
    a: NDArray[np.uint16],
    b: NDArray[np.uint16] | NDArray[np.float32],
    black_dn: float,
    white_dn: float,
    *,
    reference_frames: int = 1,
) -> FlatPair:
    """Return the temporal noise of two flats of the same setting.

    Parameters
    ----------
    a, b : (row, column) samples [DN] of one colour plane, black still in them, 16 x 16 samples or more; b may be
        the mean of several frames (float32)
    black_dn, white_dn : black and white level [DN] of the plane
    reference_frames : how many frames b is the mean of, 1 or more

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
    clipped = clipped_share(counts, white_dn)
    if b.dtype == np.uint16:  # the frames of a mean have been looked at before
        clipped = max(clipped, clipped_share(code_counts(cast("NDArray[np.uint16]", b)), white_dn))
    share = 1.0 / reference_frames
    exposure, squared_ratio = level_a + share * ratio**2 * level_b, ratio**2
    if not dark and clipped <= CLIPPED_SHARE and flicker_dn(noise, grid) > FLICKER * float(level_a.mean()):
        bands = Bands.of(noise, b, grid, ratio, black_dn)
        again = difference_noise(a, b, grid, ratio, black_dn, level_a + black_dn, bands.row_ratio)
        noise = replace(again, row_means=noise.row_means, row_variance=noise.row_variance)
        exposure = level_a + share * ratio**2 * level_b * bands.squared_of_light[:, None]
        squared_ratio = ratio**2 * bands.squared[:, None]
    well = full_well_in_tiles(level_a, noise.variance, exposure, noise.degrees_of_freedom)
    saturated = clipped <= CLIPPED_SHARE and math.isfinite(well.level_dn)
    if saturated:  # what is clear of the well still tells the noise
        noise = difference_noise(a, b, grid, ratio, black_dn, level_a + black_dn, least_sigma_dn=well.sigma_dn)
        noise = replace(noise, degrees_of_freedom=np.where(well.clear, noise.degrees_of_freedom, 1.0))
    variance, stderr, freedom, use = pooled_variance(noise, exposure)
    weight = noise.degrees_of_freedom * use / freedom
    signal = float((weight * level_a).sum())
    scale = signal if signal > 0 else math.nan
    near = level_a[bands_looked_at(grid)]  # where neighbours are compared
    mean_square = float((near**2).mean()) if signal > 0 else math.nan
    in_one_frame = 1.0 / (1.0 + share * ratio_mean**2)
    fixed, fixed_stderr = fixed_pattern(noise, variance, _shading_between_neighbours(near, grid))
    if saturated:
        fixed = fixed_stderr = math.nan
    row_variance, column_variance = in_one_frame * white_row_variance(noise), in_one_frame * noise.column_variance
    dust = dust_tiles(a, grid, bands_looked_at(grid), noise.texture > TEXTURE * abs(signal), signal, black_dn)
    texture = noise.texture[~dust]
    edges = np.count_nonzero(texture > EDGE * abs(signal))
    pair = FlatPair(
        signal_dn=signal,
        ratio=ratio_mean,
        shot_dn=float((weight * exposure).sum()),
        dark_weight=float((weight * (1.0 + share * squared_ratio)).sum()),
        variance_dn2=variance,
        variance_stderr_dn2=stderr,
        degrees_of_freedom=freedom,
        samples=noise.samples,
        tiles=int(np.count_nonzero(well.clear)) if saturated else use.size,
        tiles_used=int(np.count_nonzero(use)),
        correlation_along_row=noise.correlation_along_row,
        correlation_along_column=noise.correlation_along_column,
        correlation_stderr=noise.correlation_stderr,
        prnu=math.nan if saturated else math.sqrt(max(fixed, 0.0) / mean_square),
        texture=float(np.percentile(texture, 90)) / scale,
        edge_share=edges / noise.texture.size if edges >= EDGE_TILES else 0.0,
        step_share=_step_share(level_a, noise, step),
        spectrum=() if saturated else noise.spectrum,
        spectrum_blocks=0.0 if saturated else noise.spectrum_blocks,
        flicker=flicker_dn(noise, grid) / scale,
        falloff=_falloff(level_a),
        clipped_share=clipped,
        missing_code_share=missing_code_share(counts),
        black_dn=float(black_dn),
        white_dn=float(white_dn),
        flags=(),
        reference_frames=reference_frames,
        row_variance_dn2=row_variance,
        row_variance_stderr_dn2=profile_error(row_variance, in_one_frame * variance, a.shape[0], a.shape[1]),
        column_variance_dn2=column_variance,
        column_variance_stderr_dn2=profile_error(column_variance, in_one_frame * variance, a.shape[1], a.shape[0]),
        prnu_variance_stderr=fixed_stderr / mean_square,
        top_dn=float(np.percentile(level_a, 95)),
        clipped_level_dn=pile_level(counts) if clipped > CLIPPED_SHARE else math.nan,
        full_well_dn=well.level_dn if saturated else math.nan,
    )
    everywhere = float(np.percentile(texture, 67)) / scale
    structured = everywhere > TEXTURE_EVERYWHERE or _shows_structure(pair)
    traps = flat_traps(
        *(a, b, counts, noise, level_a, exposure, use, ratio_mean),
        reference_frames=reference_frames,
        textured=structured or everywhere > 0.5 * TEXTURE_EVERYWHERE,
    )
    pair = replace(
        pair,
        code_scale=traps.frame.scale.factor,
        code_scale_stderr=traps.frame.scale.stderr,
        level_slope=traps.slope.slope,
        level_slope_stderr=traps.slope.stderr,
    )
    return replace(pair, flags=_flags(pair, dark, _moved(noise, level_a), structured, traps))


def _shows_structure(pair: FlatPair) -> bool:
    return (
        pair.texture > TEXTURE
        or pair.edge_share > EDGE_SHARE
        or pair.step_share > STEP_SHARE
        or pair.tiles_used < 0.75 * pair.tiles
    )


def _flags(pair: FlatPair, dark: bool, moved: float, structured: bool, traps: FlatTraps) -> tuple[str, ...]:
    correlation = max(abs(pair.correlation_along_row), abs(pair.correlation_along_column))
    clipped = pair.clipped_share > CLIPPED_SHARE
    partly = math.isfinite(pair.full_well_dn)
    correlated = MOVED_CORRELATION if traps.moved.tiles else CORRELATED
    raised = {
        "clipped": clipped,
        "too-dark": dark,
        "uneven-light": pair.falloff > UNEVEN_LIGHT,
        "missing-codes": "missing-codes" in traps.frame.flags,
        "lossy-raw": not clipped and "lossy-raw" in traps.frame.flags,
        # clipping cuts light and noise off in places, which looks like each of these
        "correlated-noise": not (clipped or partly) and correlation > max(correlated, 5.0 * pair.correlation_stderr),
        "light-changed": not clipped and (abs(pair.ratio - 1.0) > LIGHT_CHANGED or moved > MOVED_LIGHT),
        "flicker": not clipped and pair.flicker > max(FLICKER, 2.0 * traps.moved.changed_share),
        "textured": not clipped and structured,
    }
    measurable = not (clipped or dark)
    raised |= {name: measurable for name in traps.flags if name not in raised}
    if raised["correlated-noise"]:
        raised |= dict.fromkeys(EXPLAINED_BY_CORRELATION, False)
    return tuple(name for name, up in raised.items() if up)


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


def _shading_between_neighbours(level: NDArray[np.float64], grid: TileGrid) -> float:
    """Return what shading adds to the variance of the fixed pattern [DN^2]: half the mean square of its step from
    one sample to the next along the rows."""
    if level.shape[1] < 2:
        return 0.0
    centres = 0.5 * (grid.columns[1:] + grid.columns[:-1])
    order: Literal[1, 2] = 2 if level.shape[1] > 2 else 1
    return 0.5 * float((np.gradient(level, centres, axis=1, edge_order=order) ** 2).mean())


def fixed_pattern(noise: DifferenceNoise, difference_dn2: float, shading_dn2: float = 0.0) -> tuple[float, float]:
    """Return variance and standard error of the fixed pattern of A [DN^2]; the variance is below 0 by chance.

    Columns' own noise, in A + r B as it is in A - r B but taken off the latter before neighbours were compared, and
    shading are taken off too.

    The pattern is an eighth of what squared steps between neighbours are larger by in A + r B (variance T = v + 4 f)
    than in A - r B (v, `difference_dn2`). The mean of n squared steps of variance T has the error T sqrt(12 / n)
    (neighbouring steps share a sample), a correlation of n pairs less that of n distant ones sqrt(2 / n). Steps of n
    columns' own noise are known to sqrt(3 / n) of their square, its variance to sqrt(2 / n).
    """
    pattern = noise.fixed_variance - 0.25 * noise.column_variance - shading_dn2
    total = difference_dn2 + 4.0 * max(pattern, 0.0)
    error = noise.correlation_stderr * math.sqrt(6.0) / 8.0 * math.hypot(total, difference_dn2)
    of_columns = 0.25 * max(noise.column_variance, 0.0) * math.sqrt(5.0 / noise.column_means.size)
    return pattern, math.hypot(error, of_columns)


def profile_error(own_dn2: float, white_dn2: float, count: int, samples_each: int) -> float:
    """Return the standard error [DN^2] of the variance of `count` rows' or columns' own offsets in one frame.

    Their means scatter by the offsets and by white noise, white_dn2 / samples_each; a Gaussian's variance is known
    to sqrt(2 / (count - 1)) of itself.
    """
    return (max(own_dn2, 0.0) + white_dn2 / samples_each) * math.sqrt(2.0 / max(count - 1, 1))


def check_pair(a: NDArray[np.uint16], b: NDArray[np.uint16] | NDArray[np.float32]) -> None:
    """Raise MeasurementError unless `a` and `b` are 2-D samples of one shape."""
    if a.shape != b.shape or a.ndim != 2:
        raise MeasurementError(
            "the two frames of a pair differ in size",
            got=f"{' x '.join(map(str, a.shape))} and {' x '.join(map(str, b.shape))}",
            needed="two planes of the same rows and columns",
            fix="pair frames of one image size",
        )


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
