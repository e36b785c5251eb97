"""MTF along the normal of one tilted edge, from the samples of one colour of an undeveloped mosaic.

The task and the terms are those of the e-SFR method of ISO 12233 (find the edge, project the samples on its normal,
differentiate, transform); how the edge spread is obtained differs and is described in `edge_spread`.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.edge_candidate import EdgeCandidate
from kitgauge.measure.edges.edge_measurement import EdgeColour, EdgeMeasurement
from kitgauge.measure.edges.edge_mtf import FREQUENCIES_CY_PER_PX, alike_for, mtf50_of, mtf_of
from kitgauge.measure.edges.edge_overshoot import halos
from kitgauge.measure.edges.edge_samples import gather_samples
from kitgauge.measure.edges.edge_spread import EdgeSpread, fit_edge_spread

Array = NDArray[np.float64]

LARGEST_WINDOW_PX = 40.0  # farther out the tail is extrapolated by its law
SMALLEST_WINDOW_PX = 5.0
SHORTEST_EDGE_PX = 20.0
SMALLEST_CONTRAST = 1.25  # bright over dark
LARGEST_SATURATED_FRACTION = 0.001
SMALLEST_SNR = 3.0
LARGEST_GAP_PX = 0.75
LARGEST_BOW_FRACTION = 0.03  # of the length
LARGEST_RELATIVE_ERROR = 0.25
_ESF_BIN_PX = 0.25

__all__ = ["EdgeColour", "EdgeMeasurement", "measure_edge"]


def measure_edge(
    signal: NDArray[np.float32],
    mask: NDArray[np.bool_],
    saturated: NDArray[np.bool_],
    candidate: EdgeCandidate,
    *,
    window_px: float = LARGEST_WINDOW_PX,
    diffraction_px: float | None = None,
) -> EdgeMeasurement:
    """Measure the MTF along the normal of one edge.

    Parameters
    ----------
    signal : (row, column) [DN], black subtracted, the whole mosaic
    mask : (row, column) True for the samples to use (one colour)
    saturated : (row, column) True for samples at the white level
    candidate : where the edge is
    window_px : how far across the edge samples are used at most, on either side [px]
    diffraction_px : wavelength x f-number / pixel pitch [px], where known: steadies the tail

    An edge that cannot be measured comes back with NaN and flags; nothing is raised for it.
    """
    if signal.shape != mask.shape or signal.shape != saturated.shape:
        raise ValueError(
            f"signal, mask and saturated must have one shape, got {signal.shape}, {mask.shape}, {saturated.shape}"
        )
    if candidate.length_px < SHORTEST_EDGE_PX:
        return _refused(candidate, ("edge-short",))
    if min(candidate.half_width_dark_px, candidate.half_width_bright_px) < SMALLEST_WINDOW_PX:
        return _refused(candidate, ("edge-crowded",))
    samples = gather_samples(signal, mask, saturated, candidate, window_px)
    if samples.u.size < 200 or min(-samples.v.min(), samples.v.max()) < SMALLEST_WINDOW_PX:
        return _refused(candidate, ("edge-short",))
    if max(samples.saturated_bright, samples.saturated_dark) > LARGEST_SATURATED_FRACTION:
        return _refused(candidate, ("edge-clipped",))
    spread = fit_edge_spread(
        samples,
        candidate.length_px,
        candidate.angle_deg,
        candidate.patch_px,
        candidate.patch_is_dark,
        diffraction_px,
    )
    if spread is None:
        return _refused(candidate, ("low-contrast",))
    flags = _doubts(spread, candidate)
    if flags:
        return _refused(candidate, flags, spread)
    mtf, mtf_error = mtf_of(spread, FREQUENCIES_CY_PER_PX)
    mtf50, error = mtf50_of(spread, mtf, mtf_error)
    if math.isfinite(mtf50):
        unsteady = math.sqrt(alike_for(spread, mtf50))
        error, mtf_error = error * unsteady, mtf_error * unsteady
    if math.isnan(mtf50) or error > LARGEST_RELATIVE_ERROR * mtf50:
        return _refused(candidate, ("edge-noisy",), spread)
    return _filled(candidate, spread, mtf50, error, mtf, mtf_error, ())


def _doubts(spread: EdgeSpread, candidate: EdgeCandidate) -> tuple[str, ...]:
    """Return the flags that forbid using the fitted edge."""
    flags: list[str] = []
    if spread.dark_dn > 0 and spread.dark_dn + spread.contrast_dn < SMALLEST_CONTRAST * spread.dark_dn:
        flags.append("low-contrast")
    noise = max(spread.noise.bright, spread.noise.dark)
    if spread.contrast_dn < SMALLEST_SNR * noise:
        flags.append("edge-noisy")
    if spread.largest_gap_px > LARGEST_GAP_PX:
        flags.append("edge-angle")
    if spread.sagitta_px > LARGEST_BOW_FRACTION * candidate.length_px:
        flags.append("edge-curved")
    if 1.2 * spread.blur_px > min(candidate.half_width_dark_px, candidate.half_width_bright_px):
        flags.append("edge-crowded")
    return tuple(flags)


def _filled(
    candidate: EdgeCandidate,
    spread: EdgeSpread,
    mtf50: float,
    error: float,
    mtf: Array,
    mtf_error: Array,
    flags: tuple[str, ...],
) -> EdgeMeasurement:
    position, esf, esf_error = _binned(spread)
    overshoot, overshoot_error, undershoot, undershoot_error = halos(spread)
    tilt = math.degrees(math.atan(spread.slope))
    # u runs from (x0, y0) to (x1, y1); the normal may be on either side of that direction
    turn = (candidate.x1 - candidate.x0) * candidate.normal_y - (candidate.y1 - candidate.y0) * candidate.normal_x
    return EdgeMeasurement(
        candidate=candidate,
        orientation=candidate.orientation,
        group=candidate.group,
        x_px=candidate.x_px + spread.offset_px * candidate.normal_x,
        y_px=candidate.y_px + spread.offset_px * candidate.normal_y,
        angle_deg=candidate.angle_deg + math.copysign(tilt, tilt * turn),
        length_px=candidate.length_px,
        mtf50_cy_per_px=mtf50,
        mtf50_stderr=error,
        dark_dn=spread.dark_dn,
        bright_dn=spread.dark_dn + spread.contrast_dn,
        snr=spread.contrast_dn / spread.noise.bright,
        blur_px=spread.blur_px,
        edge_offset_px=spread.offset_px,
        edge_offset_stderr=spread.offset_stderr_px,
        bow_px=spread.sagitta_px,
        position_px=position,
        esf=esf,
        esf_stderr=esf_error,
        frequency_cy_per_px=FREQUENCIES_CY_PER_PX.copy(),
        mtf=mtf,
        mtf_stderr=mtf_error,
        flags=flags,
        overshoot=overshoot,
        overshoot_stderr=overshoot_error,
        undershoot=undershoot,
        undershoot_stderr=undershoot_error,
        spread=spread,
    )


def _binned(spread: EdgeSpread) -> tuple[Array, Array, Array]:
    """Return (position, mean, standard error) of the samples in quarter-pixel bins, for pictures."""
    index = np.floor(spread.d / _ESF_BIN_PX).astype(np.intp)
    low = int(index.min())
    index -= low
    count = np.bincount(index)
    good = count > 1
    n = count[good]
    position = np.bincount(index, spread.d)[good] / n
    mean = np.bincount(index, spread.normalised)[good] / n
    share = np.clip((mean - spread.dark_dn) / spread.contrast_dn, 0.0, 1.0)
    variance = spread.noise.dark**2 + (spread.noise.bright**2 - spread.noise.dark**2) * share
    return position, mean, np.sqrt(variance / n)


def _refused(candidate: EdgeCandidate, flags: tuple[str, ...], spread: EdgeSpread | None = None) -> EdgeMeasurement:
    """Return the measurement of an edge that cannot be used; levels are kept where they are known."""
    nothing = np.empty(0)
    nan = math.nan
    levels = (nan,) * 5
    if spread is not None:
        bright = spread.dark_dn + spread.contrast_dn
        ratio = spread.contrast_dn / spread.noise.bright
        levels = (spread.dark_dn, bright, ratio, spread.blur_px, spread.sagitta_px)
    dark_dn, bright_dn, snr, blur_px, bow_px = levels
    return EdgeMeasurement(
        candidate=candidate,
        orientation=candidate.orientation,
        group=candidate.group,
        x_px=candidate.x_px,
        y_px=candidate.y_px,
        angle_deg=candidate.angle_deg,
        length_px=candidate.length_px,
        mtf50_cy_per_px=nan,
        mtf50_stderr=nan,
        dark_dn=dark_dn,
        bright_dn=bright_dn,
        snr=snr,
        blur_px=blur_px,
        edge_offset_px=nan,
        edge_offset_stderr=nan,
        bow_px=bow_px,
        position_px=nothing,
        esf=nothing,
        esf_stderr=nothing,
        frequency_cy_per_px=nothing,
        mtf=nothing,
        mtf_stderr=nothing,
        flags=flags,
    )
