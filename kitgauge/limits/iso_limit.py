"""The highest ISO whose noise is acceptable at the size at which the picture is used."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from kitgauge.errors import LimitsError
from kitgauge.exposure import iso_dial
from kitgauge.fit.noise_iso import NoiseFit
from kitgauge.flags import FLAGS, Severity
from kitgauge.limits.compare import Z_95
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.model import Limit
from kitgauge.measure.noise_points import MIDGREY_FRACTION_OF_SATURATION, NoisePoint, snr


@dataclass(frozen=True)
class _State:
    """What SNR follows from at one ISO: gain [e-/DN], variance of read noise [DN^2], white less black
    [DN]."""

    gain: float
    read_dn2: float
    range_dn: float
    scale: float  # picture SNR over sample SNR

    def snr(self) -> float:
        midgrey = MIDGREY_FRACTION_OF_SATURATION * self.gain * self.range_dn
        return self.scale * snr(midgrey, math.sqrt(max(self.read_dn2, 0.0)) * self.gain, self.gain)


def iso_limit(
    points: Sequence[NoisePoint],
    fit: NoiseFit | None,
    criteria: Criteria,
    sensor_pixels: int,
    channel: str = "G",
) -> Limit:
    """Return the highest ISO whose picture SNR at mid-grey reaches `criteria.snr`.

    Picture SNR is that of one sample times sqrt(sensor pixels / output pixels): averaging of white noise.
    Where neighbours are correlated (`correlated-noise`) it is divided by the root of the noise power at low
    frequencies relative to white noise, and the limit carries the flag.

    Between two measured ISO values gain is interpolated linearly in log gain over log ISO and read noise
    linearly in variance over gain^2: both exact for g = k / ISO and sigma_r^2 = sigma_0^2 + (sigma_1 g)^2.
    Nothing is extrapolated: if the highest measured ISO still reaches the criterion the limit is that ISO,
    flagged `limit-at-highest`, with no upper end of the interval. The interval is the two points' standard
    errors carried to log ISO (Gaussian, 95 %); where the second gain stage begins between the two, it reaches
    from the one stage's crossing to the other's.

    Raises LimitsError if no point has an SNR, or if not even the lowest measured ISO reaches the criterion.
    """
    chosen = [p for p in points if p.channel == channel]
    usable = sorted((p for p in chosen if math.isfinite(p.snr_midgrey)), key=lambda p: p.iso)
    wanted = {"snr": criteria.snr, "output_mp": criteria.output_mp}
    if not usable:
        reasons = sorted({flag for p in chosen for flag in p.flags if FLAGS[flag].severity is not Severity.NOTE})
        raise LimitsError(
            "no ISO limit: no ISO value has both gain and read noise",
            where=f"channel {channel}",
            got=", ".join(reasons) if reasons else "no points",
            needed="a flat pair and a dark pair at one ISO value or more",
            fix="; ".join(FLAGS[name].advice for name in reasons if FLAGS[name].advice)
            or "shoot two flats and two darks per ISO value",
        )
    states = [_state(p, sensor_pixels, criteria.output_mp) for p in usable]
    met = [index for index, state in enumerate(states) if state.snr() >= criteria.snr]
    if not met:
        lowest = usable[0]
        raise LimitsError(
            f"no measured ISO reaches SNR {criteria.snr:g} at mid-grey in a picture of {criteria.output_mp:g} MP",
            where=f"ISO {lowest.iso:g}, the lowest measured",
            got=f"SNR {states[0].snr():.3g}",
            needed=f"SNR {criteria.snr:g}",
            fix="set a lower SNR or a smaller picture (--criterion snr=..., --criterion output_mp=...)",
        )
    last = met[-1]
    at_highest = last == len(usable) - 1
    if at_highest:
        value, stderr, low, high = _at_highest(usable, states, criteria.snr)
    else:
        value, stderr, low, high = _crossing(
            usable[last], usable[last + 1], states[last], states[last + 1], criteria.snr, fit
        )
    flags = [flag for p in usable[last : last + 2] for flag in p.flags if FLAGS[flag].severity is Severity.DOUBT]
    if at_highest:
        flags.append("limit-at-highest")
    flags = list(dict.fromkeys(flags))
    beyond = sorted(p.iso for p in chosen if p.iso > usable[-1].iso)
    dial = _dial(value)
    corrected = any(_power(p, sensor_pixels, criteria.output_mp) != 1.0 for p in usable[last : last + 2])
    return Limit(
        kind="iso",
        value={"iso": value},
        dial={"iso": dial},
        ci_low=low,
        ci_high=high,
        criterion=wanted,
        stderr_stops=stderr,
        flags=tuple(flags),
        extra={"at_least": at_highest, "channel": channel},
        text=_sentence(value, dial, low, high, criteria, beyond if at_highest else None, flags, corrected),
    )


def picture_scale(point: NoisePoint, sensor_pixels: int, output_mp: float) -> float:
    """Return picture SNR over sample SNR: sqrt(sensor pixels / output pixels), less where noise is
    correlated."""
    return math.sqrt(sensor_pixels / (output_mp * 1e6) / _power(point, sensor_pixels, output_mp))


def _power(point: NoisePoint, sensor_pixels: int, output_mp: float) -> float:
    """Return the noise power that averaging meets, relative to white noise.

    1 where fewer than one sample is averaged: neighbours do not mix then.
    """
    power = point.noise_power_ratio
    return power if power > 0 and sensor_pixels > output_mp * 1e6 else 1.0


def _state(point: NoisePoint, sensor_pixels: int, output_mp: float) -> _State:
    return _State(
        gain=point.gain_e_per_dn,
        read_dn2=(point.read_noise_e / point.gain_e_per_dn) ** 2,
        range_dn=point.saturation_e / point.gain_e_per_dn,
        scale=picture_scale(point, sensor_pixels, output_mp),
    )


def _between(low: _State, high: _State, share: float) -> _State:
    """Return the state at `share` (0..1) of the way in log ISO."""
    gain = low.gain ** (1.0 - share) * high.gain**share
    low_e, high_e = low.read_dn2 * low.gain**2, high.read_dn2 * high.gain**2
    step = low.gain**2 - high.gain**2
    along = share if step <= 0 else (low.gain**2 - gain**2) / step
    return _State(
        gain=gain,
        read_dn2=(low_e + along * (high_e - low_e)) / gain**2,
        range_dn=low.range_dn + share * (high.range_dn - low.range_dn),
        scale=low.scale ** (1.0 - share) * high.scale**share,
    )


def _share(below: _State, above: _State, wanted: float) -> float:
    """Return the share (0..1) of the way at which SNR falls through `wanted`, by halving; 0 or 1 if it does
    not."""
    if below.snr() < wanted:
        return 0.0
    if above.snr() >= wanted:
        return 1.0
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        if _between(below, above, middle).snr() >= wanted:
            low = middle
        else:
            high = middle
    return low


def _crossing(
    below: NoisePoint, above: NoisePoint, low: _State, high: _State, wanted: float, fit: NoiseFit | None
) -> tuple[float, float, float, float]:
    """Return the ISO at which SNR falls through `wanted`, its standard error [stops] and interval."""
    stops = math.log2(above.iso / below.iso)
    share = _share(low, high, wanted)
    value = below.iso * 2.0 ** (share * stops)
    nearby = 1e-4
    slope = (
        math.log(_between(low, high, share + nearby).snr() / _between(low, high, share - nearby).snr())
        / (2.0 * nearby)
        / stops
    )
    variance = 0.0
    for state, point, first in ((low, below, True), (high, above, False)):
        for change in _changes(state, point):
            moved = _between(change, high, share) if first else _between(low, change, share)
            variance += (math.log(moved.snr() / wanted) / slope) ** 2
    stderr = math.sqrt(variance)
    ci_low, ci_high = value * 2.0 ** (-Z_95 * stderr), value * 2.0 ** (Z_95 * stderr)
    if fit is not None and fit.dual_gain_iso == above.iso:
        # where between the two values the sensor changes over is not known: the low stage may go on to the
        # end of the gap, or the high stage may begin at its start
        sigma_1 = fit.result.value("sigma_1")
        for one_stage in ((low, _same_stage(low, high, sigma_1)), (_same_stage(high, low, sigma_1), high)):
            edge = below.iso * 2.0 ** (stops * _share(*one_stage, wanted))
            ci_low, ci_high = min(ci_low, edge), max(ci_high, edge)
    return value, stderr, ci_low, ci_high


def _same_stage(known: _State, other: _State, sigma_1_dn: float) -> _State:
    """Return `other` with the read noise that the stage of `known` would have at its gain."""
    electrons = known.read_dn2 * known.gain**2 + sigma_1_dn**2 * (other.gain**2 - known.gain**2)
    return replace(other, read_dn2=max(electrons, 0.0) / other.gain**2)


def _changes(state: _State, point: NoisePoint) -> list[_State]:
    """Return the state with gain, and with read noise, one standard error higher."""
    read_dn = math.sqrt(max(state.read_dn2, 0.0))
    read_stderr = point.read_noise_dn_stderr
    if not math.isfinite(read_stderr):
        read_stderr = point.read_noise_e_stderr / point.gain_e_per_dn
    return [
        replace(state, gain=state.gain + point.gain_e_per_dn_stderr),
        replace(state, read_dn2=(read_dn + read_stderr) ** 2),
    ]


def _at_highest(
    points: Sequence[NoisePoint], states: Sequence[_State], wanted: float
) -> tuple[float, float, float, float]:
    """Return the highest measured ISO with the lower end of what its SNR, less its error, allows."""
    state, point = states[-1], points[-1]
    error = math.sqrt(sum(math.log2(change.snr() / state.snr()) ** 2 for change in _changes(state, point)))
    # a stop of ISO halves the electrons and so lowers log2 SNR by at least half a stop (pure shot noise)
    margin = 2.0 * (math.log2(state.snr() / wanted) - Z_95 * error)
    return point.iso, math.nan, point.iso * 2.0 ** min(0.0, margin), math.nan


def _dial(value: float) -> float:
    """Return the third-stop dial position at or below `value`; `value` itself below the dial."""
    dial = iso_dial("thirds")
    index = dial.at_most(value)
    return value if index is None else dial.nominal[index]


def _sentence(
    value: float,
    dial: float,
    low: float,
    high: float,
    criteria: Criteria,
    unmeasured_above: Sequence[float] | None,
    flags: Sequence[str],
    corrected: bool,
) -> str:
    """Return the limit in plain words; `unmeasured_above` is None where the curve falls through the
    criterion."""
    criterion = f"SNR {criteria.snr:g} at mid-grey in a picture of {criteria.output_mp:g} MP"
    if unmeasured_above is None:
        interval = f"95 % interval {low:.0f} to {high:.0f}" if math.isfinite(low) else "interval not estimated"
        text = f"Noise is acceptable up to ISO {dial:.0f}: {criterion} up to ISO {value:.0f} ({interval})."
    else:
        text = f"Noise is acceptable up to ISO {value:.0f} at least, the highest measured: {criterion}."
        if unmeasured_above:
            text += f" From ISO {unmeasured_above[0]:g} on read noise could not be measured."
    if "correlated-noise" in flags:
        text += " The raw files are noise-reduced: "
        text += "the limit was corrected for it, roughly." if corrected else "the limit holds for these files only."
    return text
