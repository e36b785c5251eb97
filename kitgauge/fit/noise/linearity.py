"""Linearity of the samples: level against exposure at one ISO value.

EMVA 1288 Release 4 Linear, clause on linearity (6.7 of Release 3.1; clause and wording from memory): a straight line
y = a_0 + a_1 H through the levels above black between 5 % and 95 % of saturation, fitted by minimising *relative*
deviations, sum of ((y - a_0 - a_1 H) / y)^2; the linearity error is the mean absolute relative deviation. A
departure is given here as a share of the full range from black to saturation too, which is what a picture of it shows.

H is the labelled exposure t/N^2 (exact settings), so an error of the camera's shutter times, and light that drifts,
look the same as a bend. The light's scatter is taken from frames of one setting; departures carry it as their
error.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from kitgauge.fit.noise.flat_levels import colours, flat_levels, light_scatter
from kitgauge.measure.noise.noise_points import PlanePairs

LOWEST_SHARE, HIGHEST_SHARE = 0.05, 0.95  # of saturation
LEAST_LEVELS = 3
# Settings nearer than this [stops] in exposure are one level
_SAME_STOPS = 0.02
# Shutters repeat no better than this where frames of one setting happen to agree [share] (common practice, no source)
_LEAST_SCATTER = 5e-4


@dataclass(frozen=True)
class Linearity:
    """Level against exposure of one colour at one ISO value; arrays in order of exposure, empty where none is given.

    `departure` is level less the fitted line as a share of the range from black to saturation, `relative` the same
    as a share of the line's own level; `error_mean` is the linearity error of EMVA 1288 (mean absolute relative
    deviation), `error_max` the largest absolute `departure`. NaN where unknown. `p_value`: chance of
    departures as large as these in a straight sensor under the scatter found.
    """

    iso: float
    channel: str
    exposure_s: tuple[float, ...]  # t / N^2: seconds at f/1
    level_dn: tuple[float, ...]  # above black
    departure: tuple[float, ...]
    departure_stderr: tuple[float, ...]
    relative: tuple[float, ...]
    error_max: float
    error_max_stderr: float
    error_mean: float
    error_mean_stderr: float
    scatter: float  # of one frame's level about its setting's, as a share
    p_value: float
    text: str

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "iso": self.iso,
            "channel": self.channel,
            "exposure_s": list(self.exposure_s),
            "level_dn": list(self.level_dn),
            "departure": list(self.departure),
            "departure_stderr": list(self.departure_stderr),
            "relative_departure": list(self.relative),
            "error_max": self.error_max,
            "error_max_stderr": self.error_max_stderr,
            "error_mean": self.error_mean,
            "error_mean_stderr": self.error_mean_stderr,
            "scatter": self.scatter,
            "p_value": self.p_value,
            "text": self.text,
        }


def linearity(
    planes: Mapping[float, Sequence[PlanePairs]], saturation_dn: Mapping[tuple[float, str], float] | None = None
) -> list[Linearity]:
    """Return one result per ISO value and colour that has three or more levels; for green of an ISO value with fewer,
    one that says so.

    `planes` by ISO; `saturation_dn` by (ISO, colour), above black: white less black without it.
    """
    out = []
    for iso, pairs in sorted(planes.items()):
        for colour, group in colours(pairs).items():
            result = _of_colour(iso, colour, group, (saturation_dn or {}).get((iso, colour), math.nan))
            if result.exposure_s or colour == "G":
                out.append(result)
    return out


def _of_colour(iso: float, colour: str, planes: Sequence[PlanePairs], saturation_dn: float) -> Linearity:
    spans = [f.white_dn - (f.black_dn if p.black_dn is None else p.black_dn) for p in planes for f in p.flats]
    full = saturation_dn if saturation_dn > 0 else float(np.mean(spans)) if spans else math.nan
    kept: list[tuple[float, list[float]]] = []
    for one in flat_levels(planes):
        if not LOWEST_SHARE * full <= one.mean_dn <= HIGHEST_SHARE * full:
            continue
        if kept and abs(math.log2(one.exposure_s / kept[-1][0])) < _SAME_STOPS:
            kept[-1][1].extend(one.levels_dn)
        else:
            kept.append((one.exposure_s, list(one.levels_dn)))
    return fit_linearity(iso, colour, [e for e, _ in kept], [levels for _, levels in kept], full)


def fit_linearity(
    iso: float,
    channel: str,
    exposure_s: Sequence[float],
    frame_levels_dn: Sequence[Sequence[float]],
    full_dn: float,
) -> Linearity:
    """Return the linearity of levels [DN above black] of the frames at each exposure (rising).

    `full_dn` is the range from black to saturation. The errors are those of the line's residuals under the scatter
    of frames at one setting, which is taken for that between settings too; that of the largest departure is its own at
    that level.
    """
    count = len(exposure_s)
    if count < LEAST_LEVELS:
        none: tuple[float, ...] = ()
        text = (
            f"Linearity not measured at ISO {iso:g}: {count} level{'s' * (count != 1)} between 5 and 95 % of "
            f"saturation, {LEAST_LEVELS} needed; shoot flats at more shutter times."
        )
        return Linearity(iso, channel, none, none, none, none, none, *(math.nan,) * 6, text)
    exposure = np.asarray(exposure_s, dtype=float)
    level = np.array([np.mean(levels) for levels in frame_levels_dn])
    scatter, freedom = light_scatter(frame_levels_dn)
    frames = np.array([float(len(levels)) for levels in frame_levels_dn])
    design = np.stack([np.ones(count), exposure], axis=1) / level[:, None]
    # relative deviations: what is fitted is 1 = (a_0 + a_1 H) / y
    hat = design @ np.linalg.pinv(design)
    parameters = np.linalg.pinv(design) @ np.ones(count)
    line = parameters[0] + parameters[1] * exposure
    departure, relative = (level - line) / full_dn, (level - line) / line
    known = math.isfinite(scatter)
    spread = max(scatter, _LEAST_SCATTER) if known else math.nan
    residual_cov = (np.eye(count) - hat) @ np.diag(spread**2 / frames) @ (np.eye(count) - hat).T
    relative_stderr = np.sqrt(np.diag(residual_cov)) if known else np.full(count, math.nan)
    departure_stderr = relative_stderr * level / full_dn
    largest = int(np.argmax(np.abs(departure)))
    p_value = math.nan
    if known:
        from scipy.special import fdtrc  # takes long to load, and few runs need it

        weighted = (1.0 - design @ parameters) / (spread / np.sqrt(frames))
        # over the few frames that told the scatter: an F ratio
        p_value = float(fdtrc(count - 2, freedom, (weighted**2).sum() / (count - 2)))
    signs = np.sign(relative)
    mean_stderr = math.sqrt(max(float(signs @ residual_cov @ signs), 0.0)) / count if known else math.nan
    return Linearity(
        iso,
        channel,
        tuple(exposure.tolist()),
        tuple(level.tolist()),
        tuple(departure.tolist()),
        tuple(departure_stderr.tolist()),
        tuple(relative.tolist()),
        float(abs(departure[largest])),
        float(departure_stderr[largest]),
        float(np.abs(relative).mean()),
        mean_stderr,
        scatter,
        p_value,
        _sentence(iso, float(abs(departure[largest])), float(departure_stderr[largest]), p_value, count),
    )


def _sentence(iso: float, largest: float, error: float, p_value: float, count: int) -> str:
    found = f"At ISO {iso:g} the {count} levels depart from a straight line by up to {100 * largest:.2g} % of the range"
    if math.isnan(p_value):
        return found + "; how much of it is scatter of light and shutter is not known (one frame per setting)."
    found += f" (± {100 * error:.1g} %)"
    if p_value > 0.05:
        return found + ": no more than light and shutter scatter."
    return found + ": more than frames of one setting scatter. Shutter times that are off look the same as a bend."
