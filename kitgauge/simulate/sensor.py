"""A simulated sensor whose gain, noise and saturation are known exactly.

The linear camera model of EMVA 1288 Release 4 (section 2): expected photo-electrons, Poisson shot noise,
noise before and after the amplifier, an offset, clipping and rounding. Electrons go in, whole numbers (DN)
come out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import lru_cache
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kitgauge.simulate.dng import BAYER_RGGB, Pattern

# Above this mean a Poisson count is drawn as a normal one of equal mean and variance. Photon transfer uses
# only means and variances; the variance of a sample variance, 2 + 1/mean in relative terms, differs by 1/(2
# mean) = 0.06 %.
NORMAL_SHOT_NOISE_FROM_E = 800.0
# Below this mean, counts over a whole frame are placed one by one: exact, as a Poisson process splits into
# independent parts, and quicker.
_SPARSE_BELOW_E = 0.05
# Rows exposed at a time, to hold a few bands in memory and not as many whole frames; whole repeats of every
# pattern.
_BAND_ROWS = 240

_BASE_ISO = 100.0


class FixedPattern(NamedTuple):
    """What differs from pixel to pixel and stays from frame to frame, (row, column) float32."""

    response: NDArray[np.float32]  # relative sensitivity, colour and dead pixels included
    offset_e: NDArray[np.float32]  # dark-signal non-uniformity before the amplifier
    hot_index: NDArray[np.int64]  # flat indices of hot pixels
    hot_rate_e_per_s: NDArray[np.float64]


@dataclass(frozen=True)
class Sensor:
    """One sensor.

    Noise before the amplifier is `read_noise_before_e` (of the second conversion gain from `dual_gain_iso`
    on: `read_noise_before_second_e`), after it `read_noise_after_dn`; row noise is apart and drawn once per
    row. `colour_response` is relative to green. Non-uniformities are standard deviations. Hot pixels have an
    excess dark signal equally distributed up to `hot_offset_e`, and a dark rate up to `hot_rate_e_per_s`;
    dead ones no response. `digital_thirds` makes the ISO values between whole stops by scaling numbers (ISO 160 is
    ISO 200 times 0.8, ISO 125 is ISO 100 times 1.25), and `amplified_range` those outside it (ISO 50 is ISO 100 times
    0.5). `holds_dark_level` takes the mean dark signal away, as cameras with masked pixels do;
    `dark_subtraction_from_s` takes a second dark frame away from exposures of that time or longer.
    `gain_table_e_per_dn` and `read_noise_table_e` (exact ISO -> value) stand in for
    the formulas at their ISO values, to rebuild a published camera.
    """

    pattern: Pattern = BAYER_RGGB
    black_dn: tuple[tuple[float, ...], ...] = ((600.0, 602.0), (599.0, 601.0))
    white_dn: int = 16383
    base_gain_e_per_dn: float = 2.5  # at ISO 100
    full_well_e: float = math.inf
    read_noise_before_e: float = 3.2
    read_noise_before_second_e: float | None = 1.5
    dual_gain_iso: float | None = 800.0
    read_noise_after_dn: float = 1.4
    row_noise_e: float = 0.05
    dark_current_e_per_s: float = 0.05
    photo_response_nonuniformity: float = 0.006
    dark_signal_nonuniformity_e: float = 0.4
    hot_pixel_fraction: float = 2e-5
    hot_offset_e: float = 60.0
    hot_rate_e_per_s: float = 4000.0
    dead_pixel_fraction: float = 4e-6
    colour_response: MappingProxyType[str, float] = field(
        default_factory=lambda: MappingProxyType({"R": 0.55, "G": 1.0, "G1": 1.0, "G2": 0.992, "B": 0.68})
    )
    fixed_pattern_seed: int = 8088
    digital_thirds: bool = False
    amplified_range: tuple[float, float] = (0.0, math.inf)  # exact ISO values
    holds_dark_level: bool = False
    dark_subtraction_from_s: float = math.inf
    gain_table_e_per_dn: MappingProxyType[float, float] = field(default_factory=lambda: MappingProxyType({}))
    read_noise_table_e: MappingProxyType[float, float] = field(default_factory=lambda: MappingProxyType({}))

    def made_from(self, iso: float) -> tuple[float, float]:
        """Return the ISO that the amplifier is set to for `iso`, and by what the numbers are multiplied then."""
        lowest, highest = self.amplified_range
        inside = min(max(iso, lowest), highest)
        factor = iso / inside if abs(iso / inside - 1) > 1e-6 else 1.0
        if self.digital_thirds:
            third = round(3.0 * math.log2(inside / _BASE_ISO))
            if third % 3 == 1:  # ISO 125
                return _BASE_ISO * 2.0 ** ((third - 1) / 3), 1.25 * factor
            if third % 3 == 2:  # ISO 160
                return _BASE_ISO * 2.0 ** ((third + 1) / 3), 0.8 * factor
        return inside, factor

    def gain_e_per_dn(self, iso: float) -> float:
        """Return the true gain [e-/DN] at `iso` (exact value), digital scaling included."""
        if iso in self.gain_table_e_per_dn:
            return self.gain_table_e_per_dn[iso]
        amplified, factor = self.made_from(iso)
        return self.base_gain_e_per_dn * _BASE_ISO / amplified / factor

    def second_gain(self, iso: float) -> bool:
        """Tell whether `iso` uses the second conversion gain."""
        return self.dual_gain_iso is not None and self.made_from(iso)[0] >= self.dual_gain_iso * (1 - 1e-9)

    def read_noise_before_amplifier_e(self, iso: float) -> float:
        """Return the noise before the amplifier [e-] at `iso`."""
        if self.second_gain(iso) and self.read_noise_before_second_e is not None:
            return self.read_noise_before_second_e
        return self.read_noise_before_e

    def read_noise_e(self, iso: float) -> float:
        """Return the true read noise of a pixel [e-]: both stages; neither quantisation nor row noise."""
        if iso in self.read_noise_table_e:
            return self.read_noise_table_e[iso]
        # scaling the numbers afterwards changes no electrons
        amplified = self.gain_e_per_dn(self.made_from(iso)[0])
        return math.hypot(self.read_noise_before_amplifier_e(iso), self.read_noise_after_dn * amplified)

    def quantisation_noise_e(self, iso: float) -> float:
        """Return the rounding noise [e-], 1/sqrt(12) DN (EMVA 1288 R4, section 2.2); twice where scaled."""
        amplified, factor = self.made_from(iso)
        once = self.gain_e_per_dn(iso) / math.sqrt(12.0)
        return once if factor == 1.0 else math.hypot(once, self.gain_e_per_dn(amplified) / math.sqrt(12.0))

    def saturation_e(self, iso: float) -> float:
        """Return the electrons [e-] at which a pixel saturates, mean over the pattern's black levels.

        Numbers scaled down clip where they did before scaling, below the file's white level.
        """
        return min(self.labelled_range_e(iso), self.labelled_range_e(self.made_from(iso)[0]))

    def labelled_range_e(self, iso: float) -> float:
        """Return the electrons [e-] that fill the file's range at the gain of `iso`, or the full well.

        It follows the label, as the light of a series does; numbers scaled down clip below it (`saturation_e`).
        """
        return min(self.full_well_e, (self.white_dn - float(np.mean(self.black_dn))) * self.gain_e_per_dn(iso))

    def dynamic_range_stops(self, iso: float) -> float:
        """Return log2(saturation / read noise)."""
        return math.log2(self.saturation_e(iso) / self.read_noise_e(iso))

    def snr_midgrey(self, iso: float) -> float:
        """Return a green pixel's SNR at mid-grey, 10/78 of saturation (ISO 12232: 10/S over 78/S)."""
        signal_e = self.saturation_e(iso) * 10.0 / 78.0
        return signal_e / math.sqrt(signal_e + self.read_noise_e(iso) ** 2)

    def fixed_pattern(self, shape: tuple[int, int]) -> FixedPattern:
        """Return this sensor's fixed pattern for a frame of `shape`; the same every time."""
        definition = _FixedPatternDefinition(
            shape,
            self.fixed_pattern_seed,
            tuple(tuple(self.colour_response[name] for name in row) for row in self.pattern),
            self.photo_response_nonuniformity,
            self.dark_signal_nonuniformity_e,
            self.hot_pixel_fraction,
            self.hot_offset_e,
            self.hot_rate_e_per_s,
            self.dead_pixel_fraction,
        )
        return _fixed_pattern(definition)

    def expose(
        self,
        electrons_mean: ArrayLike,
        iso: float,
        rng: np.random.Generator,
        *,
        shape: tuple[int, int] | None = None,
        exposure_s: float = 0.0,
        dark_rate: float = 1.0,
    ) -> NDArray[np.uint16]:
        """Return one frame, (row, column) uint16 DN.

        Parameters
        ----------
        electrons_mean : expected photo-electrons of a green pixel of mean sensitivity, (row, column) or one
            number (>= 0); colours, non-uniformity and dead pixels are applied here
        iso : exact ISO
        rng : source of all temporal noise
        shape : (rows, columns); needed when `electrons_mean` is one number
        exposure_s : exposure time [s], for the dark current
        dark_rate : what the dark current of all pixels is multiplied by (a warmer sensor)
        """
        mean = np.asarray(electrons_mean, dtype=np.float32)
        if shape is None:
            if mean.ndim != 2:
                raise ValueError("give shape when electrons_mean is not a (row, column) array")
            shape = (mean.shape[0], mean.shape[1])
        if not (mean >= 0).all():
            raise ValueError("electrons_mean must not be negative")
        fixed = self.fixed_pattern(shape)
        dark_e = self.dark_current_e_per_s * dark_rate * exposure_s
        subtracted = exposure_s >= self.dark_subtraction_from_s
        frame = np.empty(shape, dtype=np.uint16)
        for top in range(0, shape[0], _BAND_ROWS):
            band = slice(top, min(top + _BAND_ROWS, shape[0]))
            band_shape = (band.stop - top, shape[1])
            if mean.ndim == 0 and mean == 0:
                electrons = _uniform_counts(dark_e, band_shape, rng)
            else:
                light = mean if mean.ndim == 0 else mean[band]
                electrons = _shot_noise(fixed.response[band] * light + np.float32(dark_e), rng)
            if exposure_s > 0:
                first, last = np.searchsorted(fixed.hot_index, (top * shape[1], band.stop * shape[1]))
                counts = rng.poisson(fixed.hot_rate_e_per_s[first:last] * dark_rate * exposure_s)
                electrons.ravel()[fixed.hot_index[first:last] - top * shape[1]] += counts
            if math.isfinite(self.full_well_e):
                np.minimum(electrons, np.float32(self.full_well_e), out=electrons)
            electrons += fixed.offset_e[band]
            if self.holds_dark_level:
                electrons -= np.float32(dark_e)
            frame[band] = self._read_out(electrons, iso, rng)
        if subtracted:
            dark = replace(self, dark_subtraction_from_s=math.inf).expose(
                0.0, iso, rng, shape=shape, exposure_s=exposure_s, dark_rate=dark_rate
            )
            black = np.rint(np.tile(self.black_dn, (-(-shape[0] // len(self.black_dn)), shape[1])))
            difference = frame.astype(np.int64) - dark + black[: shape[0], : shape[1]].astype(np.int64)
            frame = np.clip(difference, 0, self.white_dn).astype(np.uint16)
        return frame

    def _read_out(self, electrons: NDArray[np.float32], iso: float, rng: np.random.Generator) -> NDArray[np.float32]:
        """Return whole DN; uses up `electrons`, whose first row is a first row of the pattern."""
        amplified, factor = self.made_from(iso)
        gain = self.gain_e_per_dn(amplified)
        # Independent normal noise before and after the amplifier adds to one normal of their summed variance.
        signal_dn = rng.standard_normal(electrons.shape, dtype=np.float32)
        signal_dn *= np.float32(self.read_noise_e(iso) / gain)
        electrons *= np.float32(1.0 / gain)
        signal_dn += electrons
        if self.row_noise_e:
            rows = rng.standard_normal((electrons.shape[0], 1), dtype=np.float32)
            signal_dn += rows * np.float32(self.row_noise_e / gain)
        black = np.asarray(self.black_dn, dtype=np.float32)
        for row in range(black.shape[0]):
            for column in range(black.shape[1]):
                signal_dn[row :: black.shape[0], column :: black.shape[1]] += black[row, column]
        np.rint(signal_dn, out=signal_dn)
        np.clip(signal_dn, 0, self.white_dn, out=signal_dn)
        if factor != 1.0:
            self._scale(signal_dn, factor)
        return signal_dn

    def _scale(self, signal_dn: NDArray[np.float32], factor: float) -> None:
        """Multiply whole DN above black by `factor`, in place, and round and clip them again."""
        for row, levels in enumerate(self.black_dn):
            for column, black in enumerate(levels):
                part = signal_dn[row :: len(self.black_dn), column :: len(levels)]
                part -= np.float32(black)
                part *= np.float32(factor)
                part += np.float32(black)
        np.rint(signal_dn, out=signal_dn)
        np.clip(signal_dn, 0, self.white_dn, out=signal_dn)


class _FixedPatternDefinition(NamedTuple):
    """All that a fixed pattern depends on; hashable, for the cache."""

    shape: tuple[int, int]
    seed: int
    response: tuple[tuple[float, ...], ...]
    photo_response_nonuniformity: float
    dark_signal_nonuniformity_e: float
    hot_pixel_fraction: float
    hot_offset_e: float
    hot_rate_e_per_s: float
    dead_pixel_fraction: float


@lru_cache(maxsize=2)
def _fixed_pattern(definition: _FixedPatternDefinition) -> FixedPattern:
    shape = definition.shape
    rng = np.random.default_rng([definition.seed, *shape])
    response = rng.standard_normal(shape, dtype=np.float32)
    response *= np.float32(definition.photo_response_nonuniformity)
    response += np.float32(1.0)
    tile = definition.response
    for row, values in enumerate(tile):
        for column, value in enumerate(values):
            response[row :: len(tile), column :: len(values)] *= np.float32(value)
    pixels = shape[0] * shape[1]
    dead = rng.choice(pixels, round(definition.dead_pixel_fraction * pixels), replace=False)
    response.ravel()[dead] = 0.0
    offset_e = rng.standard_normal(shape, dtype=np.float32)
    offset_e *= np.float32(definition.dark_signal_nonuniformity_e)
    hot = np.sort(rng.choice(pixels, round(definition.hot_pixel_fraction * pixels), replace=False))
    offset_e.ravel()[hot] += rng.uniform(0.0, definition.hot_offset_e, hot.size).astype(np.float32)
    for array in (response, offset_e):
        array.setflags(write=False)
    return FixedPattern(response, offset_e, hot, rng.uniform(0.0, definition.hot_rate_e_per_s, hot.size))


def _uniform_counts(mean: float, shape: tuple[int, int], rng: np.random.Generator) -> NDArray[np.float32]:
    """Return independent Poisson counts of one small mean for a whole frame."""
    if mean >= _SPARSE_BELOW_E:
        return rng.poisson(mean, shape).astype(np.float32)
    pixels = shape[0] * shape[1]
    counts = np.zeros(pixels, dtype=np.float32)
    np.add.at(counts, rng.integers(0, pixels, rng.poisson(mean * pixels)), 1.0)
    return counts.reshape(shape)


def _shot_noise(mean: NDArray[np.float32], rng: np.random.Generator) -> NDArray[np.float32]:
    """Return counts with shot noise: Poisson, or normal above `NORMAL_SHOT_NOISE_FROM_E`."""
    few = mean < NORMAL_SHOT_NOISE_FROM_E
    if few.all():
        return rng.poisson(np.maximum(mean, 0)).astype(np.float32)
    counts = rng.standard_normal(mean.shape, dtype=np.float32)
    counts *= np.sqrt(np.maximum(mean, 0))
    counts += mean
    if few.any():
        counts[few] = rng.poisson(np.maximum(mean[few], 0))
    return counts


def shading(shape: tuple[int, int], corner_loss: float) -> NDArray[np.float32]:
    """Return relative light, (row, column): 1 in the centre, falling with the square of the distance to 1 -
    `corner_loss`.

    The quadratic fall-off of EMVA 1288's simulated camera (doi:10.5281/zenodo.12705845), by distance from the
    centre.
    """
    if not 0 <= corner_loss < 1:
        raise ValueError(f"corner_loss must be in [0, 1), got {corner_loss}")
    y = (np.arange(shape[0], dtype=np.float32) - (shape[0] - 1) / 2) / max((shape[0] - 1) / 2, 0.5)
    x = (np.arange(shape[1], dtype=np.float32) - (shape[1] - 1) / 2) / max((shape[1] - 1) / 2, 0.5)
    squared = (y * y * (shape[0] / math.hypot(*shape)) ** 2)[:, None] + (x * x * (shape[1] / math.hypot(*shape)) ** 2)[
        None, :
    ]
    return (1.0 - np.float32(corner_loss) * squared).astype(np.float32)
