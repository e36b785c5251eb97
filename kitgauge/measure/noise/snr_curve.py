"""SNR of one sample against exposure, in stops below saturation: the noise of a picture's every tone."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from kitgauge.intervals import NORMAL_95
from kitgauge.measure.noise.dynamic_range import propagated
from kitgauge.measure.noise.noise_points import NoisePoint, snr

_STEPS_PER_STOP = 3
_LEAST_SNR = 1.0  # the curve ends at the first step at which SNR is below this
_MOST_STOPS = 24  # more than any sensor has


@dataclass(frozen=True)
class SnrCurve:
    """Temporal SNR of one sample of a channel against exposure at one ISO value, with its 95 % band.

    `low` and `high` are NaN where errors are unknown.
    """

    iso: float
    channel: str
    stops_below_saturation: tuple[float, ...]
    snr: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "iso": self.iso,
            "channel": self.channel,
            "stops_below_saturation": list(self.stops_below_saturation),
            "snr": list(self.snr),
            "low": list(self.low),
            "high": list(self.high),
        }


def snr_against_exposure(points: Sequence[NoisePoint], channel: str = "G") -> tuple[SnrCurve, ...]:
    """Return one curve per ISO value of `channel` with gain, read noise and saturation, lowest ISO first.

    SNR = S / sqrt(S + sigma_r^2 + g^2/12) at S = saturation / 2^stops (EMVA 1288 Release 4 Linear), from saturation
    down in thirds of a stop to the first SNR below 1. The band carries the errors of gain, read noise in DN and
    saturation in DN, which are independent, through log SNR.
    """
    chosen = sorted((p for p in points if p.channel == channel), key=lambda p: p.iso)
    return tuple(
        _curve(p) for p in chosen if p.gain_e_per_dn > 0 and p.read_noise_e > 0 and p.saturation_e > p.gain_e_per_dn
    )


def _curve(point: NoisePoint) -> SnrCurve:
    gain, read_dn = point.gain_e_per_dn, point.read_noise_e / point.gain_e_per_dn
    span = point.saturation_e / gain
    read_stderr = point.read_noise_dn_stderr
    if math.isnan(read_stderr):
        read_stderr = point.read_noise_e_stderr / gain
    errors = (point.gain_e_per_dn_stderr, read_stderr, _range_stderr_dn(point))
    stops: list[float] = []
    values: list[float] = []
    spreads: list[float] = []
    for step in range(_MOST_STOPS * _STEPS_PER_STOP + 1):
        below = step / _STEPS_PER_STOP

        def log_snr(g: float, read: float, full: float, below: float = below) -> float:
            return math.log(snr(g * full * 2.0**-below, g * read, g))

        value = math.exp(log_snr(gain, read_dn, span))
        stops.append(below)
        values.append(value)
        spreads.append(math.exp(NORMAL_95 * propagated(log_snr, (gain, read_dn, span), errors)))
        if value < _LEAST_SNR:
            break
    return SnrCurve(
        point.iso,
        point.channel,
        tuple(stops),
        tuple(values),
        tuple(value / spread for value, spread in zip(values, spreads, strict=True)),
        tuple(value * spread for value, spread in zip(values, spreads, strict=True)),
    )


def _range_stderr_dn(point: NoisePoint) -> float:
    """Return the error of saturation in DN: what its error in electrons has beyond that of the gain.

    0 where saturation is the file's white level.
    """
    own = point.saturation_e_stderr
    if math.isnan(own):
        return 0.0
    of_gain = point.saturation_e * point.gain_e_per_dn_stderr / point.gain_e_per_dn
    return math.sqrt(max(own**2 - of_gain**2, 0.0)) / point.gain_e_per_dn
