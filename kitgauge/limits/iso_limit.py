"""The highest ISO whose noise is acceptable at the size at which the picture is used."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import partial

from kitgauge.errors import LimitsError
from kitgauge.exposure import iso_dial
from kitgauge.fit.noise.noise_iso import NoiseFit
from kitgauge.flags import FLAGS, Severity
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.model import Limit
from kitgauge.limits.picture import Picture, frame_shape_of
from kitgauge.limits.read_noise_unknown import READ_NOISE_UNKNOWN, shadow_needs_read_noise, without_read_noise
from kitgauge.limits.snr_crossing import (
    ChannelState,
    Crossing,
    SecondStage,
    States,
    find_crossing,
    lowest,
)
from kitgauge.limits.viewing import print_megapixels
from kitgauge.measure.noise.noise_points import NoisePoint

_WORTH_SAYING = 0.05  # of SNR, that rows' and columns' own noise would take


# said of the ISO value itself, which the list of values to avoid names: no doubt about a limit beside it
_OF_ONE_ISO = {"missing-codes", "scaled-down"}


@dataclass(frozen=True)
class _Demand:
    """An SNR that the picture must have so many stops below mid-grey."""

    snr: float
    stops: float

    def words(self) -> str:
        where = "at mid-grey" if self.stops == 0 else f"in a shadow {self.stops:g} stops below mid-grey"
        return f"SNR {self.snr:g} {where}"


def iso_limit(
    points: Sequence[NoisePoint],
    fit: NoiseFit | None,
    criteria: Criteria,
    sensor_pixels: float,
    channel: str = "G",
    frame_shape: tuple[int, int] | None = None,
) -> Limit:
    """Return the highest ISO whose picture SNR reaches `criteria.snr` at mid-grey, and `shadow_snr` in the shadow.

    frame_shape : (rows, columns), for the proportions of a print; 2:3 where it is not given.

    Picture SNR is that of one sample times sqrt(sensor pixels / output pixels): averaging of white noise. Where the
    measured spectrum is not white (`measure.noise_spectrum.is_white`) it is divided by the root of the noise power,
    relative to white noise, below the picture's own Nyquist frequency. Rows' and columns' own noise is not in it: being
    shared by all samples of a row it averages with the root of the picture's size only, and is told where it matters.

    Between two measured ISO values gain is interpolated linearly in log gain over log ISO and read noise
    linearly in variance over gain^2: both exact for g = k / ISO and sigma_r^2 = sigma_0^2 + (sigma_1 g)^2.
    Nothing is extrapolated: if the highest measured ISO still reaches the criterion the limit is that ISO,
    flagged `limit-at-highest`, with no upper end of the interval. The interval is the two points' standard
    errors carried to log ISO (Gaussian, 95 %); where the second gain stage begins between the two, it reaches
    from the one stage's crossing to the other's. Of two criteria the one with the lower limit binds; the interval's
    ends are the lower ones of the two.

    Raises LimitsError if no point has an SNR, or if not even the lowest measured ISO reaches the criterion.
    """
    chosen = [p for p in points if p.channel == channel]
    usable = sorted((p for p in chosen if math.isfinite(p.snr_midgrey)), key=lambda p: p.iso)
    if not usable:
        raise _nothing_measured(chosen, channel)
    unknown = any(math.isnan(p.read_noise_e) for p in usable)
    if unknown and criteria.shadow_snr is not None:
        raise shadow_needs_read_noise(usable)
    picture = Picture.of(points, criteria, sensor_pixels, frame_shape)
    states: list[States] = [(picture.state(p),) for p in usable]
    demands = [_Demand(*demand) for demand in criteria.snr_demands()]
    found = [(demand, _crossing(usable, states, fit, demand, picture.output_mp)) for demand in demands]
    crossing = lowest([item for _, item in found])
    demand = next(demand for demand, item in found if item.iso == crossing.iso)
    around = usable[crossing.last : crossing.last + 2]
    flags = [
        flag for p in around for flag in p.flags if FLAGS[flag].severity is Severity.DOUBT and flag not in _OF_ONE_ISO
    ]
    if crossing.at_highest:
        flags.append("limit-at-highest")
    (state,) = crossing.states
    said = _Said(
        demands=tuple(demands),
        binding=demand,
        picture=picture,
        print_note=_print_note(criteria, picture, frame_shape_of(sensor_pixels, frame_shape)),
        corrected=any(picture.noise_power(p)[0] != 1.0 for p in around),
        flags=tuple(dict.fromkeys(flags)),
        beyond=tuple(sorted(p.iso for p in chosen if p.iso > usable[-1].iso)),
        banding=_banding_loss(state, around, picture, demand.stops),
    )
    dial = dial_at_most(crossing.iso)
    return Limit(
        kind="iso",
        value={"iso": crossing.iso},
        dial={"iso": dial},
        ci_low=crossing.ci_low,
        ci_high=crossing.ci_high,
        criterion=criterion_of(criteria, picture),
        stderr_stops=crossing.stderr_stops,
        flags=said.flags,
        extra={
            "at_least": crossing.at_highest,
            "channel": channel,
            # the SNR of one sample that serves: what the picture of SNR against ISO marks
            "snr_pixel": criteria.snr / state.scale,
            "binds": "mid-grey" if demand.stops == 0 else "shadow",
        },
        text=said.sentence(crossing, dial) + (READ_NOISE_UNKNOWN if unknown else ""),
    )


def criterion_of(criteria: Criteria, picture: Picture) -> dict[str, float]:
    """Return the criteria of noise that are set, with the picture's size in megapixels."""
    names = ("shadow_stops", "shadow_snr", "print_long_side_cm", "viewing_distance_cm")
    further = {name: value for name in names if (value := getattr(criteria, name)) is not None}
    return {"snr": criteria.snr, "output_mp": picture.output_mp, **further}


def dial_at_most(iso: float, avoid: Collection[float] = ()) -> float:
    """Return the third-stop dial position at or below `iso` that is not one to `avoid`; `iso` itself below the dial."""
    dial = iso_dial("thirds")
    index = dial.at_most(iso)
    while index and dial.nominal[index] in avoid:
        index -= 1
    return iso if index is None else dial.nominal[index]


def second_stage(fit: NoiseFit | None) -> SecondStage | None:
    """Return what the fit knows of the second gain stage, None without one."""
    if fit is None or fit.dual_gain_iso is None:
        return None
    return SecondStage(fit.dual_gain_iso, fit.result.value("sigma_1"), fit.result.error("sigma_1"))


def _nothing_measured(chosen: Sequence[NoisePoint], channel: str) -> LimitsError:
    reasons = sorted({flag for p in chosen for flag in p.flags if FLAGS[flag].severity is not Severity.NOTE})
    return LimitsError(
        "no ISO limit: no ISO value has both gain and read noise",
        where=f"channel {channel}",
        got=", ".join(reasons) if reasons else "no points",
        needed="a flat pair and a dark pair at one ISO value or more",
        fix="; ".join(FLAGS[name].advice for name in reasons if FLAGS[name].advice)
        or "shoot two flats and two darks per ISO value",
    )


def _snr(states: States, stops: float) -> float:
    (state,) = states
    return state.snr(stops)


def _crossing(
    usable: Sequence[NoisePoint],
    states: Sequence[States],
    fit: NoiseFit | None,
    demand: _Demand,
    output_mp: float,
) -> Crossing:
    snr = partial(_snr, stops=demand.stops)
    isos = [p.iso for p in usable]
    crossing = find_crossing(isos, states, snr, demand.snr, second_stage=second_stage(fit))
    if crossing is None:
        key = "snr" if demand.stops == 0 else "shadow_snr"
        raise LimitsError(
            f"no measured ISO reaches {demand.words()} in a picture of {output_mp:.3g} MP",
            where=f"ISO {isos[0]:g}, the lowest measured",
            got=f"SNR {snr(states[0]):.3g}",
            needed=f"SNR {demand.snr:g}",
            fix=f"set a lower SNR or a smaller picture (--criterion {key}=..., --criterion output_mp=...)",
        )
    return without_read_noise(crossing, usable, [state.scale for (state,) in states], demand.snr)


def _banding_loss(state: ChannelState, around: Sequence[NoisePoint], picture: Picture, stops: float) -> float:
    """Return the share of the picture's SNR that rows' and columns' own noise would take at the limit.

    Independent from row to row, but shared along it: a picture of s times fewer rows has 1/s of its variance where
    white noise has 1/s^2.
    """
    reduction = max(math.sqrt(picture.sensor_pixels / (picture.output_mp * 1e6)), 1.0)
    known = [(p.row_noise_e, p.column_noise_e) for p in around]
    banding_e2 = max((row**2 + column**2 for row, column in known if math.isfinite(row + column)), default=0.0)
    signal = state.midgrey_dn() * math.exp2(-stops)
    white = state.picture_variance_dn2(signal)
    return 1.0 - math.sqrt(white / (white + banding_e2 / state.gain**2 / reduction))


def _print_note(criteria: Criteria, picture: Picture, frame_shape: tuple[int, int]) -> str:
    long_side, distance = criteria.print_long_side_cm, criteria.viewing_distance_cm
    if long_side is None or distance is None:
        return ""
    wanted = print_megapixels(long_side, distance, frame_shape)
    note = (
        f" A print of {long_side:g} cm seen from {distance:g} cm shows {wanted:.2g} MP to an eye that resolves "
        "1 arcminute (visual acuity 1.0, ISO 8596)"
    )
    if wanted > picture.output_mp:
        note += f"; the camera has {picture.output_mp:.3g} MP, and these are what counts"
    return note + "."


@dataclass(frozen=True)
class _Said:
    """What the sentence of a limit is made of; `beyond` are the ISO values above the measured ones."""

    demands: tuple[_Demand, ...]
    binding: _Demand
    picture: Picture
    print_note: str
    corrected: bool
    flags: tuple[str, ...]
    beyond: tuple[float, ...]
    banding: float

    def sentence(self, crossing: Crossing, dial: float) -> str:
        """Return the limit in plain words."""
        low, high = crossing.ci_low, crossing.ci_high
        wanted = " and ".join(demand.words() for demand in self.demands)
        criterion = f"{wanted} in a picture of {self.picture.output_mp:.3g} MP"
        if not crossing.at_highest:
            interval = f"95 % interval {low:.0f} to {high:.0f}" if math.isfinite(low) else "interval not estimated"
            text = f"Noise is acceptable up to ISO {dial:.0f}: {criterion} up to ISO {crossing.iso:.0f} ({interval})."
            if len(self.demands) > 1:
                text += f" What binds is {self.binding.words()}."
        else:
            text = f"Noise is acceptable up to ISO {crossing.iso:.0f} at least, the highest measured: {criterion}."
            if self.beyond:
                text += f" From ISO {self.beyond[0]:g} on read noise could not be measured."
        if "correlated-noise" in self.flags:
            text += " The raw files are noise-reduced: the limit "
            text += "follows from the measured noise spectrum." if self.corrected else "holds for these files only."
        elif self.corrected:
            text += " The noise is not white: the limit follows from the measured noise spectrum."
        if self.banding > _WORTH_SAYING:
            text += (
                f" Noise shared by whole rows or columns, not counted here, takes {100 * self.banding:.0f} % more "
                "of the SNR."
            )
        return text + self.print_note
