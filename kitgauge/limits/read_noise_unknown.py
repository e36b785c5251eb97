"""Where SNR at mid-grey falls through a wanted value between two ISO values whose read noise was not measured.

Only the SNR of one sample at mid-grey is known at either end. One model goes through both without more knowledge: a
signal N that halves with each stop of ISO, and one read noise sigma [e-] at both, SNR = N / sqrt(N + sigma^2). It gives
the limit. Where the two SNR do not fit it (a second gain stage, ISO values that do not mean what they say) log SNR is
interpolated linearly over log ISO. The interval holds every camera whose read noise is at most twice the model's (and
no less than `MOST_READ_NOISE_E` is allowed) and may drop at any ISO between the two: SNR then falls at most as fast as
with the highest read noise from either end.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from kitgauge.errors import LimitsError
from kitgauge.intervals import NORMAL_95
from kitgauge.limits.snr_crossing import Crossing
from kitgauge.measure.noise.midgrey_snr import MOST_READ_NOISE_E, electrons_for
from kitgauge.measure.noise.noise_points import NoisePoint

READ_NOISE_UNKNOWN = " Read noise was not measured: the interval allows for what it may be."


@dataclass(frozen=True)
class MidgreySnr:
    """SNR of one sample at mid-grey at one ISO, with its standard error."""

    iso: float
    snr: float
    stderr: float


def without_read_noise(
    crossing: Crossing, points: Sequence[NoisePoint], scales: Sequence[float], wanted: float
) -> Crossing:
    """Return the crossing found anew where read noise is unknown at either point around it; unchanged elsewhere.

    points : those searched, rising ISO; scales : picture SNR over sample SNR of each; wanted : of the picture.
    """
    around = range(crossing.last, crossing.last + 2)
    if crossing.at_highest or all(math.isfinite(points[index].read_noise_e) for index in around):
        return crossing
    below, above = (
        MidgreySnr(points[i].iso, points[i].snr_midgrey * scale, points[i].snr_midgrey_stderr * scale)
        for i in around
        if (scale := scales[i] / scales[crossing.last])
    )
    iso, stderr, low, high = crossing_without_read_noise(below, above, wanted / scales[crossing.last])
    return replace(crossing, iso=iso, stderr_stops=stderr, ci_low=low, ci_high=high)


def shadow_needs_read_noise(points: Sequence[NoisePoint]) -> LimitsError:
    """Return the error for a criterion in the shadows where read noise is unknown."""
    unknown = ", ".join(f"ISO {point.iso:g}" for point in points if math.isnan(point.read_noise_e))
    return LimitsError(
        "no limit by noise in the shadows: read noise was not measured",
        where=unknown,
        got="flats near mid-grey only",
        needed="a pair of dark frames at each ISO value",
        fix="shoot noise-ladder, or leave shadow_snr out",
    )


def crossing_without_read_noise(
    below: MidgreySnr, above: MidgreySnr, wanted: float
) -> tuple[float, float, float, float]:
    """Return the ISO at which SNR falls through `wanted`, its standard error [stops], and the 95 % interval.

    `below` reaches `wanted` (an SNR of one sample, as theirs), `above` does not. ValueError otherwise.
    """
    if not below.snr >= wanted > above.snr > 0:
        raise ValueError(f"SNR {wanted:g} is not between {below.snr:g} and {above.snr:g}")
    stops = math.log2(above.iso / below.iso)
    value = _between(below.snr, above.snr, stops, wanted)
    moved = [
        _between(max(below.snr + below.stderr, wanted), above.snr, stops, wanted) - value,
        _between(below.snr, min(above.snr + above.stderr, wanted * (1 - 1e-9)), stops, wanted) - value,
    ]
    stderr = math.hypot(*moved)
    model = one_read_noise_e(below.snr, above.snr, stops)
    most = max(MOST_READ_NOISE_E, 2.0 * (model or 0.0))
    wanted_e = electrons_for(wanted, most)
    first = min(value, math.log2(electrons_for(below.snr, most) / wanted_e))
    last = max(value, stops - math.log2(wanted_e / electrons_for(above.snr, most)))
    low, high = max(first - NORMAL_95 * stderr, 0.0), min(last + NORMAL_95 * stderr, stops)
    return below.iso * 2.0**value, stderr, below.iso * 2.0 ** min(low, value), below.iso * 2.0 ** max(high, value)


def one_read_noise_e(snr_below: float, snr_above: float, stops: float) -> float | None:
    """Return the read noise [e-] that one stage must have for SNR to fall from `snr_below` to `snr_above` over `stops`.

    With a, b the squares of the two SNR, q = 2^stops and s the square of the read noise: N^2 = a (N + s) and
    (N/q)^2 = b (N/q + s); eliminating s gives N = (q^2 - q) / (q^2/a - 1/b). None where no N > 0 and s >= 0 do.
    """
    a, b, q = snr_below**2, snr_above**2, 2.0**stops
    denominator = q**2 / a - 1.0 / b
    if abs(denominator) < 1e-12 or q <= 1.0:
        return None
    electrons = (q**2 - q) / denominator
    spread = electrons**2 / a - electrons
    return math.sqrt(spread) if electrons > 0 and spread >= 0 else None


def _between(snr_below: float, snr_above: float, stops: float, wanted: float) -> float:
    """Return the stops above the lower ISO at which SNR is `wanted`."""
    read_noise_e = one_read_noise_e(snr_below, snr_above, stops)
    if read_noise_e is None:
        return stops * math.log(snr_below / wanted) / math.log(snr_below / snr_above)
    return math.log2(electrons_for(snr_below, read_noise_e) / electrons_for(wanted, read_noise_e))
