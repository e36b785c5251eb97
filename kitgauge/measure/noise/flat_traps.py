"""What two flats and their difference tell of traps: the file, the gain, the light."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.noise.difference_noise import DifferenceNoise
from kitgauge.measure.noise.frame_traps import FrameTraps, frame_traps
from kitgauge.measure.noise.gain_change import gain_changed
from kitgauge.measure.noise.moved_light import MovedLight, moved_light
from kitgauge.measure.noise.neighbour_filter import sample_bands
from kitgauge.measure.noise.tone_curve import LevelSlope, evened_out, level_slope

# moved things are alike over many samples: so much correlation may be theirs
MOVED_CORRELATION = 0.1
# samples that were averaged with their neighbours have lost peaks, may favour some codes, and vary less in places
EXPLAINED_BY_CORRELATION = ("neighbour-filtered", "scaled-down", "tone-curved")


@dataclass(frozen=True)
class FlatTraps:
    """Findings; `flags` are those that they raise, on a flat that is neither clipped nor too dark."""

    frame: FrameTraps
    slope: LevelSlope
    moved: MovedLight
    flags: tuple[str, ...]


def flat_traps(
    a: NDArray[np.uint16],
    b: NDArray[np.uint16] | NDArray[np.float32],
    counts: NDArray[np.int64],
    noise: DifferenceNoise,
    level: NDArray[np.float64],
    exposure: NDArray[np.float64],
    use: NDArray[np.bool_],
    ratio: float,
    *,
    reference_frames: int = 1,
    textured: bool = False,
) -> FlatTraps:
    """Return the traps of a pair of flats.

    a, b : (row, column) samples, b a single frame (uint16) or a mean; counts : histogram of a; noise : of A - r B;
    level : (tile row, tile column) of a above black; exposure : S_A + r^2 S_B / m with m = `reference_frames`, the
    number b is the mean of; use : tiles whose variance counts; ratio : mean r; textured : the frames show structure.
    """
    freedom = noise.degrees_of_freedom
    variance = float((freedom * noise.variance)[use].sum() / freedom[use].sum()) if use.any() else 0.0
    sigma = math.sqrt(max(variance, 0.0) / (1.0 + 1.0 / reference_frames))
    frame = frame_traps(a, counts, sigma, textured=textured)
    slope = level_slope(exposure, noise.variance, freedom, use)
    rise = evened_out(exposure, noise.variance, freedom, use)
    expected = _expected(exposure, noise, use, slope, rise)
    moved = moved_light(noise.tile_means, noise.variance, freedom, expected, level)
    changed = False
    if b.dtype == np.uint16 and variance > 0:
        changed = gain_changed(sample_bands(a), sample_bands(np.asarray(b, dtype=np.uint16)), ratio, variance)
    raised = {
        "tone-curved": slope.departs() or rise > 0,
        "iso-changed": changed,
        "moving-shadow": moved.shadow,
        "dust-moved": moved.dust,
    }
    return FlatTraps(frame, slope, moved, (*frame.flags, *(name for name, up in raised.items() if up)))


def _expected(
    exposure: NDArray[np.float64], noise: DifferenceNoise, use: NDArray[np.bool_], slope: LevelSlope, rise: float
) -> NDArray[np.float64]:
    """Return the variance of each tile that its level makes likely, with the slope that the frame itself shows and the
    rise to the corners of shading that was evened out."""
    power = slope.slope if math.isfinite(slope.slope) and slope.stderr < 0.2 else 0.5
    shape = np.maximum(exposure, 1e-9) ** min(max(power, -1.0), 2.0)
    if rise > 0:
        y, x = np.meshgrid(*(np.linspace(-1.0, 1.0, count) for count in exposure.shape), indexing="ij")
        shape = np.exp(0.5 * rise * (x * x + y * y))
    chosen = use if use.any() else np.ones_like(use)
    return np.asarray(shape * float(np.median(noise.variance[chosen] / shape[chosen])))
