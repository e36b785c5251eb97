"""Personal f-number limits by the picture as used: where the lens still shows the picture's finest detail."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kitgauge.exposure import DialStep, format_exact_f_number, format_f_number
from kitgauge.fit.sharpness.sharpness_aperture import RegionFit, SharpnessFit
from kitgauge.limits.aperture_limit import common_grid, inward, range_of, reservation
from kitgauge.limits.criteria import Criteria
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
    grid = regions[0].curve.f_number if len(regions) == 1 else common_grid(regions)
    wanted = criteria.picture_mtf
    weakest = _weakest(regions, grid, fit, frequency, None)
    low, high, open_ends = range_of(weakest, grid, wanted)
    count = min(region.curve.draws.shape[0] for region in regions)
    draws = np.array([range_of(_weakest(regions, grid, fit, frequency, k), grid, wanted)[:2] for k in range(count)])
    (low_a, low_b), (high_a, high_b) = (np.percentile(draws[:, k], [2.5, 97.5]) for k in (0, 1))
    met = bool(weakest.max() >= wanted)
    flags = set(fit.flags) | {flag for region in regions for flag in region.flags if flag == "optics-refuted"}
    if open_ends:
        flags.add("range-open")
    if not met:
        flags.add("criterion-not-met")
    low_dial, high_dial = inward(low, high, float(grid[np.argmax(weakest)]), dial)
    spread = float((2.0 * np.log2(draws)).std(axis=0, ddof=1).max())
    return Limit(
        kind="f_number",
        value={"f_number_low": low, "f_number_high": high},
        dial={"f_number_low": low_dial, "f_number_high": high_dial},
        ci_low=float(low_a),
        ci_high=float(high_b),
        stderr_stops=spread if spread > 0 else math.nan,
        criterion={"picture_mtf": wanted, **picture_criterion(criteria)},
        text=_text(
            where, low, high, low_dial, high_dial, criteria, frequency, fit, float(weakest.max()), open_ends, lens
        )
        + reservation(flags),
        lens=lens,
        focal_mm=focal_mm,
        region=where,
        flags=tuple(sorted(flags)),
        extra={
            "f_number_low_ci": [float(low_a), float(low_b)],
            "f_number_high_ci": [float(high_a), float(high_b)],
            "range_open": list(open_ends),
            "regions": [region.region for region in regions],
            "viewing_frequency_cy_per_px": frequency,
        },
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
    where: str,
    low: float,
    high: float,
    low_dial: float,
    high_dial: float,
    criteria: Criteria,
    frequency: float,
    fit: SharpnessFit,
    best: float,
    open_ends: tuple[str, ...],
    lens: str | None,
) -> str:
    """Return the limit as one plain sentence, exact f-numbers first, those of the dial behind them."""
    start = f"{lens}, {where}" if lens else where.capitalize()
    if criteria.print_long_side_cm is None:
        picture = f"a picture of {criteria.output_mp:g} megapixel{'' if criteria.output_mp == 1 else 's'}"
    else:
        picture = f"a {criteria.print_long_side_cm:g} cm print seen from {criteria.viewing_distance_cm:g} cm"
    at = f"{frequency:.2f} cycles per pixel"
    if fit.pitch_um is not None:
        at = f"{1000.0 * frequency / fit.pitch_um:.0f} line pairs per mm"
    if best < criteria.picture_mtf:
        return (
            f"{start}: no f-number shows the finest detail of {picture} with an MTF of {criteria.picture_mtf:g} at "
            f"{at}; {format_exact_f_number(low)} comes nearest with {best:.2g}."
        )
    span = f"{format_exact_f_number(low)} to {format_exact_f_number(high)}"
    if low_dial == high_dial:
        dial = f"on the dial only {format_f_number(low_dial)}"
    else:
        dial = f"on the dial {format_f_number(low_dial)} to {format_f_number(high_dial)}"
    ends = {"low": f"below {format_exact_f_number(low)}", "high": f"beyond {format_exact_f_number(high)}"}
    tail = f"; nothing was measured {' or '.join(ends[end] for end in open_ends)}" if open_ends else ""
    detail = f"the finest detail of {picture}: MTF {criteria.picture_mtf:g} or more at {at}"
    return f"{start}: {span} ({dial}{tail}) show {detail}."
