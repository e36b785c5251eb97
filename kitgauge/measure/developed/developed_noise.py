"""Temporal noise that a pair of developed flats shows: of luminance and of colour, in linear light, by frequency.

A developed picture went through a tone curve, noise reduction, sharpening and, in a JPEG, compression. None of that
can be undone; what can be measured is the noise in the light that the picture shows. With linear R, G, B of the file's
colour encoding: luminance Y = 0.2126 R + 0.7152 G + 0.0722 B (ITU-R BT.709-6, item 3.2, or the weights of the file's
profile), colour R - Y and B - Y. For frames A, B of one setting the difference A - r B, r the ratio of their luminance
in each block, holds no fixed pattern and no drift of the light, as for raw pairs (EMVA 1288 Release 4); its power is
that of two frames' noise. Noise reduction relates neighbours over many pixels, so that nothing but the mean of a large
block may be taken away: see `picture_blocks`.

What a file of whole codes cannot show is not noise-free. Noise below half a code disappears in rounding (B. Widrow,
statistical theory of quantization; from memory: above that, rounding adds 1/12 code^2 and little else), so such noise
is reported as not seen, with an upper bound. Above that the noise is given as the picture shows it, rounding and
compression included: nothing is taken off. JPEG of quality 90 to 95 takes a fifth of white noise of one code away, of
quality 98 adds as much; noise of many codes, or smoothed, passes within a few percent (own simulation).
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.errors import MeasurementError
from kitgauge.measure.developed.picture_blocks import (
    BlockGrid,
    block_grid,
    coefficients,
    light_bands,
    lowest_densities,
    ring_bands,
    square_bands,
    supposed_rise,
)
from kitgauge.measure.noise.noise_spectrum import BANDS
from kitgauge.measure.noise.tiles import smooth_ratio

Codes = NDArray[np.uint8] | NDArray[np.uint16]

RINGS = tuple(0.5 * k / 16 for k in range(17))  # cycles per pixel, ends of the rings of the spectrum

# Thresholds of the flags: common practice, no source.
CLIPPED_SHARE = 1e-3
TOO_DARK = 0.02  # of white: three stops below mid-grey, where a code is a large step
LIGHT_CHANGED = 0.1  # |r - 1|
MOVED_LIGHT = 0.005  # blocks' ratios beside the smooth one
OTHER_PICTURE = 0.05  # the same, where the two frames do not show the same thing
UNEVEN_LIGHT = 4.0
FLICKER = 1e-3
TEXTURE = 0.02  # standard deviation of structure of 8 pixels and coarser, as a share of the level
SEEN_CODES2 = 0.25  # variance of what is coded [code^2], rounding in it: noise of about 0.4 code
_TEXTURE_RINGS = 4  # of 16
_BLOCK_SIGMAS = 6.0
_CODE_STEP = 32  # rows between those looked at for clipping


@dataclass(frozen=True)
class DevelopedPair:
    """What two developed flats of one setting show, in linear light. Unknown is NaN, also what is too fine to be seen.

    Noise is that of one frame, as a share of the mean luminance. `*_bound` is an upper bound where noise was too fine
    for the file's codes, else NaN. `*_power` (16,) is the square of the noise that lies within |fx|, |fy| <= f_k,
    f_k = 0.5 k / 16 cycles per pixel: the last is the whole. `*_rings` (16,) is the noise power density in rings of
    frequency `RINGS`, relative to white noise of the same variance.
    """

    level: float  # mean luminance as a share of white
    ratio: float  # luminance of A over B
    luminance_noise: float
    luminance_noise_stderr: float
    luminance_bound: float
    luminance_power: tuple[float, ...]
    luminance_power_stderr: tuple[float, ...]
    luminance_rings: tuple[float, ...]
    red_noise: float  # of R - Y
    red_noise_stderr: float
    red_bound: float
    red_power: tuple[float, ...]
    red_rings: tuple[float, ...]
    blue_noise: float  # of B - Y
    blue_noise_stderr: float
    blue_bound: float
    blue_power: tuple[float, ...]
    blue_rings: tuple[float, ...]
    rounding_noise: (
        float  # what rounding to whole codes alone makes of luminance, a share of the level; it is in the above
    )
    structure: float  # what both frames show alike, 8 pixels and coarser: standard deviation as a share of the level
    flicker: float
    moved: float
    falloff: float
    clipped_share: float
    blocks: int
    blocks_used: int
    flags: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {key: list(value) if isinstance(value, tuple) else value for key, value in asdict(self).items()}

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> DevelopedPair:
        """Return the pair that `as_dict` wrote; None (JSON's null) becomes NaN."""

        def restored(value: Any) -> Any:
            if isinstance(value, (list, array)):
                return tuple(math.nan if item is None else item for item in value)
            return math.nan if value is None else value

        return cls(**{key: restored(value) for key, value in values.items()})


@dataclass(frozen=True)
class _Blocks:
    """Numbers of each block, (block, ...): relative to its level where noise is concerned."""

    level_a: NDArray[np.float64]
    level_b: NDArray[np.float64]
    power: NDArray[np.float64]  # (block, 3, 16)
    steady: NDArray[np.float64]  # (block, 3, 16): without bands of light
    rings: NDArray[np.float64]  # (block, 3, 16)
    lowest: NDArray[np.float64]  # (block, 3, 2), as `lowest_densities`
    bands: NDArray[np.float64]  # (block, 3): of luminance, as `light_bands`
    structure: NDArray[np.float64]  # (block,)
    code_variance: NDArray[np.float64]  # (block, 3) of one frame [code^2]

    @property
    def level(self) -> NDArray[np.float64]:
        """Geometric mean of the levels of the two frames."""
        return np.sqrt(self.level_a * self.level_b)


def measure_developed_pair(
    a: Codes, b: Codes, tables: NDArray[np.float32], weights: tuple[float, float, float]
) -> DevelopedPair:
    """Return the temporal noise of luminance and colour of two developed flats of the same setting.

    Parameters
    ----------
    a, b : (row, column) codes of grey pictures or (row, column, red green blue), uint8 or uint16, 64 x 64 or more
    tables : (3, number of codes) light 0..1 of each code of red, green, blue
    weights : share of red, green and blue in luminance

    With noise of variance c L^m the difference A - r B has, relative to the squared level of A, the variance
    c L^(m - 2) (r^(m/2 - 1) + r^(1 - m/2)) at L, the geometric mean of the two levels: twice that of one frame at L to
    first order in r - 1, whatever m is. Standard errors come from how blocks scatter about what their level leads one
    to expect, and from how doubtful the noise is that had to be supposed at the lowest frequencies.
    Blocks off by more than 6 robust standard deviations (something moved) are left out.

    Raises MeasurementError if the shapes or depths differ, or the picture is too small.
    """
    if a.shape != b.shape or a.dtype != b.dtype or a.ndim not in (2, 3):
        raise MeasurementError(
            "the two pictures of a pair differ in size or depth",
            got=f"{' x '.join(map(str, a.shape))} {a.dtype} and {' x '.join(map(str, b.shape))} {b.dtype}",
            needed="two pictures of the same rows, columns and bits",
            fix="pair pictures of one image size and format",
        )
    grid = block_grid((a.shape[0], a.shape[1]))
    blocks = _measure_blocks(a, b, grid, tables, weights)
    level = float(blocks.level.mean())
    ratio = float(blocks.level_a.mean() / blocks.level_b.mean()) if blocks.level_b.mean() > 0 else math.nan
    clipped = max(_clipped_share(a), _clipped_share(b))
    identical = bool(np.array_equal(a, b))
    dark = not level >= TOO_DARK
    usable = blocks.level_a.min() > 0 and blocks.level_b.min() > 0 and not dark
    moved = _moved(blocks, grid) if usable else math.nan
    other = moved > OTHER_PICTURE
    flicker = _flicker(blocks, grid) if usable else math.nan
    power = blocks.steady if flicker > FLICKER else blocks.power
    use = _blocks_used(blocks, power) if usable else np.zeros(len(grid.tops), dtype=bool)
    step = _step(level, tables[1])
    parts: dict[str, Any] = {}
    unseen = False
    for channel, name in enumerate(("luminance", "red", "blue")):
        coded = float(np.median(blocks.code_variance[:, channel]))
        nothing = not usable or identical or other or (channel > 0 and a.ndim == 2)
        too_fine = not nothing and coded < SEEN_CODES2
        unseen |= too_fine and channel == 0
        parts |= _part(name, channel, blocks, power, use, grid, nothing or too_fine)
        parts[f"{name}_bound"] = math.sqrt(SEEN_CODES2) * step / level if too_fine else math.nan
    structure = math.sqrt(max(float(np.mean(blocks.structure)), 0.0)) if usable else math.nan
    low, high = np.percentile(blocks.level_a, (5, 95))
    raised = {
        "rendered": True,
        "clipped": clipped > CLIPPED_SHARE,
        "too-dark": dark,
        "no-pair": identical,
        "noise-below-rounding": unseen,
        "uneven-light": usable and high > UNEVEN_LIGHT * low,
        "light-changed": usable and (abs(ratio - 1.0) > LIGHT_CHANGED or moved > MOVED_LIGHT),
        "flicker": flicker > FLICKER,
        "textured": structure > TEXTURE or (usable and np.count_nonzero(use) < 0.75 * use.size),
    }
    return DevelopedPair(
        level=level,
        ratio=ratio,
        rounding_noise=step / level / math.sqrt(12.0) if level > 0 else math.nan,
        structure=structure,
        flicker=flicker,
        moved=moved,
        falloff=float(high / low) if low > 0 else math.nan,
        clipped_share=clipped,
        blocks=len(grid.tops),
        blocks_used=int(np.count_nonzero(use)),
        flags=tuple(name for name, up in raised.items() if up),
        **{key: value for key, value in parts.items() if key not in ("red_power_stderr", "blue_power_stderr")},
    )


def _measure_blocks(
    a: Codes, b: Codes, grid: BlockGrid, tables: NDArray[np.float32], weights: tuple[float, float, float]
) -> _Blocks:
    count, size = len(grid.tops), grid.size
    squares, steady, rings = square_bands(size), square_bands(size, True), ring_bands(size, RINGS)
    of_light, lowest = light_bands(size), lowest_densities(size)
    of_bands, of_channels = (count, 3, BANDS), (count, 3)
    result = _Blocks(
        level_a=np.zeros(count),
        level_b=np.zeros(count),
        power=np.zeros(of_bands),
        steady=np.zeros(of_bands),
        rings=np.zeros(of_bands),
        lowest=np.zeros((count, 3, 2)),
        bands=np.zeros(of_channels),
        structure=np.zeros(count),
        code_variance=np.zeros(of_channels),
    )
    mix = np.array([weights, (1 - weights[0], -weights[1], -weights[2]), (-weights[0], -weights[1], 1 - weights[2])])
    grey = a.ndim == 2
    for index, (top, left) in enumerate(zip(grid.tops, grid.lefts, strict=True)):
        place = np.s_[top : top + size, left : left + size]
        light_a, light_b = _light(a[place], tables), _light(b[place], tables)
        changes = [
            first.astype(np.float32) - second for first, second in zip(_split(a[place]), _split(b[place]), strict=True)
        ]
        opponents = 1 if grey else 3
        mixed_a = [_mixed(light_a, mix[k]) for k in range(opponents)]
        mixed_b = [_mixed(light_b, mix[k]) for k in range(opponents)]
        level_a, level_b = float(mixed_a[0].mean(dtype=np.float64)), float(mixed_b[0].mean(dtype=np.float64))
        result.level_a[index], result.level_b[index] = level_a, level_b
        if not (level_a > 0 and level_b > 0):
            continue
        r = level_a / level_b
        of_one = 0.5 / level_a**2
        wave_a, wave_b = coefficients(mixed_a[0]), coefficients(mixed_b[0])
        result.structure[index] = (
            float(((wave_a * wave_b.conj()).real.ravel() @ rings[:, :_TEXTURE_RINGS]).sum()) / level_a / level_b
        )
        for channel in range(opponents):
            wave = (
                wave_a - np.float32(r) * wave_b
                if channel == 0
                else coefficients(mixed_a[channel] - np.float32(r) * mixed_b[channel])
            )
            spectrum = np.square(np.abs(wave)).ravel().astype(np.float64) * of_one
            result.power[index, channel] = spectrum @ squares
            result.steady[index, channel] = spectrum @ steady
            result.rings[index, channel] = spectrum @ rings
            result.lowest[index, channel] = spectrum @ lowest
            if channel == 0:
                result.bands[index] = spectrum @ of_light
            result.code_variance[index, channel] = 0.5 * float(_mixed(changes, mix[channel]).var(dtype=np.float64))
    return result


def mixed_light(codes: Codes, tables: NDArray[np.float32], weights: tuple[float, float, float]) -> NDArray[np.float32]:
    """Return the linear luminance 0..1 (row, column) of codes."""
    return _mixed(_light(codes, tables), np.array(weights))


def _split(codes: Codes) -> list[NDArray[Any]]:
    return [codes] * 3 if codes.ndim == 2 else [codes[..., channel] for channel in range(3)]


def _light(codes: Codes, tables: NDArray[np.float32]) -> list[NDArray[np.float32]]:
    return [table[channel] for table, channel in zip(tables, _split(codes), strict=True)]


def _mixed(channels: list[NDArray[np.float32]], shares: NDArray[np.float64]) -> NDArray[np.float32]:
    total = channels[0] * np.float32(shares[0])
    for channel, share in zip(channels[1:], shares[1:], strict=True):
        total += channel * np.float32(share)
    return total


def _part(
    name: str,
    channel: int,
    blocks: _Blocks,
    power: NDArray[np.float64],
    use: NDArray[np.bool_],
    grid: BlockGrid,
    nothing: bool,
) -> dict[str, Any]:
    """Return the fields of one channel of `DevelopedPair`, all NaN where there is `nothing` to tell."""
    unknown = (math.nan,) * BANDS
    total = stderr = math.nan
    mean, error, rings = unknown, unknown, unknown
    if not nothing and np.count_nonzero(use) >= 4:
        values, errors = _at_mean_level(blocks.level[use], power[use, channel], grid)
        rise, doubt = supposed_rise(grid.size, *blocks.lowest[use, channel].mean(axis=0).tolist())
        values, errors = values + rise, np.hypot(errors, doubt)
        if values[-1] > 0:
            mean, error = tuple(np.maximum(values, 0.0).tolist()), tuple(errors.tolist())
            total = math.sqrt(values[-1])
            stderr = 0.5 * float(errors[-1]) / total
            counted = ring_bands(grid.size, RINGS).sum(axis=0)
            density = blocks.rings[use, channel].mean(axis=0) / np.where(counted > 0, counted, math.nan)
            rings = tuple((density / (values[-1] / grid.size**2)).tolist())
    return {
        f"{name}_noise": total,
        f"{name}_noise_stderr": stderr,
        f"{name}_power": mean,
        f"{name}_power_stderr": error,
        f"{name}_rings": rings,
    }


def _predictor(level: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what relative noise power is nearly straight in: between 1/level (shot) and 1/level^2 (constant)."""
    return np.asarray((level.mean() / level) ** 1.5)


def _at_mean_level(
    level: NDArray[np.float64], power: NDArray[np.float64], grid: BlockGrid
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return (band,) relative power at the mean level and its standard error, from (block,) and (block, band)."""
    count = len(level)
    x = _predictor(level)
    mean, scatter = power.mean(axis=0), float(((x - x.mean()) ** 2).sum())
    slope = np.zeros_like(mean)
    if scatter / count > 1e-6 and count > 8:
        slope = ((x - x.mean())[:, None] * (power - mean)).sum(axis=0) / scatter
    rest = power - mean - slope * (x - x.mean())[:, None]
    spread = np.sqrt((rest**2).sum(axis=0) / max(count - 2, 1))
    lever = math.sqrt(1.0 + count * (1.0 - float(x.mean())) ** 2 / scatter) if slope.any() else 1.0
    return mean + slope * (1.0 - float(x.mean())), spread * grid.error_of_mean(count) * lever


def _blocks_used(blocks: _Blocks, power: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return the blocks whose luminance noise is that of the others at their level."""
    departure = power[:, 0, -1] / _predictor(blocks.level)
    middle = float(np.median(departure))
    spread = 1.4826 * float(np.median(np.abs(departure - middle)))
    kept: NDArray[np.bool_] = np.abs(departure - middle) <= _BLOCK_SIGMAS * spread
    return kept if np.count_nonzero(kept) >= 0.3 * kept.size else np.ones_like(kept)


def _step(level: float, table: NDArray[np.float32]) -> float:
    """Return how much light one code is at a level."""
    index = int(np.clip(np.searchsorted(table, level), 1, len(table) - 2))
    return float(table[index + 1] - table[index - 1]) / 2.0


def _clipped_share(codes: Codes) -> float:
    top = np.iinfo(codes.dtype).max
    some = codes[:: max(1, min(_CODE_STEP, codes.shape[0] // 64))]
    full = some == top
    return float(np.mean(full if full.ndim == 2 else full.any(axis=-1)))


def _moved(blocks: _Blocks, grid: BlockGrid) -> float:
    """Return by how much the blocks' ratios depart from a smooth one (90th percentile over 1.645), less chance."""
    ratios = blocks.level_a / blocks.level_b
    if len(ratios) == grid.shape[0] * grid.shape[1]:
        smooth = smooth_ratio(blocks.level_a.reshape(grid.shape), blocks.level_b.reshape(grid.shape)).ravel()
    else:
        smooth = np.full_like(ratios, float(np.median(ratios)))
    share = float(np.percentile(np.abs(ratios / smooth - 1.0), 90)) / 1.645
    # both frames' noise, as dense at the block's own frequency as in the lowest band
    chance = 2.0 * float(np.median(blocks.power[:, 0, 0])) * (BANDS / grid.size) ** 2
    return math.sqrt(share**2 - chance) if share**2 > 4.0 * chance else 0.0


def _flicker(blocks: _Blocks, grid: BlockGrid) -> float:
    """Return the standard deviation of smooth horizontal bands as a share of the level, 0 where not significant.

    Significant: five standard errors above both what vertical bands hold, which light does not make, and what bands of
    half the width hold, which is the rows' own noise; and three times as much, as noise reduction smooths that too.
    """
    rows, columns, fine = blocks.bands.T
    excess = rows - np.maximum(columns, fine)
    error = float(excess.std(ddof=1)) * grid.error_of_mean(len(excess))
    mean = float(excess.mean())
    clear = mean > 5.0 * error and rows.mean() > 3.0 * max(columns.mean(), fine.mean())
    return math.sqrt(2.0 * mean) if clear else 0.0
