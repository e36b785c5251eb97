"""The ISO at which an SNR falls through a wanted value, with its interval, from points that carry errors.

A point is a tuple of channel states (one for the green pixel, three for a picture in colour), and the SNR is a function
of it, so that every limit by SNR is found in the same way.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from kitgauge.intervals import NORMAL_95
from kitgauge.limits.viewing import picture_scale
from kitgauge.measure.noise.noise_points import MIDGREY_FRACTION_OF_SATURATION, QUANTISATION_DN2, NoisePoint

_HALVINGS = 60
_RESOLVED = 1e-12  # of the way between two points
_NEARBY = 1e-4  # of the way between two points, for slopes


@dataclass(frozen=True)
class ChannelState:
    """What the SNR of a channel follows from at one ISO, and the standard errors of each.

    gain [e-/DN], variance of read noise [DN^2], white less black [DN], and picture SNR over sample SNR. The four errors
    are relative for gain, range and scale, and [DN] for the root of the variance; independent of one another.
    """

    gain: float
    read_dn2: float
    range_dn: float
    scale: float
    gain_error: float = 0.0
    read_dn_error: float = 0.0
    range_error: float = 0.0
    scale_error: float = 0.0

    def midgrey_dn(self) -> float:
        """Return mid-grey above black [DN]."""
        return MIDGREY_FRACTION_OF_SATURATION * self.range_dn

    def picture_variance_dn2(self, signal_dn: float) -> float:
        """Return the noise variance [DN^2] of the picture at `signal_dn` above black: shot, read, rounding."""
        return (signal_dn / self.gain + max(self.read_dn2, 0.0) + QUANTISATION_DN2) / self.scale**2

    def snr(self, stops_below_midgrey: float = 0.0) -> float:
        """Return the picture's SNR so many stops below mid-grey."""
        signal = self.midgrey_dn() * math.exp2(-stops_below_midgrey)
        return signal / math.sqrt(self.picture_variance_dn2(signal))

    def changed(self) -> list[ChannelState]:
        """Return the state with each of its numbers one standard error higher."""
        read_dn = math.sqrt(max(self.read_dn2, 0.0))
        return [
            replace(self, gain=self.gain * (1.0 + self.gain_error)),
            replace(self, read_dn2=(read_dn + self.read_dn_error) ** 2),
            replace(self, range_dn=self.range_dn * (1.0 + self.range_error)),
            replace(self, scale=self.scale * (1.0 + self.scale_error)),
        ]

    def towards(self, other: ChannelState, share: float) -> ChannelState:
        """Return the state at `share` (0..1) of the way to `other` in log ISO.

        Log gain is linear in log ISO and the variance of read noise [e-^2] linear in gain^2: both exact for g = k / ISO
        and sigma_r^2 = sigma_0^2 + (sigma_1 g)^2.
        """
        gain = self.gain ** (1.0 - share) * other.gain**share
        here_e, there_e = self.read_dn2 * self.gain**2, other.read_dn2 * other.gain**2
        step = self.gain**2 - other.gain**2
        along = share if step <= 0 else (self.gain**2 - gain**2) / step
        return ChannelState(
            gain=gain,
            read_dn2=(here_e + along * (there_e - here_e)) / gain**2,
            range_dn=self.range_dn + share * (other.range_dn - self.range_dn),
            scale=self.scale ** (1.0 - share) * other.scale**share,
        )

    def same_stage(self, other: ChannelState, sigma_1_dn: float) -> ChannelState:
        """Return `other` with the read noise that the gain stage of this state would have at its gain."""
        electrons = self.read_dn2 * self.gain**2 + sigma_1_dn**2 * (other.gain**2 - self.gain**2)
        return replace(other, read_dn2=max(electrons, 0.0) / other.gain**2)


States = tuple[ChannelState, ...]
Snr = Callable[[States], float]
Ends = Callable[[States, States], tuple[States, States]]


@dataclass(frozen=True)
class SecondStage:
    """A second gain stage: its first measured ISO, and the read noise behind the amplifier with its error [DN]."""

    first_iso: float
    sigma_1_dn: float
    sigma_1_stderr_dn: float

    def alone(self, *, low_stage: bool) -> tuple[Ends, list[Ends]]:
        """Return what takes both ends of a gap to be in one stage, and the same with sigma_1 one error higher."""
        # an unknown error leaves that of the points
        error = self.sigma_1_stderr_dn if math.isfinite(self.sigma_1_stderr_dn) else 0.0
        return _one_stage(self.sigma_1_dn, low_stage), [_one_stage(self.sigma_1_dn + error, low_stage)]


@dataclass(frozen=True)
class Crossing:
    """Where an SNR falls through the wanted value.

    `iso`, its standard error [stops] and 95 % interval; `last` is the index of the last point that reaches the value.
    `at_highest`: that is the last one of all, the limit is at least its ISO, error and upper end are NaN. `states` are
    those at `iso`.
    """

    iso: float
    stderr_stops: float
    ci_low: float
    ci_high: float
    last: int
    at_highest: bool
    states: States


def lowest(found: Sequence[Crossing]) -> Crossing:
    """Return the lowest of several crossings, all of which have to be kept to.

    The ends of its interval are the lowest ones of all: another may turn out to be the one that binds.
    """
    first = min(found, key=lambda crossing: (crossing.iso, crossing.at_highest))
    high = min((crossing.ci_high for crossing in found if not crossing.at_highest), default=math.nan)
    return replace(first, ci_low=min(crossing.ci_low for crossing in found), ci_high=high)


def channel_state(
    point: NoisePoint, sensor_pixels: float, output_mp: float, power: float, power_error: float
) -> ChannelState:
    """Return the state of a measured point whose noise shows in the picture as `power` times white noise, with the
    standard error `power_error`.

    Where read noise was not measured but the SNR at mid-grey was, all noise counts as shot noise: the state is right at
    mid-grey only, and between two such states log SNR is linear in log ISO.
    """
    if math.isnan(point.read_noise_e):
        return _state_of_snr(point, picture_scale(sensor_pixels, output_mp, power), 0.5 * power_error / power)
    read_dn = point.read_noise_e / point.gain_e_per_dn
    read_stderr = point.read_noise_dn_stderr
    if not math.isfinite(read_stderr):
        read_stderr = point.read_noise_e_stderr / point.gain_e_per_dn
    gain_error = point.gain_e_per_dn_stderr / point.gain_e_per_dn
    # saturation is gain times range: what its error holds beyond that of the gain is the range's
    beyond = (point.saturation_e_stderr / point.saturation_e) ** 2 - gain_error**2
    return ChannelState(
        gain=point.gain_e_per_dn,
        read_dn2=read_dn**2,
        range_dn=point.saturation_e / point.gain_e_per_dn,
        scale=picture_scale(sensor_pixels, output_mp, power),
        gain_error=gain_error,
        read_dn_error=read_stderr,
        range_error=math.sqrt(beyond) if beyond > 0 else 0.0,
        scale_error=0.5 * power_error / power,
    )


def _state_of_snr(point: NoisePoint, scale: float, scale_error: float) -> ChannelState:
    range_dn = point.saturation_e / point.gain_e_per_dn
    level = MIDGREY_FRACTION_OF_SATURATION * range_dn
    return ChannelState(
        gain=level / ((level / point.snr_midgrey) ** 2 - QUANTISATION_DN2),
        read_dn2=0.0,
        range_dn=range_dn,
        scale=scale,
        gain_error=2.0 * point.snr_midgrey_stderr / point.snr_midgrey,  # SNR goes with the root of the gain
        scale_error=scale_error,
    )


def find_crossing(
    isos: Sequence[float],
    points: Sequence[States],
    snr: Snr,
    wanted: float,
    *,
    further: Sequence[Snr] = (),
    second_stage: SecondStage | None = None,
) -> Crossing | None:
    """Return the highest ISO at which `snr` reaches `wanted`; None where no point does.

    isos : rising; points : the states at each. further : the SNR with each number that it depends on besides the states
    one standard error higher. second_stage : what is known of a second gain stage.

    Nothing is extrapolated. The interval is the standard errors carried to log ISO (Gaussian, 95 %). Where the second
    stage begins between the two points, it is not known where between them the sensor changes over: the low stage may
    go on to the end of the gap, or the high stage begin at its start. The interval then reaches from the one stage's
    crossing to the other's, each with its own error, as wide as a value anywhere between the two needs to be covered
    in 95 % (Imbens and Manski 2004, confidence intervals for partially identified parameters, from memory).
    """
    met = [index for index, states in enumerate(points) if snr(states) >= wanted]
    if not met:
        return None
    last = met[-1]
    if last == len(points) - 1:
        return _at_highest(isos, points, snr, wanted, further)
    gap = _Gap(points[last], points[last + 1], snr, wanted, further)
    share, error = gap.crossing(_as_measured)
    stops = math.log2(isos[last + 1] / isos[last])
    iso, stderr = isos[last] * 2.0 ** (share * stops), error * stops
    low, high = iso * 2.0 ** (-NORMAL_95 * stderr), iso * 2.0 ** (NORMAL_95 * stderr)
    if second_stage is not None and second_stage.first_iso == isos[last + 1]:
        ends = [gap.crossing(*second_stage.alone(low_stage=low_stage)) for low_stage in (True, False)]
        z = _partial_z(abs(ends[1][0] - ends[0][0]), max(ends[0][1], ends[1][1]))
        low, high = (
            isos[last] * 2.0 ** (stops * end)
            for end in (min(x - z * e for x, e in ends), max(x + z * e for x, e in ends))
        )
        low, high = min(low, iso), max(high, iso)
    return Crossing(iso, stderr, low, high, last, False, gap.at(share))


def _as_measured(below: States, above: States) -> tuple[States, States]:
    return below, above


def _one_stage(sigma_1_dn: float, low_stage: bool) -> Ends:
    def ends(below: States, above: States) -> tuple[States, States]:
        if low_stage:
            return below, tuple(b.same_stage(a, sigma_1_dn) for b, a in zip(below, above, strict=True))
        return tuple(a.same_stage(b, sigma_1_dn) for b, a in zip(below, above, strict=True)), above

    return ends


def _between(below: States, above: States, share: float) -> States:
    return tuple(b.towards(a, share) for b, a in zip(below, above, strict=True))


def _changed(states: States) -> list[States]:
    """Return the states with each number of each one standard error higher."""
    return [
        (*states[:index], changed, *states[index + 1 :])
        for index, state in enumerate(states)
        for changed in state.changed()
    ]


@dataclass(frozen=True)
class _Gap:
    """Two neighbouring points, the SNR that falls through `wanted` between them, and what it depends on besides."""

    below: States
    above: States
    snr: Snr
    wanted: float
    further: Sequence[Snr]

    def at(self, share: float, taken_as: Ends = _as_measured) -> States:
        """Return the states at `share` (0..1) of the way in log ISO."""
        return _between(*taken_as(self.below, self.above), share)

    def crossing(self, taken_as: Ends, moved_ends: Sequence[Ends] = ()) -> tuple[float, float]:
        """Return the share of the way at which SNR falls through `wanted`, 0 or 1 if it does not, and its error.

        taken_as : turns the two measured points into those to go between; moved_ends : the same with each number that
        it depends on one standard error higher.
        """
        low, high = 0.0, 1.0
        if self.snr(self.at(0.0, taken_as)) < self.wanted:
            high = 0.0
        elif self.snr(self.at(1.0, taken_as)) >= self.wanted:
            low = 1.0
        while high - low > _RESOLVED:
            middle = 0.5 * (low + high)
            low, high = (middle, high) if self.snr(self.at(middle, taken_as)) >= self.wanted else (low, middle)
        share = 0.5 * (low + high)
        here, near, far = (math.log(self.snr(self.at(share + step, taken_as))) for step in (0.0, -_NEARBY, _NEARBY))
        moved = [
            *(self.snr(replace(self, below=change).at(share, taken_as)) for change in _changed(self.below)),
            *(self.snr(replace(self, above=change).at(share, taken_as)) for change in _changed(self.above)),
            *(self.snr(self.at(share, ends)) for ends in moved_ends),
            *(snr(self.at(share, taken_as)) for snr in self.further),
        ]
        error = math.sqrt(sum((math.log(value) - here) ** 2 for value in moved))
        return share, error * 2.0 * _NEARBY / abs(far - near)


def _partial_z(width: float, error: float) -> float:
    """Return how many standard errors beyond the ends of an interval cover 95 % of a value anywhere in it.

    Phi(z + width / error) - Phi(-z) = 0.95: 1.96 for no width, 1.64 for a wide one.
    """
    if not error > 0:
        return 0.0

    def covered(z: float) -> float:
        return 0.5 * (math.erf((z + width / error) / math.sqrt(2.0)) + math.erf(z / math.sqrt(2.0)))

    low, high = 1.0, NORMAL_95
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if covered(middle) < 0.95 else (low, middle)
    return high


def _at_highest(
    isos: Sequence[float], points: Sequence[States], snr: Snr, wanted: float, further: Sequence[Snr]
) -> Crossing:
    """Return the highest measured ISO with the lower end of what its SNR, less its error, allows."""
    states = points[-1]
    here = math.log2(snr(states))
    moved = [*(snr(change) for change in _changed(states)), *(other(states) for other in further)]
    error = math.sqrt(sum((math.log2(value) - here) ** 2 for value in moved))
    # a stop of ISO halves the electrons and so lowers log2 SNR by at least half a stop (pure shot noise)
    slope = 0.5
    if len(points) > 1:
        near = snr(_between(points[-2], states, 1.0 - _NEARBY))
        slope = max(slope, (math.log2(near) - here) / (_NEARBY * math.log2(isos[-1] / isos[-2])))
    margin = (here - math.log2(wanted) - NORMAL_95 * error) / slope
    return Crossing(isos[-1], math.nan, isos[-1] * 2.0 ** min(0.0, margin), math.nan, len(points) - 1, True, states)
