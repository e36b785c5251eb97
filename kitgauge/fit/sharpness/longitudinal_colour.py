"""Longitudinal colour: red and blue focus at another distance than green.

Out of focus by dz, a colour is blurred by a disc dz / N: its excess blur (`excess_blur`) differs from green's by
k / N^2 whatever the aberrations that both share, and stopping down takes the difference away. What is left out of
account runs otherwise over N and is allowed for: the mean wavelength of a colour (5 %), a blur of the sensor that
differs between colours, a common error of a colour's MTF50. From one focus setting the sign tells which colour is
nearer to its best focus, and not which one focuses nearer to the lens.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from kitgauge.exposure import format_f_number
from kitgauge.fit.sharpness.excess_blur import excess_variance, mtf50_of, slope_in_cutoff, slope_in_mtf50
from kitgauge.fit.sharpness.lateral_colour import COLOUR_NAMES
from kitgauge.fit.sharpness.sharpness_colours import ColourPoint
from kitgauge.fit.sharpness.sharpness_contrasts import ERROR_ALLOWANCE, FAMILY_PROBABILITY, Finding
from kitgauge.measure.edges.diffraction import GREEN_WAVELENGTH_UM, diffraction_px

Array = NDArray[np.float64]

# middle of the usual filters (common practice, no source)
WAVELENGTHS_UM = {"R": 0.60, "G": GREEN_WAVELENGTH_UM, "B": 0.46}
_WAVELENGTH_SPREAD = 0.05  # of a colour's mean wavelength against green's: light and filters differ
_COMMON_ERROR = 0.007  # of a colour's MTF50 against green's, the same in all frames
_WAVELENGTH_SHARE = 0.5  # of the variance of what is unexplained
_SENSOR_VARIANCE_PX = 0.02  # px^2, what the sensor may blur one colour more than another
_FEWEST_F_NUMBERS = 3
_FEWEST_STOPS = 2.0
_SMALLEST_SIZE = 0.03
_FLIP_SIGMA = 4.5


@dataclass(frozen=True)
class LongitudinalColour:
    """One colour against green in the centre, per f-number (rising; all arrays (f-number,)).

    `log_ratio` is ln MTF50 of the colour over green's, `unexplained` what of it diffraction of the two wavelengths does
    not explain, with its error (`told`: where that is not mostly doubt about the wavelengths). `worst` is the part that
    fades as 1 / N^2, at the lowest f-number (a log ratio), with standard error and probability by chance; where one
    f-number alone is the surer witness, what is unexplained there.
    """

    channel: str
    f_number: Array
    log_ratio: Array
    log_ratio_stderr: Array
    unexplained: Array
    unexplained_stderr: Array
    told: NDArray[np.bool_]
    worst: float
    worst_stderr: float
    worst_f_number: float
    z: float
    probability: float

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {key: value.tolist() if isinstance(value, np.ndarray) else value for key, value in asdict(self).items()}


def longitudinal_colour(
    points: Sequence[ColourPoint], pitch_um: float | None, magnification: float = 0.0, region: str = "centre"
) -> list[LongitudinalColour]:
    """Return red's and blue's difference from green in a region; none without the pitch or three f-numbers in 2 stops.

    `magnification` m makes the acting f-number N (1 + m).
    """
    if pitch_um is None:
        return []
    channels = sorted({p.channel for p in points} & WAVELENGTHS_UM.keys(), reverse=True)
    fits = (
        _fit([p for p in points if p.channel == c and p.region == region], c, pitch_um, magnification) for c in channels
    )
    return [fit for fit in fits if fit is not None]


def _fit(
    points: Sequence[ColourPoint], channel: str, pitch_um: float, magnification: float
) -> LongitudinalColour | None:
    rows = []
    for f_number in sorted({p.f_number for p in points}):
        own = [p for p in points if p.f_number == f_number and math.isfinite(p.log_ratio) and p.log_ratio_stderr > 0]
        if own:
            weight = np.array([p.log_ratio_stderr for p in own]) ** -2.0
            ratio = np.array([p.log_ratio for p in own])
            green = np.array([math.log(p.mtf50_cy_per_px) - p.log_ratio for p in own])
            total = float(weight.sum())
            rows.append((f_number, float(weight @ ratio) / total, total**-0.5, math.exp(float(weight @ green) / total)))
    if len(rows) < _FEWEST_F_NUMBERS or 2.0 * math.log2(rows[-1][0] / rows[0][0]) < _FEWEST_STOPS:
        return None
    f_number, ratio, error, green = np.array(rows).T
    acting = f_number * (1.0 + magnification)
    cutoff = diffraction_px(acting, pitch_um, WAVELENGTHS_UM[channel])
    mtf50 = green * np.exp(ratio)
    variance = excess_variance(mtf50, cutoff)
    difference = variance - excess_variance(green, diffraction_px(acting, pitch_um))
    known = np.isfinite(difference)
    if known.sum() < _FEWEST_F_NUMBERS:
        return None
    f_number, ratio, error, mtf50 = f_number[known], ratio[known], error[known], mtf50[known]
    cutoff, difference, variance = cutoff[known], difference[known], variance[known]
    slope = slope_in_mtf50(mtf50, cutoff)
    of_wavelength = slope_in_cutoff(mtf50, cutoff)
    covariance = np.diag((ERROR_ALLOWANCE * error * slope) ** 2)
    covariance += _COMMON_ERROR**2 * np.outer(slope, slope)
    covariance += _WAVELENGTH_SPREAD**2 * np.outer(of_wavelength, of_wavelength)
    covariance += _SENSOR_VARIANCE_PX**2
    fading = (f_number[0] / f_number) ** 2
    inverse = np.linalg.inv(covariance)
    spread = 1.0 / float(fading @ inverse @ fading)
    size = spread * float(fading @ inverse @ difference)
    misfit = difference - size * fading
    freedom = f_number.size - 1
    scale = max(1.0, float(misfit @ inverse @ misfit) / freedom)
    stderr = math.sqrt(spread * scale)
    z = -size / stderr  # more blur is less sharpness
    probability = float(2.0 * (stats.t.sf(abs(z), freedom) if scale > 1.0 else stats.norm.sf(abs(z))))
    # against the sharpness that the colour would have with green's blur: far from straight where much is lost
    expected = mtf50_of(variance - difference, cutoff)
    unexplained = np.log(mtf50 / expected)
    doubt = np.sqrt(np.diag(covariance)) / np.abs(slope_in_mtf50(expected, cutoff))
    # where diffraction rules, an unusual wavelength would be taken for a fault
    told = (_WAVELENGTH_SPREAD * of_wavelength) ** 2 < _WAVELENGTH_SHARE * np.diag(covariance)
    surest = int(np.argmax(np.where(told, np.abs(unexplained / doubt), 0.0)))
    alone = float(2.0 * stats.norm.sf(abs(unexplained[surest] / doubt[surest]))) * f_number.size if told.any() else 1.0
    without = mtf50_of(variance[0] - size, cutoff[0])
    worst, at = float(np.log(mtf50[0] / without)), 0
    error_at = stderr / abs(float(slope_in_mtf50(without, cutoff[0])))
    if alone < probability:  # it does not fade as 1 / N^2: a focus that shifts, aberrations that differ
        worst, at, error_at = float(unexplained[surest]), surest, float(doubt[surest])
        z, probability = worst / error_at, alone
    return LongitudinalColour(
        channel=channel,
        f_number=f_number,
        log_ratio=ratio,
        log_ratio_stderr=error,
        unexplained=unexplained,
        unexplained_stderr=doubt,
        told=told,
        worst=worst,
        worst_stderr=error_at,
        worst_f_number=float(f_number[at]),
        z=z,
        probability=min(1.0, 2.0 * probability),  # two ways to be found
    )


def longitudinal_colour_findings(fits: Sequence[LongitudinalColour]) -> list[Finding]:
    """Return the findings: significant among the colours tested, and 3 % of MTF50 at least."""
    found = []
    for fit in fits:
        probability = min(1.0, fit.probability * len(fits))
        size = abs(math.expm1(fit.worst))
        if probability >= FAMILY_PROBABILITY or size < _SMALLEST_SIZE:
            continue
        name = COLOUR_NAMES.get(fit.channel, fit.channel)
        widest = fit.worst_f_number
        how = "softer" if fit.worst < 0 else "sharper"
        nearer = "green" if fit.worst < 0 else name
        error = 100.0 * fit.worst_stderr * math.exp(fit.worst)
        found.append(
            Finding(
                "longitudinal-colour",
                "centre",
                100.0 * math.expm1(fit.worst),
                "%",
                fit.z,
                f"At {format_f_number(widest)} {name} is {100.0 * size:.0f} % (± {error:.1f}) {how} in the centre than "
                f"its wavelength and green's blur would make it, and stopping down takes that away: {name} and green "
                f"focus at different distances, and {nearer} was nearer to its best focus. Sharpest colour: "
                f"{_sharpest(fits)}.",
                probability,
                widest,
                size_stderr=error,
            )
        )
    return found


def _sharpest(fits: Sequence[LongitudinalColour]) -> str:
    """Return which colour is the sharpest at the lowest and the highest f-number, in words."""
    words = []
    for place in (0, -1):
        values = {"green": 0.0} | {COLOUR_NAMES.get(f.channel, f.channel): float(f.log_ratio[place]) for f in fits}
        words.append(
            f"{max(values, key=lambda name: values[name])} at {format_f_number(float(fits[0].f_number[place]))}"
        )
    return " and ".join(words)


def changing_colour(fits: Sequence[LongitudinalColour]) -> tuple[LongitudinalColour, float, float, float] | None:
    """Return (colour, f-number at which it is surely the sharper, at which the softer one, z), None where none changes.

    Against green, and beyond what wavelengths explain: a focus that stays where it is cannot make that happen.
    """
    found: list[tuple[LongitudinalColour, float, float, float]] = []
    for fit in fits:
        z = np.where(fit.told, fit.unexplained / fit.unexplained_stderr, 0.0)
        up, down = int(np.argmax(z)), int(np.argmin(z))
        large = min(abs(math.expm1(fit.unexplained[k])) for k in (up, down)) >= _SMALLEST_SIZE
        if z[up] > _FLIP_SIGMA and z[down] < -_FLIP_SIGMA and large:
            found.append((fit, float(fit.f_number[up]), float(fit.f_number[down]), float(min(z[up], -z[down]))))
    return max(found, key=lambda item: item[3], default=None)
