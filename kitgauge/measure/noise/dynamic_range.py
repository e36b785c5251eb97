"""Dynamic range of one ISO value in stops, by two definitions, and SNR = 1 as its lower end.

**Engineering**: saturation over temporal read noise, log2(S_sat / sigma_r), both in electrons. Read noise is the
sensor's own: without the rounding to whole DN (as EMVA 1288 Release 4 Linear takes sigma_q apart).

**ISO 15739** (third edition 2017, its wording from memory: "ratio of the maximum luminance that is not clipped to
the lowest luminance at which the signal-to-noise ratio is at least 1", noise being the temporal one): here, for raw
samples that are linear in light, luminance is proportional to electrons S, and the definition used is

    DR = S_sat / S_1,    S_1 / sqrt(S_1 + sigma_b^2) = 1,    so    S_1 = (1 + sqrt(1 + 4 sigma_b^2)) / 2

with sigma_b^2 = sigma_r^2 + g^2/12 (+ row and column noise squared, where given): the temporal noise of a black
patch as the file holds it, read at black itself, not at the chart's darkest patch, whose own shot noise the standard's
chart method cannot avoid. So it differs from a chart reading by what shot noise adds there. Fixed pattern is
left out of both definitions: it does not change from frame to frame.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict, dataclass

ROUNDING_DN2 = 1.0 / 12.0  # EMVA 1288 R4: sigma_q^2


@dataclass(frozen=True)
class DynamicRange:
    """Dynamic range [stops] by both definitions, with standard errors; NaN is unknown."""

    engineering_stops: float
    engineering_stops_stderr: float
    iso15739_stops: float
    iso15739_stops_stderr: float

    def as_dict(self) -> dict[str, float]:
        """Return plain values for JSON."""
        return asdict(self)


def engineering_dynamic_range_stops(saturation_e: float, read_noise_e: float) -> float:
    """Return log2(saturation / read noise); NaN unless both [e-] are positive."""
    if not (saturation_e > 0 and read_noise_e > 0):
        return math.nan
    return math.log2(saturation_e / read_noise_e)


def signal_of_snr_e(snr: float, noise_e: float) -> float:
    """Return the signal S [e-] whose temporal SNR is `snr` > 0: S / sqrt(S + noise^2) = snr.

    The positive root of S^2 - snr^2 S - snr^2 noise^2 = 0; `noise_e` [e-] is all that does not grow with light.
    """
    return 0.5 * snr * (snr + math.sqrt(snr**2 + 4.0 * noise_e**2))


def iso15739_dynamic_range_stops(
    saturation_e: float, read_noise_e: float, gain_e_per_dn: float, line_noise_e: float = 0.0
) -> float:
    """Return log2(S_sat / S_1), S_1 [e-] the signal of SNR 1 (definition above); NaN where an input is unknown.

    `read_noise_e` is without rounding (added from the gain), `line_noise_e` the root of the summed squares of row and
    column noise, 0 to leave them out.
    """
    if not (saturation_e > 0 and read_noise_e >= 0 and gain_e_per_dn > 0):
        return math.nan
    black = math.sqrt(read_noise_e**2 + ROUNDING_DN2 * gain_e_per_dn**2 + line_noise_e**2)
    return math.log2(saturation_e / signal_of_snr_e(1.0, black))


def dynamic_range(
    gain_e_per_dn: float,
    gain_e_per_dn_stderr: float,
    read_noise_dn: float,
    read_noise_dn_stderr: float,
    range_dn: float,
    range_dn_stderr: float = 0.0,
    line_noise_dn: float = 0.0,
) -> DynamicRange:
    """Return both dynamic ranges with standard errors.

    Taken in DN, where the three measured numbers are independent: gain (shot noise of flats), read noise
    (darks) and the range from black to saturation. In the engineering range the gain cancels; in that of ISO 15739
    it does not quite. Errors by first-order propagation.
    """

    def engineering(gain: float, read: float, span: float) -> float:
        return engineering_dynamic_range_stops(gain * span, gain * read)

    def photographic(gain: float, read: float, span: float) -> float:
        return iso15739_dynamic_range_stops(gain * span, gain * read, gain, gain * line_noise_dn)

    values = (gain_e_per_dn, read_noise_dn, range_dn)
    errors = (gain_e_per_dn_stderr, read_noise_dn_stderr, range_dn_stderr)
    return DynamicRange(
        engineering(*values),
        propagated(engineering, values, errors),
        photographic(*values),
        propagated(photographic, values, errors),
    )


def propagated(
    function: Callable[[float, float, float], float],
    values: tuple[float, float, float],
    errors: tuple[float, float, float],
) -> float:
    """Return the standard error of `function` of three independent numbers, to first order (central
    differences over a thousandth of each number)."""
    variance = 0.0
    for index, error in enumerate(errors):
        step = 1e-3 * abs(values[index])
        if not step > 0 or math.isnan(error):
            return math.nan
        up = function(*(v + step * (i == index) for i, v in enumerate(values)))
        down = function(*(v - step * (i == index) for i, v in enumerate(values)))
        variance += ((up - down) / (2.0 * step) * error) ** 2
    return math.sqrt(variance)
