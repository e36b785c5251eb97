"""The splines around an edge: where their knots lie, their transforms, and the prior of their coefficients.

All of it depends on the edge's width only, in steps of a tenth, and is kept: the edges of a frame share it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

Array = NDArray[np.float64]

_KNOT_GROWTH = 0.22  # knot spacing per distance from the rise
_KNOT_PX = (0.3, 0.6)  # smallest and largest spacing within the rise
_KNOTS_PER_RISE = 8.0
_TABLE_PER_PX = 64
_LONGEST_PIECE_PX = 1.25  # for frequencies up to 1 cycle/px
_STEP = 1.1  # from one width to the next
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(5)


@dataclass(frozen=True)
class Knots:
    """Knots from -core to core [px], for an edge of 10-90 % distance `blur_px` and contrast over steepest slope
    `steep_px`."""

    core_px: float
    blur_px: float
    steep_px: float

    @property
    def splines(self) -> int:
        """How many cubic B-splines have their whole support inside the knots."""
        return max(self.places.size - 4, 0)

    @property
    def places(self) -> Array:
        """The knots [px]: even over the rise, then ever farther apart; a sharp core in a wide halo has its own."""
        return _places(self)

    def values(self, d: Array) -> Array:
        """Return (sample, spline) of the splines at `d` within the knots, by straight lines in a fine table."""
        table = _table(self)
        place = (d + self.core_px) * _TABLE_PER_PX
        index = place.astype(np.intp)
        low = table[index]
        return np.asarray(low + (place - index)[:, None] * (table[index + 1] - low))

    def curve(self, d: Array, coefficients: Array) -> Array:
        """Return the sum of the splines at `d` within the knots."""
        summed = np.einsum("ij,j->i", _table(self), coefficients)
        place = (d + self.core_px) * _TABLE_PER_PX
        index = place.astype(np.intp)
        return np.asarray(summed[index] + (place - index) * (summed[index + 1] - summed[index]))

    def covariance(self, smoothness: float) -> Array:
        """Return the prior covariance of the coefficients of a deviation of size 1: smooth, and dying out.

        `smoothness` is its correlation length over the root of `steep_px`.
        """
        centre = np.convolve(self.places, np.full(3, 1.0 / 3.0), mode="valid")[1:-1]
        envelope = 1.0 / (1.0 + (centre / (2.0 * self.blur_px + 3.0)) ** 2)
        length = smoothness * math.sqrt(max(self.steep_px, 1.0))
        kernel = np.exp(-0.5 * ((centre[:, None] - centre[None, :]) / length) ** 2)
        return np.asarray(kernel * (envelope[:, None] * envelope[None, :]) + 1e-4 * np.diag(envelope**2))


def knots_for(blur_px: float, steep_px: float, reach_px: float) -> Knots:
    """Return the knots for an edge seen out to `reach_px`."""
    blur, steep = (_STEP ** round(math.log(max(width, 0.3), _STEP)) for width in (blur_px, steep_px))
    return Knots(min(float(math.ceil(10.0 + 3.0 * blur)), float(math.floor(reach_px))), blur, steep)


@lru_cache(maxsize=256)
def _places(knots: Knots) -> Array:
    finest = min(max(knots.steep_px / _KNOTS_PER_RISE, _KNOT_PX[0]), _KNOT_PX[1])
    edges = [0.0]
    while edges[-1] < knots.core_px:
        edges.append(edges[-1] + max(finest, _KNOT_GROWTH * (edges[-1] - 0.7 * knots.blur_px + 1.0)))
    half = np.array(edges) * (knots.core_px / edges[-1])
    return _kept(np.concatenate([-half[:0:-1], half]))


def _kept(values: Array) -> Array:
    values.flags.writeable = False
    return values


def _padded(places: Array) -> Array:
    """Return the knots with three more on either side: the splines that reach over the ends can then be left out."""
    first, last = places[1] - places[0], places[-1] - places[-2]
    beyond = np.arange(1.0, 4.0)
    return np.concatenate([places[0] - first * beyond[::-1], places, places[-1] + last * beyond])


@lru_cache(maxsize=16)
def _table(knots: Knots) -> Array:
    """Return (place, spline): the splines at steps of 1/64 px from -core to core, and nought beyond."""
    count = round(2.0 * knots.core_px * _TABLE_PER_PX)
    d = np.arange(count) / _TABLE_PER_PX - knots.core_px
    values = BSpline.design_matrix(d, _padded(knots.places), 3).toarray()[:, 3:-3]
    return _kept(np.concatenate([values, np.zeros((2, values.shape[1]))]))


@lru_cache(maxsize=256)
def prior_root(knots: Knots, smoothness: float) -> Array:
    """Return the lower triangular root of the prior covariance."""
    return _kept(np.asarray(np.linalg.cholesky(knots.covariance(smoothness))))


@lru_cache(maxsize=256)
def prior_precision(knots: Knots, smoothness: float) -> Array:
    """Return the inverse of the prior covariance."""
    return _kept(np.asarray(np.linalg.inv(knots.covariance(smoothness))))


@lru_cache(maxsize=64)
def _quadrature(knots: Knots) -> tuple[Array, Array]:
    """Return the Gauss-Legendre points of every knot interval and (point, spline) weights times splines.

    Wide intervals are cut up: five points serve for little more than one cycle.
    """
    ends = knots.places
    cuts = np.ceil(np.diff(ends) / _LONGEST_PIECE_PX).astype(int)
    places = np.concatenate(
        [np.linspace(a, b, n, endpoint=False) for a, b, n in zip(ends[:-1], ends[1:], cuts, strict=True)] + [ends[-1:]]
    )
    half = 0.5 * np.diff(places)
    points = (0.5 * (places[1:] + places[:-1])[:, None] + half[:, None] * _NODES).ravel()
    return _kept(points), _kept(knots.values(points) * (half[:, None] * _WEIGHTS).reshape(-1, 1))


@lru_cache(maxsize=64)
def spline_transforms(knots: Knots, first: float, step: float, count: int) -> tuple[Array, Array]:
    """Return the real and imaginary part, (frequency, spline), of the transforms of the splines' slopes.

    Frequencies first, first + step, ... [cy/px]. As the splines vanish at both ends this is 2 pi i nu times their own
    transform, by Gauss-Legendre quadrature.
    """
    points, weighted = _quadrature(knots)
    circle = 2.0 * math.pi * (first + step * np.arange(count))
    turn = np.empty((count, points.size), dtype=np.complex128)
    turn[0] = np.exp(1j * circle[0] * points)
    on = np.exp(2j * math.pi * step * points)
    for row in range(1, count):
        np.multiply(turn[row - 1], on, out=turn[row])
    real, imaginary = np.empty((count, knots.splines)), np.empty((count, knots.splines))
    pieces = max(1, turn.size * knots.splines // 100_000)  # BLAS must not start threads for them
    for rows in np.array_split(np.arange(count), pieces):
        factor = circle[rows, None]
        real[rows] = (turn.imag[rows] @ weighted) * factor
        imaginary[rows] = (turn.real[rows] @ weighted) * factor
    return _kept(real), _kept(imaginary)
