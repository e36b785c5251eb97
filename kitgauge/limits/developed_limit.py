"""The highest ISO whose developed pictures are clean enough at the size at which they are used.

What an output of fewer pixels shows of a picture's noise is the part below the output's own Nyquist frequency. Noise
reduction has moved noise to low frequencies, so that part comes from the measured spectrum; a rule by numbers of pixels
would promise what noise reduction only moved. In an output of as many pixels all of the noise is there; an enlargement
asks for more by the ratio of the pixel numbers, as the limit from raw frames does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from kitgauge.errors import LimitsError
from kitgauge.exposure import iso_dial
from kitgauge.flags import FLAGS, Severity
from kitgauge.intervals import NORMAL_95
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.model import Limit
from kitgauge.measure.developed.developed_points import MIDGREY_OF_WHITE, DevelopedPoint
from kitgauge.measure.noise.noise_spectrum import BANDS

_STYLE = "for this picture style only: the frames are developed pictures."


@dataclass(frozen=True)
class PictureSnr:
    """SNR at mid-grey in the output at one ISO: its logarithm, errors of it from chance and from the level of the flats
    (signed: points whose flats lay on one side of mid-grey are off together), and whether it is only a lower bound."""

    iso: float
    log_snr: float
    stderr: float
    scaling: float
    at_least: bool

    @property
    def snr(self) -> float:
        """The ratio itself."""
        return math.exp(self.log_snr)


def power_share(point: DevelopedPoint, picture_pixels: int, output_mp: float) -> float:
    """Return the share of a point's luminance noise power that an output of `output_mp` megapixels shows (0..1).

    Between the measured bands power is linear in the area of the band.
    """
    area = output_mp * 1e6 / picture_pixels
    areas = (np.arange(BANDS + 1) / BANDS) ** 2
    power = np.concatenate([[0.0], point.luminance_power])
    return float(np.interp(area, areas, power / power[-1]))


def picture_snr(point: DevelopedPoint, picture_pixels: int, output_mp: float) -> PictureSnr | None:
    """Return the SNR at mid-grey of one ISO's pictures in the output, None where nothing is known.

    Where noise was finer than the file's codes all of its bound is taken to reach the output.
    """
    if point.snr_midgrey > 0:
        share = power_share(point, picture_pixels, output_mp)
        if not share > 0:
            return None
        band = float(np.clip(math.sqrt(output_mp * 1e6 / picture_pixels), 1 / BANDS, 1.0)) * BANDS
        power, errors = np.array(point.luminance_power), np.array(point.luminance_power_stderr)
        bands = np.arange(1, BANDS + 1)
        error = 0.5 * float(np.interp(band, bands, errors) / np.interp(band, bands, power))
        scaling = point.level_scaling_stderr / point.snr_midgrey
        return PictureSnr(
            iso=point.iso,
            log_snr=math.log(point.snr_midgrey) - 0.5 * math.log(share) - _enlarged(picture_pixels, output_mp),
            stderr=error,
            scaling=math.copysign(scaling, MIDGREY_OF_WHITE - point.level),
            at_least=False,
        )
    if point.snr_at_least > 0:
        log_snr = math.log(point.snr_at_least) - _enlarged(picture_pixels, output_mp)
        return PictureSnr(point.iso, log_snr, 0.0, 0.0, True)
    return None


def _enlarged(picture_pixels: int, output_mp: float) -> float:
    """Return what an enlargement takes off the logarithm of SNR: root of output over picture pixels, 0 if smaller."""
    return 0.5 * math.log(max(1.0, output_mp * 1e6 / picture_pixels))


def developed_limit(points: Sequence[DevelopedPoint], criteria: Criteria, frame_shape: tuple[int, int]) -> Limit:
    """Return the highest ISO whose developed pictures, of (rows, columns), reach `criteria.snr` at mid-grey in the
    picture as used: `criteria.output_mp` megapixels, or what the eye resolves of the print.

    Between two measured ISO values the logarithm of SNR is interpolated linearly in that of ISO; nothing is
    extrapolated: if the highest measured ISO still reaches the criterion the limit is that ISO, flagged
    `limit-at-highest`. The interval (95 %) holds the errors of the two points, and that of carrying SNR from the level
    of the flats to mid-grey, which both have together.

    Raises LimitsError if no point has an SNR, or if not even the lowest measured ISO reaches the criterion.
    """
    pixels, output_mp = frame_shape[0] * frame_shape[1], criteria.picture_mp(frame_shape)
    known = sorted(
        ((snr, point) for point in points if (snr := picture_snr(point, pixels, output_mp))),
        key=lambda item: item[0].iso,
    )
    size = f"in a picture of {output_mp:.3g} MP"
    of_print = {}
    if criteria.print_long_side_cm is not None and criteria.viewing_distance_cm is not None:
        of_print = {
            "print_long_side_cm": criteria.print_long_side_cm,
            "viewing_distance_cm": criteria.viewing_distance_cm,
        }
        size += f" (a print of {criteria.print_long_side_cm:g} cm seen from {criteria.viewing_distance_cm:g} cm)"
    if not known:
        reasons = sorted({flag for point in points for flag in point.flags if _tells(flag)})
        raise LimitsError(
            "no ISO limit: no ISO value has a pair of flats that could be measured",
            where="developed pictures",
            got=", ".join(reasons) if reasons else "no pairs",
            needed="two flats of the same settings at one ISO value or more",
            fix="; ".join(FLAGS[name].advice for name in reasons if FLAGS[name].advice)
            or "shoot two flats per ISO value",
        )
    wanted = math.log(criteria.snr)
    met = [index for index, (snr, _) in enumerate(known) if snr.log_snr >= wanted]
    if not met:
        lowest = known[0][0]
        raise LimitsError(
            f"no measured ISO reaches SNR {criteria.snr:g} at mid-grey {size}",
            where=f"ISO {lowest.iso:g}, the lowest measured, developed pictures",
            got=f"SNR {lowest.snr:.3g}",
            needed=f"SNR {criteria.snr:g}",
            fix="set a lower SNR or a smaller picture (--criterion snr=..., --criterion output_mp=...)",
        )
    last = met[-1]
    at_highest = last == len(known) - 1
    snrs = [snr for snr, _ in known]
    value, stderr, low, high = (
        _at_highest(snrs[-1], wanted) if at_highest else _crossing(snrs[last], snrs[last + 1], wanted)
    )
    used = [point for _, point in known[last : last + 2]]
    flags = list(dict.fromkeys(["rendered", *(flag for point in used for flag in point.flags if _tells(flag))]))
    if at_highest:
        flags.append("limit-at-highest")
    dial = iso_dial("thirds")
    index = dial.at_most(value)
    on_dial = value if index is None else dial.nominal[index]
    criterion = f"SNR {criteria.snr:g} at mid-grey {size}"
    if at_highest:
        text = f"Noise is acceptable up to ISO {value:.0f} at least, the highest measured: {criterion}, {_STYLE}"
        if beyond := sorted(point.iso for point in points if point.iso > value):
            text += f" From ISO {beyond[0]:g} on noise could not be measured."
    else:
        interval = f"95 % interval {low:.0f} to {high:.0f}" if math.isfinite(low) else "interval not estimated"
        text = f"Noise is acceptable up to ISO {on_dial:.0f}: {criterion} up to ISO {value:.0f} ({interval}), {_STYLE}"
    if any("level-scaled" in point.flags for point in used):
        text += " The flats were not at mid-grey; the interval allows for that."
    return Limit(
        kind="iso",
        value={"iso": value},
        dial={"iso": on_dial},
        ci_low=low,
        ci_high=high,
        criterion={"snr": criteria.snr, "output_mp": output_mp, **of_print},
        stderr_stops=stderr,
        flags=tuple(flags),
        extra={
            "at_least": at_highest,
            "channel": "Y",
            "snr_pixel": _pixel_snr(used[0], criteria.snr, pixels, output_mp),
        },
        text=text,
    )


def _pixel_snr(point: DevelopedPoint, wanted: float, pixels: int, output_mp: float) -> float:
    """Return the SNR of one pixel that serves, NaN where the point has no spectrum."""
    if not point.snr_midgrey > 0:
        return math.nan
    return wanted * math.sqrt(power_share(point, pixels, output_mp))


def _tells(flag: str) -> bool:
    return FLAGS[flag].severity is not Severity.NOTE and flag != "rendered"


def _crossing(below: PictureSnr, above: PictureSnr, wanted: float) -> tuple[float, float, float, float]:
    """Return the ISO at which SNR falls through `wanted` (ln), its standard error [stops] and interval."""
    stops = math.log2(above.iso / below.iso)
    slope = (below.log_snr - above.log_snr) / stops  # per stop; above 0, as one is met and the other not
    share = (below.log_snr - wanted) / (slope * stops)
    value = below.iso * 2.0 ** (share * stops)
    if below.at_least or above.at_least:
        return value, math.nan, math.nan, math.nan
    chance = math.hypot((1 - share) * below.stderr, share * above.stderr)
    together = (1 - share) * below.scaling + share * above.scaling
    stderr = math.hypot(chance, together) / slope
    return value, stderr, value * 2.0 ** (-NORMAL_95 * stderr), value * 2.0 ** (NORMAL_95 * stderr)


def _at_highest(highest: PictureSnr, wanted: float) -> tuple[float, float, float, float]:
    """Return the highest measured ISO, with the lower end of what its SNR, less its error, allows."""
    if highest.at_least:
        return highest.iso, math.nan, highest.iso, math.nan
    # a stop of ISO lowers SNR by a factor of sqrt 2 at least (pure shot noise, noise reduction aside)
    error = math.hypot(highest.stderr, highest.scaling)
    margin = 2.0 * (highest.log_snr - wanted - NORMAL_95 * error) / math.log(2.0)
    return highest.iso, math.nan, highest.iso * 2.0 ** min(0.0, margin), math.nan
