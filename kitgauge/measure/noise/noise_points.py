"""Gain, read noise, saturation, dynamic range and SNR of each ISO value and colour, from its flat and dark
pairs."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from kitgauge.exposure import MIDGREY_FRACTION_OF_SATURATION as MIDGREY_FRACTION_OF_SATURATION
from kitgauge.flags import rejects
from kitgauge.measure.noise.dark_pair import DarkPair
from kitgauge.measure.noise.dynamic_range import dynamic_range
from kitgauge.measure.noise.midgrey_snr import flats_midgrey_snr
from kitgauge.measure.noise.noise_fit import LineFit, UsedFlat, fit_line, full_well_dn, piled_dn
from kitgauge.measure.noise.noise_fit import PlanePairs as PlanePairs
from kitgauge.measure.noise.photon_transfer import FlatPair, restored
from kitgauge.measure.noise.rounding import QUANTISATION_DN2 as QUANTISATION_DN2
from kitgauge.measure.noise.rounding import quantisation_dn2
from kitgauge.measure.noise.saturation import saturation_level

_CHANNELS = ("R", "G1", "G2", "B", "G")


@dataclass(frozen=True)
class NoisePoint:
    """Noise of one channel at one ISO value. Unknown is NaN.

    `read_noise_e` is temporal, white and per sample, with the rounding to whole DN (1/12 DN^2) and rows' and
    columns' own noise taken out; of codes scaled digitally, what rounding before and after makes (`measure.rounding`).
    `saturation_e` is gain times the level at which clipped flats stop (`saturation_source` "flats"), else the file's
    white ("file"), less black. `dsnu_e` and `prnu` are the standard deviation of the fixed pattern in the dark and of
    what light adds to it as a share of the level (EMVA 1288 R4: spatial variance of averages less temporal variance
    over the number of frames), high-passed by differences of neighbouring samples of a plane along the rows, which
    leaves white pattern and fixed columns whole and takes shading and fixed rows away; where `rounding` sees through
    narrow noise `dsnu_e` is not high-passed. `row_noise_e` and `column_noise_e` are temporal, from the darks.
    Each `_stderr` is one standard error. `dynamic_range_stops` is the
    engineering one, log2(saturation / read noise). `snr_midgrey` is that of one sample at 10/78 of saturation
    (ISO 12232), rounding included. `spectrum` is the noise power density relative to white noise
    of the same variance in squares of spatial frequency (`measure.noise_spectrum`).
    """

    iso: float
    channel: str
    gain_e_per_dn: float
    gain_e_per_dn_stderr: float
    read_noise_e: float
    read_noise_e_stderr: float
    saturation_e: float
    dynamic_range_stops: float
    snr_midgrey: float
    level: float = math.nan  # mean level of the flats used as a share of saturation
    read_noise_dn: float = math.nan
    read_noise_dn_stderr: float = math.nan
    black_dn: float = math.nan
    white_dn: float = math.nan
    row_noise_e: float = math.nan
    column_noise_e: float = math.nan
    prnu: float = math.nan
    flat_pairs: int = 0
    dark_pairs: int = 0
    flags: tuple[str, ...] = ()
    saturation_e_stderr: float = math.nan
    saturation_source: str = "file"  # "flats" where a clipped flat shows it, "scale" where codes are scaled down
    dsnu_e: float = math.nan
    dsnu_e_stderr: float = math.nan
    prnu_stderr: float = math.nan
    row_noise_e_stderr: float = math.nan
    column_noise_e_stderr: float = math.nan
    dynamic_range_iso15739_stops: float = math.nan
    dynamic_range_stops_stderr: float = math.nan
    dynamic_range_iso15739_stops_stderr: float = math.nan
    snr_midgrey_stderr: float = math.nan
    spectrum: tuple[float, ...] = ()  # mean of the flats' (`FlatPair.spectrum`)
    spectrum_blocks: float = 0.0  # sum of the flats'
    code_scale: float = math.nan  # median of the flats'
    code_scale_stderr: float = math.nan
    signal_e: float = math.nan  # mean level of the flats used [e-]
    full_well_e: float = math.nan  # where flats stop varying below the converter's last code

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON, in the order of the file contract."""
        return {**asdict(self), "flags": list(self.flags)}

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> NoisePoint:
        """Return the point that `as_dict` wrote; None (JSON's null) becomes NaN."""
        return cls(**restored(values))


def noise_points(iso: float, planes: Sequence[PlanePairs]) -> list[NoisePoint]:
    """Return one point per channel found: R, G1, G2, B and pooled G (2 x 2); R, G, B (6 x 6); G (monochrome).

    All flats and darks of a channel's planes are fitted together by weighted least squares (weights from the fitted
    variances, so that for Gaussian noise it is the maximum likelihood):

        var(A - r M) = K (S_A + r^2 S_M / m) + (1 + r^2 / m) sigma_d^2,    var(dark) = sigma_d^2,    gain = 1 / K

    (EMVA 1288 Release 4 Linear; M the mean of m frames). Which flats take part: `measure.noise_fit`. Without a
    usable dark pair read noise is NaN and `no-dark` (`clipped-black`, `light-leak`, `rounding-dominates`) says so; the
    gain then comes from flats of two levels that differ by half or more, else from one level with the error of an
    unknown read noise added. Flats with a rejecting flag (clipped, too dark) are left out; a channel without any is
    NaN throughout. Saturation is the level at which clipped flats of the same ISO stop, else the file's white.
    """
    by_colour: dict[str, list[PlanePairs]] = {}
    for plane in planes:
        by_colour.setdefault(plane.colour, []).append(plane)
        if plane.colour in ("G1", "G2"):
            by_colour.setdefault("G", []).append(plane)
    return [
        _point(iso, name, [plane.in_full() for plane in by_colour[name]]) for name in _CHANNELS if name in by_colour
    ]


def _point(iso: float, channel: str, planes: list[PlanePairs]) -> NoisePoint:
    flags: list[str] = []
    _note(flags, (flag for plane in planes for flat in plane.flats for flag in flat.flags))
    _note(flags, (flag for plane in planes for dark in plane.darks for flag in dark.flags))
    if not any(plane.darks for plane in planes):
        _note(flags, ["no-dark"])
    if not any(flat.variance_dn2 > 0 for plane in planes for flat in plane.flats):
        _note(flags, ["no-pair"])  # none, or the same file twice
    fit = fit_line(planes)
    if fit is None:
        if any(flat.variance_dn2 > 0 and not rejects(flat.flags) for plane in planes for flat in plane.flats):
            _note(flags, ["too-dark"])  # read noise drowns the shot noise
        return NoisePoint(iso, channel, *(math.nan,) * 7, flags=tuple(flags))
    gain = 1.0 / fit.k
    gain_stderr = math.sqrt(fit.k_variance) * gain**2
    read_dn = read_dn_stderr = read_e_stderr = math.nan
    scale = _median([used.flat.code_scale for used in fit.flats])
    narrow = any(dark.narrow for dark in fit.darks)  # rounding has been taken off, 1/12 stands for it
    white_part = fit.dark - (QUANTISATION_DN2 if narrow else quantisation_dn2(scale))
    if not fit.supposed and white_part > 0:
        read_dn = math.sqrt(white_part)
        read_dn_stderr = math.sqrt(fit.dark_variance) / (2.0 * read_dn)
        # read noise [e-] = sqrt(white_part) / K, its two parts correlated
        relative = (read_dn_stderr / read_dn) ** 2 + fit.k_variance / fit.k**2
        read_e_stderr = read_dn * gain * math.sqrt(max(relative - fit.covariance / (white_part * fit.k), 0.0))
    black = float(np.mean([flat.black_dn for flat in fit.flats]))
    whites = [flat.white_dn for plane in planes for flat in plane.flats]
    well_dn = black + full_well_dn(fit, planes)
    top = saturation_level([piled_dn(plane) for plane in planes], well_dn, whites)
    span = top.level_dn - black
    saturation = gain * span
    read_e = read_dn * gain
    flats = [used.flat for used in fit.flats]
    row, row_stderr = _pooled([(d.row_variance_dn2, d.row_variance_stderr_dn2) for d in fit.darks])
    column, column_stderr = _pooled([(d.column_variance_dn2, d.column_variance_stderr_dn2) for d in fit.darks])
    dsnu_dn2, dsnu_dn2_stderr = _pooled_fixed([_dark_pattern(dark) for dark in fit.darks])
    prnu, prnu_stderr = rooted(*_pooled_fixed([_light_pattern(used, dsnu_dn2) for used in fit.flats]))
    lines_dn = math.sqrt(max(row + column, 0.0)) if fit.darks else math.nan
    stops = dynamic_range(gain, gain_stderr, read_dn, read_dn_stderr, span, top.stderr_dn, lines_dn)
    _note(flags, [] if top.source == "flats" else ["saturation-from-metadata"])
    signal = float(np.mean([used.signal_dn for used in fit.flats]))
    midgrey_dn = MIDGREY_FRACTION_OF_SATURATION * span
    midgrey = snr(gain * midgrey_dn, read_e, gain), _snr_stderr(fit, midgrey_dn)
    if fit.supposed:  # flats near mid-grey tell the SNR there without the read noise
        midgrey = flats_midgrey_snr(fit.flats, midgrey_dn)
    return NoisePoint(
        iso=iso,
        channel=channel,
        gain_e_per_dn=gain,
        gain_e_per_dn_stderr=gain_stderr,
        read_noise_e=read_e,
        read_noise_e_stderr=read_e_stderr,
        saturation_e=saturation,
        dynamic_range_stops=stops.engineering_stops,
        snr_midgrey=midgrey[0],
        level=signal / span,
        read_noise_dn=read_dn,
        read_noise_dn_stderr=read_dn_stderr,
        black_dn=black,
        white_dn=float(np.mean([flat.white_dn for flat in flats])),
        row_noise_e=gain * rooted(row, row_stderr)[0],
        column_noise_e=gain * rooted(column, column_stderr)[0],
        prnu=prnu,
        flat_pairs=len(flats),
        dark_pairs=len(fit.darks),
        flags=tuple(flags),
        saturation_e_stderr=saturation * math.hypot(gain_stderr / gain, top.stderr_dn / span),
        saturation_source=top.source,
        dsnu_e=gain * rooted(dsnu_dn2, dsnu_dn2_stderr)[0],
        dsnu_e_stderr=gain * rooted(dsnu_dn2, dsnu_dn2_stderr)[1],
        prnu_stderr=prnu_stderr,
        row_noise_e_stderr=gain * rooted(row, row_stderr)[1],
        column_noise_e_stderr=gain * rooted(column, column_stderr)[1],
        dynamic_range_iso15739_stops=stops.iso15739_stops,
        dynamic_range_stops_stderr=stops.engineering_stops_stderr,
        dynamic_range_iso15739_stops_stderr=stops.iso15739_stops_stderr,
        snr_midgrey_stderr=midgrey[1],
        spectrum=_mean_spectrum(flats),
        spectrum_blocks=float(sum(flat.spectrum_blocks for flat in flats)),
        code_scale=scale,
        code_scale_stderr=_median([used.flat.code_scale_stderr for used in fit.flats]),
        signal_e=gain * signal,
        full_well_e=saturation if top.level_dn == well_dn else math.nan,
    )


def snr(signal_e: float, read_noise_e: float, gain_e_per_dn: float) -> float:
    """Return S / sqrt(S + sigma_r^2 + g^2/12) of one sample: shot, read and rounding noise [e-] (EMVA 1288
    R4)."""
    variance = signal_e + read_noise_e**2 + QUANTISATION_DN2 * gain_e_per_dn**2
    return signal_e / math.sqrt(variance) if variance > 0 else math.nan


def _note(flags: list[str], names: Iterable[str]) -> None:
    flags.extend(name for name in dict.fromkeys(names) if name not in flags)


def _snr_stderr(fit: LineFit, level_dn: float) -> float:
    """Return the standard error of the SNR of one sample at `level_dn` above black: L / sqrt(K L + dark variance)."""
    noise = fit.k * level_dn + fit.dark
    error = level_dn**2 * fit.k_variance + 2.0 * level_dn * fit.covariance + fit.dark_variance
    return 0.5 * level_dn * math.sqrt(max(error, 0.0) / noise**3)


def rooted(variance: float, stderr: float) -> tuple[float, float]:
    """Return the standard deviation that belongs to a measured variance (0 where chance made it negative), and by how
    much it would be larger if the variance were by its standard error."""
    value = math.sqrt(max(variance, 0.0))
    return (math.nan, math.nan) if math.isnan(variance) else (value, math.sqrt(max(variance, 0.0) + stderr) - value)


def _pooled(values: list[tuple[float, float]]) -> tuple[float, float]:
    """Return the mean of independent (variance, standard error), and its standard error; NaN where there are none."""
    if not values:
        return math.nan, math.nan
    variances, errors = np.array(values).T
    return float(variances.mean()), float(np.sqrt((errors**2).sum())) / len(values)


def _pooled_fixed(values: list[tuple[float, float, float]]) -> tuple[float, float]:
    """Return the weighted mean of (variance, standard error, share of its square that is the pattern's own), and its
    standard error.

    The same pattern is in all pairs: only what temporal noise makes of the error averages out.
    """
    if not values:
        return math.nan, math.nan
    variances, errors, own = np.array(values).T
    if not float(errors.min()) > 0:
        return float(variances.mean()), math.nan
    weights = 1.0 / errors**2
    weights /= weights.sum()
    squares = float((weights**2 * errors**2 * (1.0 - own)).sum() + (weights * errors**2 * own).sum())
    return float((weights * variances).sum()), math.sqrt(squares)


def _dark_pattern(dark: DarkPair) -> tuple[float, float, float]:
    difference = dark.variance_dn2 * (1.0 + 1.0 / dark.reference_frames)
    return dark.dsnu_dn**2, dark.dsnu_variance_stderr_dn2, _own_share(dark.dsnu_dn**2, difference)


def _light_pattern(used: UsedFlat, dark_dn2: float) -> tuple[float, float, float]:
    """Return what light adds to the pattern of the dark, as a share of the level squared (EMVA 1288 R4, PRNU)."""
    flat = used.flat
    scale = flat.signal_dn / used.signal_dn
    square = (flat.prnu * scale) ** 2 - (0.0 if math.isnan(dark_dn2) else dark_dn2 / used.signal_dn**2)
    own = _own_share((flat.prnu * flat.signal_dn) ** 2, flat.variance_dn2)
    # without darks their pattern is still in it: more than light's, by an unknown amount
    stderr = math.nan if math.isnan(dark_dn2) else flat.prnu_variance_stderr * scale**2
    return square, stderr, own


def _own_share(fixed_dn2: float, variance_dn2: float) -> float:
    """Return the share of the squared error that is the pattern's own sampling (`photon_transfer.fixed_pattern`)."""
    total = variance_dn2 + 4.0 * fixed_dn2
    return 16.0 * fixed_dn2**2 / (total**2 + variance_dn2**2)


def _mean_spectrum(flats: list[FlatPair]) -> tuple[float, ...]:
    spectra = [flat.spectrum for flat in flats if flat.spectrum and np.isfinite(flat.spectrum).all()]
    return tuple(np.mean(spectra, axis=0).tolist()) if spectra else ()


def _median(values: list[float]) -> float:
    known = [value for value in values if math.isfinite(value)]
    return float(np.median(known)) if known else math.nan
