"""How much of a scene's fine detail a developed picture keeps: contrast by frequency, against the lowest ISO.

Two frames of one textured scene, taken right after each other from a tripod, hold the same detail and different noise.
The part of the power spectrum that both hold alike, the real part of the cross spectrum, is the detail's power with no
noise in it, whatever noise reduction made of either (coherent averaging; standard, no source). Its root relative to
that of the lowest ISO is the share of contrast kept. The texture itself need not be known.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from functools import cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.errors import MeasurementError
from kitgauge.measure.developed.developed_noise import Codes, mixed_light
from kitgauge.measure.developed.picture_blocks import block_grid, coefficients, ring_bands

BANDS_CY_PER_PX = (1 / 32, 1 / 16, 1 / 8, 1 / 4, 1 / 2)  # ends of the bands: each an octave
STILL_PX = 0.1  # frames shifted by more lose contrast in the comparison: 3 % at 0.4 cycles per pixel
SAME_LIGHT = 0.15  # of ln level: a fifth of a stop
_SHIFT_BELOW = 1 / 8  # cycles per pixel: a shift of a pixel turns these by less than a right angle
_SEEN_SIGMAS = 5.0  # what the reference must hold in a band
_KEPT_SIGMAS = 2.0


@dataclass(frozen=True)
class SceneDetail:
    """What two frames of a textured scene hold alike.

    `power` (block, band) is the power of luminance in each octave of frequency (`BANDS_CY_PER_PX`), relative to the
    squared mean level; `error_factor` turns the scatter of blocks into the error of their mean; `shift_px` is how far
    the second frame lies from the first (of shifts above a pixel or two: that they are large, not how large).
    """

    level: float
    shift_px: float
    shift_stderr_px: float
    error_factor: float
    power: tuple[tuple[float, ...], ...]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {**asdict(self), "power": [list(row) for row in self.power]}

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> SceneDetail:
        """Return what `as_dict` wrote."""
        return cls(**{**values, "power": tuple(tuple(row) for row in values["power"])})


@dataclass(frozen=True)
class DetailBand:
    """Contrast of detail kept in one octave of frequency at one ISO.

    `kept` is a share of the contrast at `reference_iso`; NaN where the scene has no such detail at the reference, or
    where too little is left to tell: then `kept_at_most` bounds it.
    """

    iso: float
    reference_iso: float
    low_cy_per_px: float
    high_cy_per_px: float
    kept: float
    kept_stderr: float
    kept_at_most: float
    flags: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {**asdict(self), "flags": list(self.flags)}


def measure_scene_detail(
    a: Codes, b: Codes, tables: NDArray[np.float32], weights: tuple[float, float, float]
) -> SceneDetail:
    """Return the detail that two frames of one scene share; arguments as for `measure_developed_pair`.

    Raises MeasurementError if the shapes or depths differ, or the picture is too small.
    """
    if a.shape != b.shape or a.dtype != b.dtype:
        raise MeasurementError(
            "the two pictures of the scene differ in size or depth",
            got=f"{a.shape} {a.dtype} and {b.shape} {b.dtype}",
            needed="two pictures of one size and format",
            fix="shoot the scene's frames with one setting",
        )
    grid = block_grid((a.shape[0], a.shape[1]))
    rings = ring_bands(grid.size, BANDS_CY_PER_PX)
    slopes, squares = _slopes(grid.size)
    powers, levels_a, levels_b, phases = [], [], [], []
    for top, left in zip(grid.tops, grid.lefts, strict=True):
        place = np.s_[top : top + grid.size, left : left + grid.size]
        first, second = mixed_light(a[place], tables, weights), mixed_light(b[place], tables, weights)
        levels_a.append(float(first.mean()))
        levels_b.append(float(second.mean()))
        cross = coefficients(first) * coefficients(second).conj()
        alike, turned = cross.real.ravel().astype(np.float64), cross.imag.ravel().astype(np.float64)
        powers.append(alike @ rings)
        phases.append((turned @ slopes, alike @ squares))
    level_a, level_b = float(np.mean(levels_a)), float(np.mean(levels_b))
    if not (level_a > 0 and level_b > 0):
        raise MeasurementError("the pictures of the scene are black", got="level 0", fix="expose the scene as usual")
    factor = grid.error_of_mean(len(powers))
    by_block = np.array(phases)  # (block, two sums, down and across)
    shift_px, shift_stderr_px = _shift(by_block[:, 0], by_block[:, 1], factor)
    return SceneDetail(
        level=level_a,
        shift_px=shift_px,
        shift_stderr_px=shift_stderr_px,
        error_factor=factor,
        power=tuple(tuple((power / (level_a * level_b)).tolist()) for power in powers),
    )


@cache
def _slopes(size: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return (frequency, 2) twice: f and f^2 down and across [cycles per pixel] of frequencies that tell a shift."""
    down, across = np.fft.fftfreq(size)[:, None], np.arange(size // 2 + 1)[None, :] / size
    counted = np.where(across == 0, 1.0, 2.0) * (np.hypot(down, across) <= _SHIFT_BELOW)
    both = np.stack([down + 0 * across, across + 0 * down], axis=-1)
    slopes, squares = (power * counted[..., None] for power in (both, both**2))
    return slopes.reshape(-1, 2), squares.reshape(-1, 2)


def _shift(phases: NDArray[np.float64], powers: NDArray[np.float64], factor: float) -> tuple[float, float]:
    """Return the shift between two frames and its standard error [px].

    A shift by d turns the cross spectrum by 2 pi f d: sum(f Im) = 2 pi d sum(f^2 Re), for small shifts. phases,
    powers : (block, down and across) these two sums.
    """
    base = 2.0 * math.pi * powers.mean(axis=0)
    if not base.min() > 0:
        return math.nan, math.nan
    shift = phases.mean(axis=0) / base
    errors = (phases - 2.0 * math.pi * shift * powers).std(axis=0, ddof=1) * factor / base
    return float(np.hypot(*shift)), float(errors.max())


def _moved(scene: SceneDetail) -> bool:
    return scene.shift_px - _KEPT_SIGMAS * scene.shift_stderr_px > STILL_PX


def detail_kept(scenes: Mapping[float, SceneDetail]) -> list[DetailBand]:
    """Return the contrast kept per ISO and octave of frequency, against the lowest ISO; empty for fewer than two ISOs.

    Errors: blocks of the same place are compared, the scatter of what is left over gives the error of the ratio
    (delta method), so that a scene's own unevenness does not count.
    """
    if len(scenes) < 2:
        return []
    reference_iso = min(scenes)
    reference = scenes[reference_iso]
    result = []
    for iso in sorted(scenes):
        scene = scenes[iso]
        flags = []
        if _moved(scene) or _moved(reference):
            flags.append("moved-target")
        if abs(math.log(scene.level / reference.level)) > SAME_LIGHT:
            flags.append("light-changed")
        paired = len(scene.power) == len(reference.power)
        for band, (low, high) in enumerate(pairwise(BANDS_CY_PER_PX)):
            own = np.array([row[band] for row in scene.power])
            other = np.array([row[band] for row in reference.power])
            numbers = _kept(own, other, scene.error_factor, reference.error_factor, paired, iso == reference_iso)
            if "moved-target" in flags:
                numbers = (math.nan, math.nan, math.nan)
            result.append(DetailBand(iso, reference_iso, low, high, *numbers, tuple(flags)))
    return result


def _kept(
    own: NDArray[np.float64],
    other: NDArray[np.float64],
    own_factor: float,
    other_factor: float,
    paired: bool,
    itself: bool,
) -> tuple[float, float, float]:
    """Return share of contrast kept, its standard error, and an upper bound where it cannot be told."""
    base = float(other.mean())
    if not base > _SEEN_SIGMAS * float(other.std(ddof=1)) * other_factor:
        return math.nan, math.nan, math.nan
    if itself:
        return 1.0, math.nan, math.nan
    ratio = float(own.mean()) / base
    if paired:
        error = float((own - ratio * other).std(ddof=1)) * own_factor / base
    else:
        error = math.hypot(float(own.std(ddof=1)) * own_factor, ratio * float(other.std(ddof=1)) * other_factor) / base
    if not ratio > _KEPT_SIGMAS * error:
        return math.nan, math.nan, math.sqrt(max(ratio, 0.0) + _KEPT_SIGMAS * error)
    kept = math.sqrt(ratio)
    return kept, 0.5 * error / kept, math.nan
