"""The course of an edge against the straight line that the search found, and the light along it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.edge_samples import EdgeSamples

Array = NDArray[np.float64]

_BLOCK_PX = 12.0  # one place of the edge's course is taken from this length of it


def sums_of_products(columns: Array) -> Array:
    """Return columns @ columns' of a (column, sample) array, in blocks small enough that BLAS starts no threads.

    Threads cost more than they save on systems this small, and stall when the machine is busy.
    """
    width = max(16, 60_000 // columns.shape[0] ** 2)
    total = columns[:, :width] @ columns[:, :width].T
    for first in range(width, columns.shape[1], width):
        part = columns[:, first : first + width]
        total += part @ part.T
    return np.asarray(total)


@dataclass(frozen=True)
class EdgeLine:
    """Shift and shape of an edge along the normal of the candidate's line, as Legendre polynomials along it.

    `offset_px` plus `shape` (3,) [px] (tilt, bow, and its lack of symmetry) times P1, P2, P3 of u / `half_length_px`.
    """

    offset_px: float
    shape: Array
    half_length_px: float

    def distance(self, u: Array, v: Array) -> Array:
        """Return the distance [px] from the edge, dark to bright, of places `u` along and `v` across the candidate."""
        u = u / self.half_length_px
        one, two, three = (float(value) for value in self.shape)
        line = self.offset_px - 0.5 * two + u * ((one - 1.5 * three) + u * (1.5 * two + u * (2.5 * three)))
        bend = ((one - 1.5 * three) + u * (3.0 * two + u * (7.5 * three))) / self.half_length_px
        # bends stay below a tenth: the next term of the root is 4e-5
        return np.asarray((v - line) * (1.0 - 0.5 * bend * bend))

    def moved(self, offset_px: float, shape: NDArray[np.floating] | None = None) -> EdgeLine:
        """Return the line moved by `offset_px`, its shape changed by `shape` [px]."""
        return EdgeLine(
            self.offset_px + offset_px, self.shape if shape is None else self.shape + shape, self.half_length_px
        )


def legendre(u: Array) -> Array:
    """Return (3, n): the polynomials P1, P2, P3 at `u` in -1 to 1."""
    square = u * u
    return np.stack([u, 1.5 * square - 0.5, u * (2.5 * square - 1.5)])


def first_line(
    u: Array, v: Array, value: Array, length_px: float, levels: tuple[float, float], half: float, blur: float
) -> EdgeLine:
    """Return the course of the edge from the light in short pieces of it.

    `u` along, `v` across the candidate's line [px], `value` [DN], `levels` dark and bright, `half` where the half-level
    lies, `blur` the 10-90 % distance.
    In a piece of width W about the edge, the mean of (share of the contrast - step at `half`) times W is how far the
    edge lies before `half`, whatever its shape.
    """
    half_length = 0.5 * length_px
    dark, bright = levels
    reach = min(1.5 * blur + 3.0, half - float(v.min()), float(v.max()) - half)
    near = np.abs(v - half) <= reach
    v, u, value = v[near], u[near] / half_length, value[near]
    count = int(min(max(length_px / _BLOCK_PX, 5.0), 20.0))
    block = np.clip(((u + 1.0) * (0.5 * count)).astype(np.intp), 0, count - 1)
    beyond = (value - dark) / (bright - dark) - (v > half)
    number = np.bincount(block, minlength=count)
    filled = number >= 4
    if filled.sum() < 4:
        return EdgeLine(half, np.zeros(3), half_length)
    place = half - 2.0 * reach * np.bincount(block, beyond, minlength=count)[filled] / number[filled]
    at = np.bincount(block, u, minlength=count)[filled] / number[filled]
    design = np.vstack([np.ones(at.size), legendre(at)])
    # a straight line unless the pieces say otherwise: a prior of five pixels' bow, one pixel's asymmetry
    scatter = max(reach * reach / 3.0 / float(np.mean(number)), 0.01)
    prior = np.diag(scatter * np.array([0.0, 0.0, 0.04, 1.0]))
    solution = np.linalg.solve(sums_of_products(design) + prior, design @ place)
    return EdgeLine(float(solution[0]), np.asarray(solution[1:], dtype=np.float64), half_length)


def light_along(
    samples: EdgeSamples, half_length_px: float, half: float, beside_px: float, dark: float, bright: float
) -> tuple[float, float]:
    """Return (h, h2): the light runs as 1 + h P1 + h2 P2 along the edge, from the samples farther than `beside_px`.

    Both sides have a level and a slope of their own meanwhile.
    """
    columns, values = [], []
    for level, side in ((dark, samples.v < half - beside_px), (bright, samples.v > half + beside_px)):
        u = samples.u[side] / half_length_px
        if u.size < 50 or not level > 0:
            continue
        v = samples.v[side]
        v = v - v.mean()
        value = samples.value[side] / level
        # shot noise: the relative noise of a side goes with one over the root of its level
        weight = math.sqrt(level / bright)
        own = np.vstack([np.ones(u.size), v, u, 1.5 * u * u - 0.5, value])
        products = sums_of_products(own * weight)
        # the side's own level and slope are solved for and taken out
        inner = np.linalg.solve(products[:2, :2], products[:2, 2:])
        rest = products[2:, 2:] - products[2:, :2] @ inner
        columns.append(rest[:2, :2])
        values.append(rest[:2, 2])
    if not columns:
        return 0.0, 0.0
    h, h2 = np.linalg.solve(sum(columns) + 1e-9 * np.eye(2), sum(values))
    return float(h), float(h2)
