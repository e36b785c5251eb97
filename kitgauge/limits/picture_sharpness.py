"""Personal f-number limits by the picture as used: where the lens still shows the picture's finest detail."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kitgauge.exposure import DialStep, format_exact_f_number
from kitgauge.fit.sharpness.sharpness_aperture import RegionFit, SharpnessFit
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.f_number_range import FNumberRange, f_number_range, limit_of_range
from kitgauge.limits.model import Limit
from kitgauge.measure.edges.diffraction import diffraction_mtf, diffraction_px

Array = NDArray[np.float64]


def viewing_frequency_cy_per_px(output_mp: float, frame_shape: tuple[int, int]) -> float:
    """Return the frequency on the sensor [cycles/pixel] of the finest detail that a picture of `output_mp` holds.

    One line pair takes two pixels of the picture (sampling theorem), and no less than two of the sensor. Of a print,
    whose pixels are arcminutes to the eye (`limits.viewing`), that is 30 line pairs per degree.
    """
    reduction = math.sqrt(frame_shape[0] * frame_shape[1] / (output_mp * 1e6))
    return 0.5 / max(reduction, 1.0)


def picture_limits(
    fit: SharpnessFit,
    criteria: Criteria,
    frame_shape: tuple[int, int],
    lens: str | None = None,
    focal_mm: float | None = None,
    dial: DialStep = "thirds",
) -> list[Limit]:
    """Return the f-number limits of the centre and of the whole frame for the picture that `criteria` describe.

    Within them the MTF at the picture's finest detail is `picture_mtf` or more, of green along the normal of edges, by
    the fitted curves: the blur that explains MTF50 beside diffraction and pixel is taken as normal. What making the
    picture smaller does to it is not counted. Limits whose f-numbers are best but not enough are flagged
    `criterion-not-met`. No limit where no region has a curve.
    """
    frequency = viewing_frequency_cy_per_px(criteria.picture_mp(frame_shape), frame_shape)
    limits: list[Limit] = []
    if "centre" in fit.regions:
        limits.append(_limit("centre", [fit.regions["centre"]], fit, criteria, frequency, lens, focal_mm, dial))
    if len(fit.regions) > 1 or (fit.regions and "centre" not in fit.regions):
        limits.append(_limit("whole frame", list(fit.regions.values()), fit, criteria, frequency, lens, focal_mm, dial))
    return limits


def mtf_at(
    frequency_cy_per_px: float, mtf50: Array, f_number: Array, pitch_um: float | None, wavelength_um: float
) -> Array:
    """Return the MTF at a frequency of a system whose MTF50 [cycles/pixel] is known, shape of `mtf50`.

    Diffraction (Goodman, ch. 6), pixel, and the normal blur that is left over at MTF50 (none where the curve lies above
    what diffraction and pixel allow). Without a pixel pitch diffraction counts as part of that blur.
    """
    cutoff = np.zeros_like(f_number) if pitch_um is None else diffraction_px(f_number, pitch_um, wavelength_um)
    ideal = diffraction_mtf(cutoff * mtf50) * np.sinc(mtf50)
    exponent = np.log(np.maximum(2.0 * ideal, 1.0)) * (frequency_cy_per_px / mtf50) ** 2
    at = diffraction_mtf(cutoff * frequency_cy_per_px) * np.sinc(frequency_cy_per_px)
    return np.asarray(at * np.exp(-exponent))


def _weakest(regions: Sequence[RegionFit], grid: Array, fit: SharpnessFit, frequency: float, draw: int | None) -> Array:
    """Return (grid,) the lowest MTF among the regions; of the fit, or of one draw."""
    acting = fit.wavelength_um * (1.0 + fit.magnification)  # wavelength and f-number only act as their product
    found = []
    for region in regions:
        curve = region.curve.mtf50 if draw is None else region.curve.draws[draw]
        mtf50 = np.interp(np.log(grid), np.log(region.curve.f_number), curve)
        found.append(mtf_at(frequency, mtf50, grid, fit.pitch_um, acting))
    return np.asarray(np.min(found, axis=0))


def _limit(
    where: str,
    regions: Sequence[RegionFit],
    fit: SharpnessFit,
    criteria: Criteria,
    frequency: float,
    lens: str | None,
    focal_mm: float | None,
    dial: DialStep,
) -> Limit:
    wanted = criteria.picture_mtf
    found = f_number_range(regions, lambda grid, draw: _weakest(regions, grid, fit, frequency, draw), wanted, dial)
    return limit_of_range(
        found,
        where,
        regions,
        fit,
        {"picture_mtf": wanted, **picture_criterion(criteria)},
        _text(where, found, criteria, frequency, fit, lens),
        lens,
        focal_mm,
        {"viewing_frequency_cy_per_px": frequency},
    )


def picture_criterion(criteria: Criteria) -> dict[str, float]:
    """Return the criteria that say how large the picture is: megapixels, or the print and its distance."""
    if criteria.print_long_side_cm is None or criteria.viewing_distance_cm is None:
        return {"output_mp": criteria.output_mp}
    return {
        "print_long_side_cm": criteria.print_long_side_cm,
        "viewing_distance_cm": criteria.viewing_distance_cm,
    }


def _text(
    where: str, found: FNumberRange, criteria: Criteria, frequency: float, fit: SharpnessFit, lens: str | None
) -> str:
    """Return the limit as one plain sentence."""
    start = f"{lens}, {where}" if lens else where.capitalize()
    if criteria.print_long_side_cm is None:
        picture = f"a picture of {criteria.output_mp:g} megapixel{'' if criteria.output_mp == 1 else 's'}"
    else:
        picture = f"a {criteria.print_long_side_cm:g} cm print seen from {criteria.viewing_distance_cm:g} cm"
    at = f"{frequency:.2f} cycles per pixel"
    if fit.pitch_um is not None:
        at = f"{1000.0 * frequency / fit.pitch_um:.0f} line pairs per mm"
    if not found.met:
        return (
            f"{start}: no f-number shows the finest detail of {picture} with an MTF of {criteria.picture_mtf:g} at "
            f"{at}; {format_exact_f_number(found.low)} comes nearest with {found.best:.2g}."
        )
    return f"{start}: {found.words} show the finest detail of {picture}: MTF {criteria.picture_mtf:g} or more at {at}."
