"""The picture as used, and how much of a sensor's measured noise it shows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from kitgauge.limits.criteria import Criteria
from kitgauge.limits.snr_crossing import ChannelState, channel_state
from kitgauge.limits.viewing import picture_noise_power
from kitgauge.measure.noise.noise_points import NoisePoint
from kitgauge.measure.noise.noise_spectrum import is_white, spectrum_stderr, white_stderr

_USUAL_PROPORTION = 2.0 / 3.0  # of a frame whose rows and columns are not given


@dataclass(frozen=True)
class Picture:
    """The picture as used: pixels of the sensor and of the picture [megapixels], spacing of a plane's samples."""

    sensor_pixels: float
    output_mp: float
    plane_pitch_px: int

    @classmethod
    def of(
        cls,
        points: Sequence[NoisePoint],
        criteria: Criteria,
        sensor_pixels: float,
        frame_shape: tuple[int, int] | None,
    ) -> Picture:
        """Return the picture that `criteria` ask for; without `frame_shape` (rows, columns) a frame of 2:3 is taken."""
        return cls(
            sensor_pixels, criteria.picture_mp(frame_shape_of(sensor_pixels, frame_shape)), plane_pitch_px(points)
        )

    def noise_power(self, point: NoisePoint) -> tuple[float, float]:
        """Return the noise power that the picture shows of this point's, relative to white noise, and its error.

        Exactly 1 and 0 where the spectrum is white, or was not measured.
        """
        if not point.spectrum or not math.isfinite(point.spectrum[0]):
            return 1.0, 0.0
        if is_white(point.spectrum, white_stderr(point.spectrum_blocks)):
            return 1.0, 0.0
        errors = spectrum_stderr(point.spectrum, point.spectrum_blocks)
        power, higher = (
            picture_noise_power(spectrum, self.plane_pitch_px, self.sensor_pixels, self.output_mp)
            # neighbouring bands share their power, and so their error
            for spectrum in (
                point.spectrum,
                [value + error for value, error in zip(point.spectrum, errors, strict=True)],
            )
        )
        return power, abs(higher - power)

    def state(self, point: NoisePoint) -> ChannelState:
        """Return what the picture's SNR follows from at this point."""
        return channel_state(point, self.sensor_pixels, self.output_mp, *self.noise_power(point))


def plane_pitch_px(points: Sequence[NoisePoint]) -> int:
    """Return the spacing of the samples of one plane: 2 (2 x 2 pattern), 6 (6 x 6 pattern) or 1 (monochrome)."""
    channels = {p.channel for p in points}
    if "G1" in channels or "G2" in channels:
        return 2
    return 6 if channels & {"R", "B"} else 1


def frame_shape_of(sensor_pixels: float, frame_shape: tuple[int, int] | None) -> tuple[int, int]:
    """Return `frame_shape` (rows, columns), that of a frame of 2:3 where it is not given."""
    if frame_shape is not None:
        return frame_shape
    columns = math.sqrt(sensor_pixels / _USUAL_PROPORTION)
    return round(sensor_pixels / columns), round(columns)


def spectrum_entries(points: Sequence[NoisePoint]) -> list[dict[str, Any]]:
    """Return the `spectrum` entries of a run, one per point with a measured spectrum.

    `relative_power` is the mean noise power density, relative to white noise, within the square that ends at
    `frequency_cy_per_px` [cycles per sensor pixel] in both directions; `white` whether it may be taken for white.
    """
    pitch = plane_pitch_px(points)
    entries = []
    for point in points:
        bands = len(point.spectrum)
        if not bands or not math.isfinite(point.spectrum[0]):
            continue
        entries.append(
            {
                "iso": point.iso,
                "channel": point.channel,
                "frequency_cy_per_px": [0.5 * (k + 1) / bands / pitch for k in range(bands)],
                "relative_power": list(point.spectrum),
                "relative_power_stderr": list(spectrum_stderr(point.spectrum, point.spectrum_blocks)),
                "white": is_white(point.spectrum, white_stderr(point.spectrum_blocks)),
            }
        )
    return entries
