"""From pairs of developed flats to one point per ISO: noise, spectrum, and SNR at mid-grey.

Mid-grey in a developed picture is code 118 of 255 in sRGB, 18 % of white (ISO 12232, standard output sensitivity; from
memory). A flat at another level has another SNR there: it rises with the root of the level where shot noise rules and
with the level itself where noise is constant, so SNR is carried over with the power 3/4, and the range of 1/2 to 1,
taken as evenly likely, is the error of that. With levels on both sides of mid-grey it is interpolated in logarithms
instead, with the same doubt about the slope on either side.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from kitgauge.flags import rejects
from kitgauge.measure.developed.developed_noise import DevelopedPair
from kitgauge.measure.noise.noise_spectrum import BANDS

MIDGREY_OF_WHITE = ((118 / 255 + 0.055) / 1.055) ** 2.4  # 0.181
AT_MIDGREY = 0.05  # departure of ln level that needs no mention: 0.07 stop
_SAME_LEVEL = 0.1  # of ln level
_SLOPE, _SLOPE_ERROR = 0.75, 0.25 / math.sqrt(3.0)
_COARSE, _FINE = 4, 8  # of 16 bands: below a quarter, above a half of the Nyquist frequency
_NO_NUMBER = ("no-pair",)


@dataclass(frozen=True)
class DevelopedPoint:
    """Noise of developed pictures of one ISO. Unknown is NaN; noise is a share of the level at which it was measured.

    `snr_measured` is that of one pixel's luminance at `level`. `snr_midgrey_stderr` holds `level_scaling_stderr`, which
    points of one level share. `snr_at_least` is a lower bound of SNR at mid-grey where noise was finer than the file's
    codes. `luminance_power` (16,) is the squared noise within |fx|, |fy| <= 0.5 k / 16 cycles per pixel;
    `spectrum` the mean density there relative to white noise, `rings` the density in rings of frequency.
    `noise_power_low` is the share of luminance noise power below 1/8 cycle per pixel, `noise_power_high` above 1/4.
    """

    iso: float
    level: float
    levels: int
    pairs: int
    snr_measured: float
    snr_measured_stderr: float
    snr_midgrey: float
    snr_midgrey_stderr: float
    level_scaling_stderr: float
    snr_at_least: float
    luminance_noise: float
    luminance_noise_stderr: float
    luminance_bound: float
    red_noise: float
    red_noise_stderr: float
    red_bound: float
    blue_noise: float
    blue_noise_stderr: float
    blue_bound: float
    rounding_noise: float
    noise_power_low: float
    noise_power_high: float
    luminance_power: tuple[float, ...]
    luminance_power_stderr: tuple[float, ...]
    spectrum: tuple[float, ...]
    red_spectrum: tuple[float, ...]
    blue_spectrum: tuple[float, ...]
    rings: tuple[float, ...]
    red_rings: tuple[float, ...]
    blue_rings: tuple[float, ...]
    flags: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {key: list(value) if isinstance(value, tuple) else value for key, value in asdict(self).items()}


def developed_point(iso: float, pairs: Sequence[DevelopedPair]) -> DevelopedPoint:
    """Return the point of one ISO from the pairs of its flats, of one level or several.

    Pairs of one level are taken as a chain (each frame with the next): neighbours share a frame, and the squares of
    their differences are correlated by 1/4. Pairs with a rejecting flag (clipped, too dark) are left out, and without
    any left everything is NaN.
    """
    flags = tuple(dict.fromkeys(flag for pair in pairs for flag in pair.flags))
    usable = [pair for pair in pairs if not rejects(pair.flags) and not set(_NO_NUMBER) & set(pair.flags)]
    seen = [pair for pair in usable if pair.luminance_noise > 0]
    levels = [_one_level(group) for group in _by_level(seen)]
    nearest = min(levels, key=lambda level: abs(_away(level["level"])), default=None)
    unseen = min((p for p in usable if p.luminance_bound > 0), key=lambda p: abs(_away(p.level)), default=None)
    midgrey, error, scaling = _at_midgrey(levels)
    if abs(_away(nearest["level"])) > AT_MIDGREY if nearest is not None else False:
        flags = (*flags, "level-scaled")
    values = nearest or _unknown(unseen)
    power = np.array(values["luminance_power"])
    at_least = math.nan
    if nearest is None and unseen is not None:
        # carried over by whichever rule is the less favourable
        change = -_away(unseen.level)
        at_least = math.exp(min(0.5 * change, change)) / unseen.luminance_bound
    return DevelopedPoint(
        iso=float(iso),
        levels=len(levels),
        pairs=len(seen),
        snr_measured=1.0 / values["luminance_noise"],
        snr_measured_stderr=values["luminance_noise_stderr"] / values["luminance_noise"] ** 2,
        snr_midgrey=midgrey,
        snr_midgrey_stderr=error,
        level_scaling_stderr=scaling,
        snr_at_least=at_least,
        noise_power_low=float(power[_COARSE - 1] / power[-1]),
        noise_power_high=float(1.0 - power[_FINE - 1] / power[-1]),
        spectrum=_densities(power),
        red_spectrum=_densities(np.array(values.pop("red_power"))),
        blue_spectrum=_densities(np.array(values.pop("blue_power"))),
        rings=values.pop("luminance_rings"),
        flags=flags,
        **values,
    )


def _away(level: float) -> float:
    """Return by how much a level lies above mid-grey, in natural logarithm."""
    return math.log(level / MIDGREY_OF_WHITE)


def _by_level(pairs: Sequence[DevelopedPair]) -> list[list[DevelopedPair]]:
    groups: list[list[DevelopedPair]] = []
    for pair in sorted(pairs, key=lambda pair: pair.level):
        if groups and math.log(pair.level / groups[-1][0].level) < _SAME_LEVEL:
            groups[-1].append(pair)
        else:
            groups.append([pair])
    return groups


_MEANS = ("level", "rounding_noise")
_BOUNDS = ("luminance_bound", "red_bound", "blue_bound")
_RINGS = ("luminance_rings", "red_rings", "blue_rings")


def _one_level(pairs: Sequence[DevelopedPair]) -> dict[str, Any]:
    """Return the means over the pairs of one level, by name as in `DevelopedPair`."""
    count = len(pairs)
    of_mean = math.sqrt((1.5 - 0.5 / count) / count)
    values: dict[str, Any] = {name: float(np.mean([getattr(pair, name) for pair in pairs])) for name in _MEANS}
    for name in _BOUNDS:
        bounds = [bound for pair in pairs if (bound := getattr(pair, name)) > 0]
        values[name] = max(bounds, default=math.nan)
    for name in (*_RINGS, "red_power", "blue_power", "luminance_power"):
        values[name] = tuple(np.mean([getattr(pair, name) for pair in pairs], axis=0).tolist())
    errors = np.sqrt(np.mean(np.square([pair.luminance_power_stderr for pair in pairs]), axis=0)) * of_mean
    values["luminance_power_stderr"] = tuple(errors.tolist())
    for name in ("luminance", "red", "blue"):
        values[f"{name}_noise"] = math.sqrt(values[f"{name}_power"][-1])
        each = [getattr(pair, f"{name}_noise_stderr") for pair in pairs]
        values[f"{name}_noise_stderr"] = math.sqrt(float(np.mean(np.square(each)))) * of_mean
    return values


def _unknown(unseen: DevelopedPair | None) -> dict[str, Any]:
    names = [f"{name}_noise{what}" for name in ("luminance", "red", "blue") for what in ("", "_stderr")]
    values: dict[str, Any] = dict.fromkeys([*_MEANS, *_BOUNDS, *names], math.nan)
    bands = ("red_power", "blue_power", "luminance_power", "luminance_power_stderr", *_RINGS)
    values |= dict.fromkeys(bands, (math.nan,) * BANDS)
    if unseen is not None:
        values |= {name: getattr(unseen, name) for name in (*_MEANS, *_BOUNDS)}
    return values


def _densities(power: np.ndarray) -> tuple[float, ...]:
    shares = (np.arange(1, BANDS + 1) / BANDS) ** 2
    return tuple((power / power[-1] / shares).tolist())


def _at_midgrey(levels: Sequence[Mapping[str, Any]]) -> tuple[float, float, float]:
    """Return SNR at mid-grey, its standard error, and the part of it that comes from the level."""
    if not levels:
        return math.nan, math.nan, math.nan
    away = [_away(level["level"]) for level in levels]
    logs = [-math.log(level["luminance_noise"]) for level in levels]
    errors = [level["luminance_noise_stderr"] / level["luminance_noise"] for level in levels]
    below = [index for index, value in enumerate(away) if value <= 0]
    above = [index for index, value in enumerate(away) if value > 0]
    if below and above:
        low, high = below[-1], above[0]
        share = -away[low] / (away[high] - away[low])
        log_snr = logs[low] + share * (logs[high] - logs[low])
        error = math.hypot((1 - share) * errors[low], share * errors[high])
        doubt = _SLOPE_ERROR * share * (1 - share) * (away[high] - away[low])
    else:
        near = below[-1] if below else above[0]
        log_snr, error = logs[near] - _SLOPE * away[near], errors[near]
        doubt = _SLOPE_ERROR * abs(away[near])
    snr = math.exp(log_snr)
    return snr, snr * math.hypot(error, doubt), snr * doubt
