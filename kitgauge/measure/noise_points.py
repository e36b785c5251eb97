"""Gain, read noise, saturation, dynamic range and SNR of each ISO value and colour, from its flat and dark
pairs."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.exposure import MIDGREY_FRACTION_OF_SATURATION as MIDGREY_FRACTION_OF_SATURATION
from kitgauge.flags import rejects
from kitgauge.measure.dark_pair import DarkPair
from kitgauge.measure.photon_transfer import FlatPair, restored

QUANTISATION_DN2 = 1.0 / 12.0  # EMVA 1288 R4: sigma_q^2
# Without a usable dark pair, one level of flats cannot tell read noise from shot noise. The gain is then
# given for a read noise of 0, with the error that this much would make (common practice, no source: a
# sensor's order of size).
SUPPOSED_READ_NOISE_E = 5.0
_NO_READ_NOISE = {"clipped-black", "light-leak"}  # cut off, or with the shot noise of light in it
_CHANNELS = ("R", "G1", "G2", "B", "G")


@dataclass(frozen=True)
class PlanePairs:
    """All pairs of one plane (one position of the colour pattern) at one ISO value.

    `colour` as in `frames.mosaic.Plane`: R, G1, G2, B (2 x 2), R, G, B (6 x 6), G (monochrome). `black_dn`,
    if given, replaces the black level that the flats were measured with (for instance by the darks' mean);
    `black_source` tells where it comes from: "masked", "dark", "metadata" or "unknown".
    """

    colour: str
    flats: tuple[FlatPair, ...]
    darks: tuple[DarkPair, ...] = ()
    black_dn: float | None = None
    black_source: str = "unknown"


@dataclass(frozen=True)
class NoisePoint:
    """Noise of one channel at one ISO value. Unknown is NaN.

    `read_noise_e` is temporal, white and per sample, with the rounding to whole DN (1/12 DN^2) and rows' and
    columns' own noise taken out. `saturation_e` is gain times white less black. `dynamic_range_stops` is the
    engineering one, log2(saturation / read noise). `snr_midgrey` is that of one sample at 10/78 of saturation
    (ISO 12232), rounding included. `noise_power_ratio` is the noise power at the lowest spatial frequencies
    relative to white noise of the same variance, from means of blocks of samples; 1 where white.
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
    noise_power_ratio: float = 1.0
    flat_pairs: int = 0
    dark_pairs: int = 0
    flags: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON, in the order of the file contract."""
        return {**asdict(self), "flags": list(self.flags)}

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> NoisePoint:
        """Return the point that `as_dict` wrote; None (JSON's null) becomes NaN."""
        return cls(**restored(values))


@dataclass(frozen=True)
class _Estimate:
    """System gain K [DN/e-] and variance of a dark sample [DN^2] of one plane, quantisation still in it."""

    k: float
    k_variance: float
    dark: float
    dark_variance: float
    covariance: float
    supposed: bool  # the dark variance was not measured


def noise_points(iso: float, planes: Sequence[PlanePairs]) -> list[NoisePoint]:
    """Return one point per channel found: R, G1, G2, B and pooled G (2 x 2); R, G, B (6 x 6); G (monochrome).

    Per plane, all flats and darks are fitted together by weighted least squares (weights from the fitted
    variances, so that for Gaussian noise it is the maximum likelihood):

        var(A - r B) = K (S_A + r^2 S_B) + (1 + r^2) sigma_d^2,    var(dark) = sigma_d^2,    gain = 1 / K

    (EMVA 1288 Release 4 Linear). Planes of one channel are averaged with inverse-variance weights. Without a
    usable dark pair read noise is NaN and `no-dark` (`clipped-black`, `light-leak`) says so; the gain then comes from
    flats of two levels that differ by half or more, else from one level with the error of an unknown read
    noise added. Flats with a rejecting flag (clipped, too dark) are left out; a channel without any is NaN
    throughout.
    """
    by_colour: dict[str, list[PlanePairs]] = {}
    for plane in planes:
        by_colour.setdefault(plane.colour, []).append(plane)
        if plane.colour in ("G1", "G2"):
            by_colour.setdefault("G", []).append(plane)
    return [_point(iso, name, by_colour[name]) for name in _CHANNELS if name in by_colour]


def _point(iso: float, channel: str, planes: list[PlanePairs]) -> NoisePoint:
    flags: list[str] = []
    _note(flags, (flag for plane in planes for flat in plane.flats for flag in flat.flags))
    _note(flags, (flag for plane in planes for dark in plane.darks for flag in dark.flags))
    if not any(plane.darks for plane in planes):
        _note(flags, ["no-dark"])
    if not any(flat.variance_dn2 > 0 for plane in planes for flat in plane.flats):
        _note(flags, ["no-pair"])  # none, or the same file twice
    counted = [(plane, estimate) for plane in planes if (estimate := _estimate(plane)) is not None]
    if not counted and any(_usable_flats(plane) for plane in planes):
        _note(flags, ["too-dark"])  # read noise drowns the shot noise
    if not counted:
        return NoisePoint(iso, channel, *(math.nan,) * 7, flags=tuple(flags))
    estimates = [estimate for _, estimate in counted]
    flats = [(plane, flat) for plane, _ in counted for flat in _usable_flats(plane)]
    darks = [dark for plane, _ in counted for dark in _usable_darks(plane)]
    supposed = any(estimate.supposed for estimate in estimates)
    k, k_variance = _average([e.k for e in estimates], [e.k_variance for e in estimates])
    dark, dark_variance = _average([e.dark for e in estimates], [e.dark_variance for e in estimates])
    gain = 1.0 / k
    gain_stderr = math.sqrt(k_variance) / k**2
    read_dn = read_dn_stderr = read_e_stderr = math.nan
    white_part = dark - QUANTISATION_DN2
    if not supposed and white_part > 0:
        read_dn = math.sqrt(white_part)
        rounding = _rounding_error_dn2(dark)
        read_dn_stderr = math.sqrt(dark_variance + rounding**2) / (2.0 * read_dn)
        # read noise [e-] = sqrt(white_part) / K, its two parts correlated
        covariance = float(np.mean([e.covariance for e in estimates])) / len(estimates)
        relative = (read_dn_stderr / read_dn) ** 2 + k_variance / k**2 - covariance / (white_part * k)
        read_e_stderr = read_dn * gain * math.sqrt(max(relative, 0.0))
    black = float(np.mean([_black(plane, flat) for plane, flat in flats]))
    white = float(np.mean([flat.white_dn for _, flat in flats]))
    saturation = gain * (white - black)
    read_e = read_dn * gain
    midgrey = MIDGREY_FRACTION_OF_SATURATION * saturation
    _note(flags, ["saturation-from-metadata"])
    signal = float(np.mean([flat.signal_dn + flat.black_dn - _black(plane, flat) for plane, flat in flats]))
    return NoisePoint(
        iso=iso,
        channel=channel,
        gain_e_per_dn=gain,
        gain_e_per_dn_stderr=gain_stderr,
        read_noise_e=read_e,
        read_noise_e_stderr=read_e_stderr,
        saturation_e=saturation,
        dynamic_range_stops=math.log2(saturation / read_e) if read_e > 0 else math.nan,
        snr_midgrey=snr(midgrey, read_e, gain),
        level=signal / (white - black),
        read_noise_dn=read_dn,
        read_noise_dn_stderr=read_dn_stderr,
        black_dn=black,
        white_dn=white,
        row_noise_e=gain * _root_mean_square([pair.row_noise_dn for pair in darks]),
        column_noise_e=gain * _root_mean_square([pair.column_noise_dn for pair in darks]),
        prnu=_root_mean_square([flat.prnu for _, flat in flats]),
        noise_power_ratio=_noise_power_ratio([flat for _, flat in flats]),
        flat_pairs=len(flats),
        dark_pairs=len(darks),
        flags=tuple(flags),
    )


def snr(signal_e: float, read_noise_e: float, gain_e_per_dn: float) -> float:
    """Return S / sqrt(S + sigma_r^2 + g^2/12) of one sample: shot, read and rounding noise [e-] (EMVA 1288
    R4)."""
    variance = signal_e + read_noise_e**2 + QUANTISATION_DN2 * gain_e_per_dn**2
    return signal_e / math.sqrt(variance) if variance > 0 else math.nan


def _note(flags: list[str], names: Iterable[str]) -> None:
    flags.extend(name for name in dict.fromkeys(names) if name not in flags)


def _usable_flats(plane: PlanePairs) -> list[FlatPair]:
    return [flat for flat in plane.flats if not rejects(flat.flags) and flat.variance_dn2 > 0]


def _usable_darks(plane: PlanePairs) -> list[DarkPair]:
    return [dark for dark in plane.darks if not _NO_READ_NOISE & set(dark.flags) and dark.variance_dn2 > 0]


def _black(plane: PlanePairs, flat: FlatPair) -> float:
    return flat.black_dn if plane.black_dn is None else plane.black_dn


def _estimate(plane: PlanePairs) -> _Estimate | None:
    flats, darks = _usable_flats(plane), _usable_darks(plane)
    if not flats:
        return None
    # moving black by d moves S_A + r^2 S_B by -(1 + r^2) d
    shot = np.array([f.shot_dn + (f.black_dn - _black(plane, f)) * f.dark_weight for f in flats])
    if float(shot.min()) <= 0:
        return None
    two_levels = float(shot.max()) >= 1.5 * float(shot.min())
    if not darks and not two_levels:
        return _one_level(flats, shot)
    design = np.array([[s, f.dark_weight] for s, f in zip(shot, flats, strict=True)] + [[0.0, 1.0] for _ in darks])
    values = np.array([f.variance_dn2 for f in flats] + [d.variance_dn2 for d in darks])
    errors = np.array([f.variance_stderr_dn2 for f in flats] + [d.variance_stderr_dn2 for d in darks])
    outcome = _weighted_line(design, values, errors / values, [f.degrees_of_freedom for f in flats])
    if outcome is None:
        return None
    theta, covariance = outcome
    return _Estimate(
        k=float(theta[0]),
        k_variance=float(covariance[0, 0]),
        dark=float(theta[1]),
        dark_variance=float(covariance[1, 1]),
        covariance=float(covariance[0, 1]),
        supposed=not darks,
    )


def _weighted_line(
    design: NDArray[np.float64],
    values: NDArray[np.float64],
    relative_errors: NDArray[np.float64],
    flat_freedom: list[float],
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Return K and dark variance with their covariance; None where no positive K fits.

    Errors are proportional to the *fitted* variances: errors taken from each measured value would favour the
    low ones. To the Gaussian error of a flat's variance comes that of the photons' skewness: the fourth
    cumulant of a Poisson count is its mean, in DN^4 K^3 S, divided by the number of samples.
    """
    fitted = values
    freedom = np.concatenate([flat_freedom, np.full(len(values) - len(flat_freedom), np.inf)])
    k = 0.0
    for _ in range(20):
        weights = 1.0 / ((relative_errors * fitted) ** 2 + k**3 * design[:, 0] / freedom)
        normal = design.T @ (weights[:, None] * design)
        covariance = np.linalg.inv(normal)
        theta = covariance @ (design.T @ (weights * values))
        new = design @ theta
        if not theta[0] > 0 or float(new.min()) <= 0:
            return None
        if float(np.abs(new / fitted - 1.0).max()) < 1e-10:
            break
        fitted, k = new, float(theta[0])
    return theta, covariance


def _one_level(flats: list[FlatPair], shot: NDArray[np.float64]) -> _Estimate:
    """Return K from flats alone, for a read noise of nothing but rounding, with the error of a likely one."""
    values = np.array([f.variance_dn2 - f.dark_weight * QUANTISATION_DN2 for f in flats]) / shot
    errors = np.array([f.variance_stderr_dn2 for f in flats]) / shot
    k, variance = _average(list(values), list(errors**2))
    # K S + 2 sigma^2 taken for K S: too high by sigma^2 / S_e of it
    electrons = 0.5 * float(shot.mean()) / k
    unknown = k * SUPPOSED_READ_NOISE_E**2 / electrons
    return _Estimate(k, variance + unknown**2, QUANTISATION_DN2, math.nan, math.nan, supposed=True)


def _average(values: list[float], variances: list[float]) -> tuple[float, float]:
    """Return the inverse-variance mean and its variance; the plain mean and NaN where a variance is
    unknown."""
    weights = 1.0 / np.array(variances)
    if not np.all(np.isfinite(weights)):
        return float(np.mean(values)), math.nan
    return float((weights * values).sum() / weights.sum()), float(1.0 / weights.sum())


def _rounding_error_dn2(variance_dn2: float) -> float:
    """Return how far the variance of rounding can be from 1/12 for noise of this variance [DN^2].

    For Gaussian noise the rounded variance departs from the sum by at most 4 (sigma^2 + 1/(4 pi^2)) exp(-2
    pi^2 sigma^2) (first harmonic of the rounding error's characteristic function; Widrow and Kollar,
    Quantization Noise, from memory): nothing at 1 DN, 0.01 DN^2 at 0.5 DN.
    """
    spread = max(variance_dn2 - QUANTISATION_DN2, 0.0)
    return 4.0 * (spread + 1.0 / (4.0 * math.pi**2)) * math.exp(-2.0 * math.pi**2 * spread)


def _root_mean_square(values: list[float]) -> float:
    return math.sqrt(float(np.mean(np.square(values)))) if values else math.nan


def _noise_power_ratio(flats: list[FlatPair]) -> float:
    """Return the noise power at low frequencies over that of white noise, 1 where neighbours are not correlated."""
    marked = [flat.low_frequency_power for flat in flats if "correlated-noise" in flat.flags]
    return float(np.mean(marked)) if marked else 1.0
