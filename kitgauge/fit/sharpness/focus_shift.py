"""Focus shift: the best focus moves as the lens is stopped down.

In a sweep at one focus setting, stopping down takes excess blur (`excess_blur`) away; only a focus that moves adds
some. So blur that grows with the f-number, in both edge directions alike (vibration has one), is a focus shift, or a
focus that was touched in between; so is a curve that only a moving focus explains (`focus_shift_wavefront`). Wavelength
and true aperture, which nobody measures, would make blur grow towards high f-numbers and are allowed for. The colour
that is sharpest is another witness (`changing_colour`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from scipy import stats

from kitgauge.exposure import format_f_number
from kitgauge.fit.sharpness.excess_blur import (
    F_NUMBER_SPREAD,
    WAVELENGTH_SPREAD,
    excess_variance,
    slope_in_cutoff,
    slope_in_mtf50,
)
from kitgauge.fit.sharpness.focus_points import BEST_FRAMES
from kitgauge.fit.sharpness.focus_shift_wavefront import moving_focus
from kitgauge.fit.sharpness.lateral_colour import COLOUR_NAMES
from kitgauge.fit.sharpness.longitudinal_colour import LongitudinalColour, changing_colour
from kitgauge.fit.sharpness.sharpness_contrasts import ERROR_ALLOWANCE, FAMILY_PROBABILITY, Finding
from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint
from kitgauge.fit.sharpness.sharpness_shake import repeat_variance, usual_repeat_variance
from kitgauge.measure.edges.diffraction import GREEN_WAVELENGTH_UM, diffraction_px, system_mtf50

_COMMON_ERROR = 0.005  # of MTF50 at one f-number, the same in all frames of it
_SMALLEST_SIZE = 0.03
_EACH_DIRECTION_SIGMA = 2.0
_NOT_A_SWEEP = frozenset({BEST_FRAMES, "rendered"})  # focused anew at each f-number; made sharp by software
_ORIENTATIONS = ("vertical", "horizontal")

Row = tuple[float, float, float, float, float, float]  # ln MTF50, noise variance, degrees of freedom, v and its slopes


def focus_shift_finding(
    points: Sequence[SharpnessPoint],
    colours: Sequence[LongitudinalColour],
    pitch_um: float | None,
    magnification: float = 0.0,
    wavelength_um: float = GREEN_WAVELENGTH_UM,
) -> Finding | None:
    """Return the finding of a focus shift in the centre, None where there is none or it cannot be told.

    It takes the pixel pitch, both edge directions and two frames at each f-number, focused once for all of them.
    """
    if pitch_um is None:
        return None
    centre = [
        p
        for p in points
        if p.region == "centre"
        and p.frames > 1
        and p.mtf50_cy_per_px_stderr > 0
        and not _NOT_A_SWEEP.intersection(p.flags)
    ]
    by_blur = _growing_blur(centre, pitch_um, magnification, wavelength_um)
    if {p.orientation for p in centre} >= set(_ORIENTATIONS):
        # it names the whole loss, where growing blur sees the part that exceeds the blur of a lower f-number
        by_blur = moving_focus(centre, pitch_um, wavelength_um * (1.0 + magnification)) or by_blur
    by_colour = changing_colour(colours)
    if by_colour is None:
        return by_blur
    fit, sharper, softer, z = by_colour
    name = COLOUR_NAMES.get(fit.channel, fit.channel)
    words = (
        f"{name.capitalize()} is sharper than green at {format_f_number(sharper)} and softer at "
        f"{format_f_number(softer)}, beyond what diffraction explains"
    )
    if by_blur is not None:
        return Finding(**{**by_blur.as_dict(), "text": f"{by_blur.text} {words}: the focus moved."})
    at = int(np.flatnonzero(fit.f_number == softer)[0])
    return Finding(
        "focus-shift",
        "centre",
        -100.0 * math.expm1(float(fit.unexplained[at])),
        "%",
        z,
        f"{words}: the best focus moves as the lens is stopped down. Focus at the f-number you take the picture with.",
        min(1.0, float(2.0 * stats.norm.sf(z)) * 2 * len(colours) * fit.f_number.size),
        softer,
        size_stderr=100.0 * float(fit.unexplained_stderr[at]),
    )


def _growing_blur(
    centre: Sequence[SharpnessPoint], pitch_um: float, magnification: float, wavelength_um: float
) -> Finding | None:
    tables = {
        o: _rows([p for p in centre if p.orientation == o], pitch_um, magnification, wavelength_um)
        for o in _ORIENTATIONS
    }
    f_numbers = sorted(tables["vertical"].keys() & tables["horizontal"].keys())
    cutoffs = {n: float(diffraction_px(n * (1.0 + magnification), pitch_um, wavelength_um)) for n in f_numbers}
    pairs = [(a, b) for i, a in enumerate(f_numbers) for b in f_numbers[i + 1 :]]
    best: tuple[float, float, float, float, float, float] | None = None
    for wide, narrow in pairs:
        rises = [_rise(tables[o][wide], tables[o][narrow]) for o in _ORIENTATIONS]
        if any(value < _EACH_DIRECTION_SIGMA * error for value, error, _, _ in rises):
            continue
        value = 0.5 * sum(rise[0] for rise in rises)
        # what the wavelength and the aperture do, they do to both directions
        noise = 0.25 * sum(rise[2] for rise in rises)
        shared = sum(rise[1] ** 2 - rise[2] for rise in rises) / 2.0
        error = math.sqrt(noise + shared)
        spread = sum(rise[2] ** 2 / rise[3] for rise in rises)
        freedom = sum(rise[2] for rise in rises) ** 2 / spread if spread > 0 else math.inf
        probability = min(1.0, float(stats.t.sf(value / error, freedom)) * len(pairs))
        slope = 0.5 * sum(tables[o][narrow][4] for o in _ORIENTATIONS)
        size = _share_lost([tables[o] for o in _ORIENTATIONS], wide, narrow, cutoffs[narrow])
        if size >= _SMALLEST_SIZE and probability < FAMILY_PROBABILITY and (best is None or probability < best[0]):
            best = probability, size, value / error, wide, narrow, error / abs(slope) * (1.0 - size)
    if best is None:
        return None
    probability, size, z, wide, narrow, error = best
    return Finding(
        "focus-shift",
        "centre",
        100.0 * size,
        "%",
        z,
        f"In the centre {format_f_number(narrow)} is {100.0 * size:.0f} % (± {100.0 * error:.1f}) softer than the blur "
        f"at {format_f_number(wide)} would let it be, though stopping down should only help: the best focus moves as "
        "the lens is stopped down, or the focus was touched in between. Focus at the f-number you take the picture "
        "with.",
        probability,
        narrow,
        size_stderr=100.0 * error,
    )


def _share_lost(tables: Sequence[Mapping[float, Row]], wide: float, narrow: float, cutoff_px: float) -> float:
    """Return the share of MTF50 at `narrow` that is lost against the blur at `wide`, the mean of the directions."""
    kept = [math.log(float(system_mtf50(cutoff_px, math.sqrt(max(table[wide][3], 0.0))))) for table in tables]
    return -math.expm1(sum(table[narrow][0] - own for table, own in zip(tables, kept, strict=True)) / len(tables))


def _rows(
    points: Sequence[SharpnessPoint], pitch_um: float, magnification: float, wavelength_um: float
) -> dict[float, Row]:
    """Return f-number -> (ln MTF50, its variance, degrees of freedom, v, dv/dln MTF50, dv/dln cutoff)."""
    groups = {n: [p for p in points if p.f_number == n] for n in sorted({p.f_number for p in points})}
    usual, usual_freedom = usual_repeat_variance(groups.values()) if groups else (0.0, 1)
    rows: dict[float, Row] = {}
    for f_number, own in groups.items():
        log = float(np.mean([math.log(p.mtf50_cy_per_px) for p in own]))
        here = float(np.mean([repeat_variance(p) for p in own]))
        noise = (
            sum(max((p.mtf50_cy_per_px_stderr / p.mtf50_cy_per_px) ** 2 - repeat_variance(p), 0.0) for p in own)
            / len(own) ** 2
        )
        repeat = max(here, usual)
        freedom = usual_freedom if usual >= here else max(own[0].frames - 1, 1)
        variance = ERROR_ALLOWANCE**2 * (noise + repeat) + _COMMON_ERROR**2
        cutoff = float(diffraction_px(f_number * (1.0 + magnification), pitch_um, wavelength_um))
        mtf50 = math.exp(log)
        values = [float(f(mtf50, cutoff)) for f in (excess_variance, slope_in_mtf50, slope_in_cutoff)]
        if all(math.isfinite(value) for value in values):
            of_all = freedom * (variance / repeat / ERROR_ALLOWANCE**2) ** 2 if repeat > 0 else math.inf
            rows[f_number] = (log, variance, of_all, values[0], values[1], values[2])
    return rows


def _rise(wide: Row, narrow: Row) -> tuple[float, float, float, float]:
    """Return (v narrow - v wide, its whole error, the variance of noise alone, degrees of freedom of that)."""
    noise = [row[1] * row[4] ** 2 for row in (wide, narrow)]
    light = WAVELENGTH_SPREAD * (narrow[5] - wide[5])
    aperture = F_NUMBER_SPREAD * math.hypot(narrow[5], wide[5])
    total = sum(noise)
    spread = sum(n**2 / row[2] for n, row in zip(noise, (wide, narrow), strict=True))
    freedom = total**2 / spread if spread > 0 else math.inf
    return narrow[3] - wide[3], math.sqrt(total + light**2 + aperture**2), total, freedom
