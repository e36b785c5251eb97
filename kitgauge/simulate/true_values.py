"""The true answers of a simulated kit, from its definition and never from an estimator."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from kitgauge.exposure import exact_f_number
from kitgauge.limits.criteria import Criteria
from kitgauge.simulate.chart import Square, position_in_frame
from kitgauge.simulate.hands import true_shutter_limit_s
from kitgauge.simulate.model import SimulatedKit

_KEEPS = (0.5, 0.8, 0.9)


@dataclass(frozen=True)
class TrueNoise:
    """True noise of one ISO. Read noise is a pixel's, without row noise and rounding."""

    iso: float
    gain_e_per_dn: float
    read_noise_e: float
    row_noise_e: float
    quantisation_noise_e: float
    saturation_e: float
    dynamic_range_stops: float
    snr_midgrey: float
    made_from_iso: float = math.nan  # what the amplifier is set to
    digital_factor: float = 1.0  # what numbers are multiplied by after it


@dataclass(frozen=True)
class TrueSharpness:
    """True green MTF50 [cycles/pixel] of one square at one exact f-number, along the normals of its edges."""

    f_number: float
    x_norm: float  # 0..1 from the left
    y_norm: float  # 0..1 from the top
    mtf50_cy_per_px: float


@dataclass(frozen=True)
class TrueAperture:
    """Sharpest f-number and the range within the criterion, of one place in the frame; exact f-numbers."""

    x_norm: float
    y_norm: float
    sharpest_f_number: float
    sharp_range: tuple[float, float]


@dataclass(frozen=True)
class Truth:
    """All true answers of a kit; `iso_limit` None: the criterion holds, or fails, at every ISO.

    `shutter_limits_s` are those of the hands (with a stabiliser, where the kit has one) at the frame's centre; what the
    shutter's own knock adds is not theirs.
    """

    noise: tuple[TrueNoise, ...]
    iso_limit: float | None
    sharpness: tuple[TrueSharpness, ...]
    apertures: tuple[TrueAperture, ...]
    streak_limit_px: float
    shutter_limits_s: dict[float, float]  # keep rate -> exact shutter time
    dual_gain_iso: float | None
    dark_current_e_per_s: float = 0.0

    def noise_at(self, iso: float) -> TrueNoise:
        """Return the true noise at the exact `iso` (within 1 %); KeyError if it was not asked for."""
        for noise in self.noise:
            if abs(noise.iso / iso - 1.0) < 0.01:
                return noise
        raise KeyError(iso)

    def mtf50_at(self, f_number: float, x_norm: float, y_norm: float) -> float:
        """Return the true MTF50 of the square nearest to a place, at an f-number (within 2 %)."""
        near = [item for item in self.sharpness if abs(item.f_number / f_number - 1.0) < 0.02]
        if not near:
            raise KeyError(f_number)
        return min(near, key=lambda item: math.hypot(item.x_norm - x_norm, item.y_norm - y_norm)).mtf50_cy_per_px

    def aperture_at(self, x_norm: float, y_norm: float) -> TrueAperture:
        """Return the true apertures of the square nearest to a place in the frame."""
        return min(self.apertures, key=lambda item: math.hypot(item.x_norm - x_norm, item.y_norm - y_norm))


def _noise(kit: SimulatedKit, iso: float) -> TrueNoise:
    sensor = kit.sensor
    amplified, factor = sensor.made_from(iso)
    return TrueNoise(
        iso=iso,
        gain_e_per_dn=sensor.gain_e_per_dn(iso),
        read_noise_e=sensor.read_noise_e(iso),
        row_noise_e=sensor.row_noise_e,
        quantisation_noise_e=sensor.quantisation_noise_e(iso),
        saturation_e=sensor.saturation_e(iso),
        dynamic_range_stops=sensor.dynamic_range_stops(iso),
        snr_midgrey=sensor.snr_midgrey(iso),
        made_from_iso=amplified,
        digital_factor=factor,
    )


def true_channel_ratios(kit: SimulatedKit, light: str = "daylight") -> tuple[float, float]:
    """Return the response of red and of blue over that of green, to a grey card in "daylight" or "tungsten" light."""
    response = {name: kit.sensor.colour_response[name] for name in ("R", "G", "B")}
    if light == "tungsten":
        response = {name: value * kit.tungsten_response[name] for name, value in response.items()}
    return response["R"] / response["G"], response["B"] / response["G"]


def true_hot_pixels(kit: SimulatedKit, exposure_s: float, excess_e: float) -> int:
    """Return how many pixels stand on average more than `excess_e` [e-] above the others after `exposure_s` [s]."""
    fixed = kit.sensor.fixed_pattern(kit.shape)
    offsets = fixed.offset_e.ravel()[fixed.hot_index]
    return int((offsets + fixed.hot_rate_e_per_s * exposure_s > excess_e).sum())


def true_iso_limit(kit: SimulatedKit, criteria: Criteria) -> float | None:
    """Return the highest ISO, not rounded to the dial, whose SNR at mid-grey in the output picture reaches
    the criterion.

    SNR of the picture = SNR of a green pixel times sqrt(sensor pixels / output pixels), for white noise. None
    if the criterion is met nowhere, or everywhere, in the ISO range.
    """
    scale = math.sqrt(kit.shape[0] * kit.shape[1] / (criteria.picture_mp(kit.shape) * 1e6))

    def enough(iso: float) -> bool:
        return kit.sensor.snr_midgrey(iso) * scale >= criteria.snr

    low, high = kit.iso_range
    if not enough(low) or enough(high):
        return None
    for _ in range(60):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if enough(middle) else (low, middle)
    return math.sqrt(low * high)


def true_mtf50(kit: SimulatedKit, square: Square, f_number: float) -> float:
    """Return the true green MTF50 [cycles/pixel] across the edges of a square at an exact f-number."""
    x, y = position_in_frame(square, kit.shape)
    return kit.lens.mtf50_cy_per_px(f_number, kit.pitch_um, x, y, angle_deg=square.tilt_deg)


def _apertures(kit: SimulatedKit, square: Square, fraction: float) -> TrueAperture:
    """Search peak (golden section) and ends of the sharp range (bisection) in log f-number."""
    low, high = math.log(kit.lens.widest_f_number), math.log(kit.lens.narrowest_f_number)

    def sharpness(log_f_number: float) -> float:
        return true_mtf50(kit, square, math.exp(log_f_number))

    golden = (math.sqrt(5.0) - 1.0) / 2.0
    a, b = low, high
    for _ in range(40):
        c, d = b - golden * (b - a), a + golden * (b - a)
        a, b = (a, d) if sharpness(c) > sharpness(d) else (c, b)
    peak = 0.5 * (a + b)
    threshold = fraction * sharpness(peak)

    def crossing(outside: float) -> float:
        if sharpness(outside) >= threshold:
            return outside
        inside = peak
        for _ in range(40):
            middle = 0.5 * (inside + outside)
            inside, outside = (middle, outside) if sharpness(middle) >= threshold else (inside, middle)
        return inside

    x, y = position_in_frame(square, kit.shape)
    return TrueAperture(
        x_norm=(x + 1.0) / 2.0,
        y_norm=(y + 1.0) / 2.0,
        sharpest_f_number=math.exp(peak),
        sharp_range=(math.exp(crossing(low)), math.exp(crossing(high))),
    )


def truth(
    kit: SimulatedKit,
    criteria: Criteria | None = None,
    *,
    iso_values: Sequence[float] | None = None,
    f_numbers: Sequence[float] | None = None,
    paths: int = 20_000,
) -> Truth:
    """Return the kit's true answers under `criteria` (default: the defaults).

    `iso_values` and `f_numbers` are exact; None means whole stops over the kit's range and the marked
    whole-stop f-numbers with the lens's widest. `paths` sets the effort of the shutter limits (see
    `true_shutter_limit_s`).
    """
    criteria = criteria or Criteria()
    if iso_values is None:
        stops = round(math.log2(kit.iso_range[1] / kit.iso_range[0]))
        iso_values = [kit.iso_range[0] * 2.0**stop for stop in range(stops + 1)]
    if f_numbers is None:
        whole = [exact_f_number(marked) for marked in (1, 1.4, 2, 2.8, 4, 5.6, 8, 11, 16, 22, 32)]
        f_numbers = [kit.lens.widest_f_number] + [
            value for value in whole if kit.lens.widest_f_number * 1.01 < value <= kit.lens.narrowest_f_number * 1.01
        ]
    sharpness = []
    for square in kit.chart.squares:
        x, y = position_in_frame(square, kit.shape)
        sharpness += [
            TrueSharpness(f_number, (x + 1.0) / 2.0, (y + 1.0) / 2.0, true_mtf50(kit, square, f_number))
            for f_number in f_numbers
        ]
    streak_limit_px = criteria.streak_limit_px(kit.shape)
    hands = kit.hands.scaled(kit.technique)
    return Truth(
        noise=tuple(_noise(kit, iso) for iso in iso_values),
        iso_limit=true_iso_limit(kit, criteria),
        sharpness=tuple(sharpness),
        apertures=tuple(_apertures(kit, square, criteria.mtf50_fraction) for square in kit.chart.squares),
        streak_limit_px=streak_limit_px,
        shutter_limits_s={
            keep: true_shutter_limit_s(
                hands, streak_limit_px, keep, kit.lens.focal_mm, kit.pitch_um, stabiliser=kit.stabiliser, paths=paths
            )
            for keep in sorted({*_KEEPS, criteria.keep})
        },
        dual_gain_iso=kit.sensor.dual_gain_iso,
        dark_current_e_per_s=kit.sensor.dark_current_e_per_s,
    )


def as_plain(value: Any) -> Any:
    """Return dataclasses, tuples and dictionaries as plain JSON values."""
    if hasattr(value, "__dataclass_fields__"):
        return {name: as_plain(getattr(value, name)) for name in value.__dataclass_fields__}
    if isinstance(value, dict):
        return {str(key): as_plain(item) for key, item in value.items()}
    return [as_plain(item) for item in value] if isinstance(value, (tuple, list)) else value
