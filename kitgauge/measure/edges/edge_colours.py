"""Where the other colours of a mosaic have an edge that was measured in green, and how sharp they have it.

The mean places of demosaiced colours are no measure of their offset: a demosaicer fills each colour in from its
neighbours. Here each colour's own samples are fitted with green's edge spread, whose reference is given another normal
blur (and the diffraction of the colour's wavelength): E_colour = E_green + C (R(q', s') - R(q, s)). Levels,
light across, place and s' are fitted, the course of the edge is green's.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.edge_line import sums_of_products
from kitgauge.measure.edges.edge_measurement import EdgeColour, EdgeMeasurement
from kitgauge.measure.edges.edge_model import EdgeModel
from kitgauge.measure.edges.edge_mtf import mtf50_near
from kitgauge.measure.edges.edge_pool import Pool, look_up, middle, pool_samples
from kitgauge.measure.edges.edge_samples import gather_samples
from kitgauge.measure.edges.edge_spread import EdgeSpread

Array = NDArray[np.float64]

# middle of a colour filter over that of green (common practice, no source)
WAVELENGTH_RATIO: Mapping[str, float] = {"R": 0.60 / 0.54, "B": 0.46 / 0.54}
_WINDOW_PX = 12.0  # beside the edge, and 2.5 times the 10-90 % distance
_ITERATIONS = 12
_FEWEST_SAMPLES = 60
_LARGEST_SATURATED_SHARE = 0.001
_SMALLEST_CONTRAST_TO_NOISE = 3.0
_OUTLIER_SIGMA = 5.0
_LARGEST_OFFSET_PX = 6.0
_NAN = math.nan


def measure_colours(
    signal: NDArray[np.float32],
    colour_masks: Mapping[str, NDArray[np.bool_]],
    saturated: NDArray[np.bool_],
    edge: EdgeMeasurement,
) -> tuple[EdgeColour, ...]:
    """Return the offset and MTF50 of each colour of `colour_masks` ("R", "B") at an edge measured in green.

    `signal` (row, column) [DN], black subtracted; the masks and `saturated` (row, column) bool of the same shape.
    `edge` as `measure_edge` returned it: a refused one, or one rebuilt from plain values, has no `spread` and gives ().
    A colour that is clipped, too faint, or too few samples has NaN.
    """
    if edge.spread is None or not edge.usable:
        return ()
    return tuple(_colour(signal, mask, saturated, edge, edge.spread, name) for name, mask in colour_masks.items())


def _colour(
    signal: NDArray[np.float32],
    mask: NDArray[np.bool_],
    saturated: NDArray[np.bool_],
    edge: EdgeMeasurement,
    spread: EdgeSpread,
    channel: str,
) -> EdgeColour:
    nothing = EdgeColour(channel, _NAN, _NAN, _NAN, _NAN)
    samples = gather_samples(signal, mask, saturated, edge.candidate, _WINDOW_PX + 2.5 * spread.blur_px)
    if samples.u.size < _FEWEST_SAMPLES:
        return nothing
    if max(samples.saturated_bright, samples.saturated_dark) > _LARGEST_SATURATED_SHARE:
        return nothing
    along = samples.u / spread.line.half_length_px
    light = 1.0 + spread.light[0] * along + spread.light[1] * (1.5 * along * along - 0.5)
    d = spread.line.distance(samples.u, samples.v)
    value = samples.value / (light * (1.0 + spread.gradient_per_px * d))
    dark, bright = _levels(d, value, spread.blur_px)
    aside = np.abs(d) > 1.0 + spread.blur_px
    noise = _scatter(value[aside & (d < 0)], dark), _scatter(value[aside & (d > 0)], bright)
    if not bright - dark > _SMALLEST_CONTRAST_TO_NOISE * max(noise):
        return nothing
    expected = np.where(d < 0, dark, bright)
    keep = ~aside | (np.abs(value - expected) < _OUTLIER_SIGMA * np.where(d < 0, *noise))
    fitted = _fit(pool_samples(d[keep], value[keep], spread.blur_px), spread, channel, (dark, bright), noise)
    if fitted is None:
        return nothing
    model, offset, offset_error, variance_error = fitted
    mtf50, error = mtf50_near(spread, model, variance_error, edge.mtf50_cy_per_px)
    return EdgeColour(
        channel=channel,
        offset_px=offset,
        offset_stderr_px=math.hypot(offset_error * math.sqrt(spread.unsteady), spread.offset_stderr_px),
        mtf50_cy_per_px=mtf50,
        mtf50_stderr=error,
    )


def _levels(d: Array, value: Array, blur: float) -> tuple[float, float]:
    """Return the median of the samples on either side of the rise, NaN where there are none."""
    sides = value[d < -1.0 - blur], value[d > 1.0 + blur]
    dark, bright = (middle(side) if side.size >= 10 else _NAN for side in sides)
    return dark, bright


def _scatter(value: Array, level: float) -> float:
    return max(1.4826 * middle(np.abs(value - level)), 0.01)


def _fit(
    pool: Pool, spread: EdgeSpread, channel: str, levels: tuple[float, float], noise: tuple[float, float]
) -> tuple[EdgeModel, float, float, float] | None:
    """Return (reference of this colour, offset [px], its standard error, that of s [px^2]); None without an edge."""
    green, ratio = spread.model, WAVELENGTH_RATIO.get(channel, 1.0)
    grid, own = green.spreads()
    # green's curve without its reference's part: the deviation, and what its levels leave open
    reference = look_up(grid, own[0], spread.grid)
    rest = (spread.curve - spread.dark_dn) / spread.contrast_dn - reference
    model = replace(green, cutoff_px=green.cutoff_px * ratio, knots=None)
    shift, (dark, bright) = 0.0, levels
    covariance = np.empty((5, 5))
    for _ in range(_ITERATIONS):
        x = pool.centre - shift
        grid, spreads = model.spreads()
        columns = np.empty((6, x.size))
        columns[0] = 1.0
        columns[1] = look_up(grid, spreads[0], x) + look_up(spread.grid, rest, x)
        step = 0.05
        slope = (look_up(grid, spreads[0], x + step) - look_up(grid, spreads[0], x - step)) / (2.0 * step)
        slope += (look_up(spread.grid, rest, x + step) - look_up(spread.grid, rest, x - step)) / (2.0 * step)
        contrast = bright - dark
        share = np.minimum(np.maximum(columns[1], 0.0), 1.0)
        columns[2] = -contrast * slope
        columns[3] = contrast * look_up(grid, spreads[2], x)
        columns[4] = x * (dark + contrast * columns[1])
        columns[5] = pool.mean
        columns *= np.sqrt(pool.count / (noise[0] ** 2 + (noise[1] ** 2 - noise[0] ** 2) * share))
        products = sums_of_products(columns)
        normal, right = products[:5, :5], products[:5, 5]
        # a blur that the samples say nothing of stays green's
        normal[3, 3] += 1.0 / (1.0 + green.variance_px2) ** 2
        right[3] += (green.variance_px2 - model.variance_px2) / (1.0 + green.variance_px2) ** 2
        scale = 1.0 / np.sqrt(np.diag(normal))
        covariance = np.linalg.inv(normal * scale[:, None] * scale) * scale[:, None] * scale
        values = covariance @ right
        dark, bright = float(values[0]), float(values[0] + values[1])
        moved = min(max(float(values[2]), -1.0), 1.0)
        shift += moved
        most = max(0.2, model.variance_px2)
        wider = min(max(float(values[3]), -0.5 * most), most)
        variance = max(model.variance_px2 + wider, 0.0)
        settled = abs(moved) < 0.003 and abs(variance - model.variance_px2) < 0.02 * (variance + 0.1)
        model = replace(model, variance_px2=variance)
        if settled:
            break
    if not bright > dark or abs(shift) > _LARGEST_OFFSET_PX:
        return None
    return model, shift, math.sqrt(covariance[2, 2]), math.sqrt(covariance[3, 3])
