"""The Fourier series of one cell of a chart: its frequencies, the transform of a square, of a motion, and of both.

A square that turns while it moves has no transfer function, but its transform at each moment is known in closed form.
Over a turn by q it is a smooth function of q, so that it is interpolated from n angles, the Chebyshev nodes: where its
phase sweeps p radians to either side, the error is about 2 (p / 2)^n / n! (the remainder of Chebyshev interpolation of
exp(i p x), Atkinson, An Introduction to Numerical Analysis, section 4.7, from memory; a test compares with the mean of
many still pictures).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_NEGLIGIBLE = 1e-5


@dataclass(frozen=True)
class SampledPath:
    """The picture's motion over one exposure: positions [px] and their weights (sum 1), each (node,).

    `roll_rad` turns the picture about the frame's middle, x towards y; None where it does not turn.
    """

    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]
    weight: NDArray[np.float64]
    roll_rad: NDArray[np.float64] | None = None

    def at(self, x_px: float, y_px: float) -> SampledPath:
        """Return the path of a point (x, y) [px] from the frame's middle, whose own turning goes on as `roll_rad`."""
        if self.roll_rad is None:
            return self
        cosine, sine = np.cos(self.roll_rad), np.sin(self.roll_rad)
        return SampledPath(
            self.x_px + x_px * cosine - y_px * sine - x_px,
            self.y_px + x_px * sine + y_px * cosine - y_px,
            self.weight,
            self.roll_rad,
        )


@dataclass(frozen=True)
class Frequencies:
    """Integer frequencies of a cell: rows -n..n, columns 0..m (the other half follows from symmetry)."""

    rows: NDArray[np.int64]
    columns: NDArray[np.int64]
    cell: tuple[int, int]

    @property
    def y_cy_per_px(self) -> NDArray[np.float64]:
        """Frequencies along the columns."""
        return self.rows / self.cell[0]

    @property
    def x_cy_per_px(self) -> NDArray[np.float64]:
        """Frequencies along the rows."""
        return self.columns / self.cell[1]


def frequencies_of(cell: tuple[int, int], highest: float) -> Frequencies:
    """Return the frequencies of a cell (rows, columns) [px] up to `highest` [cycles/pixel] on either axis."""
    n, m = math.ceil(highest * cell[0]), math.ceil(highest * cell[1])
    return Frequencies(np.arange(-n, n + 1), np.arange(m + 1), cell)


def square_transform(frequencies: Frequencies, side_px: float, tilt_deg: float) -> NDArray[np.float32]:
    """Return a square's Fourier transform [px^2] about its centre: side^2 sinc(side f.u) sinc(side f.v)."""
    cosine, sine = math.cos(math.radians(tilt_deg)), math.sin(math.radians(tilt_deg))
    y = (frequencies.y_cy_per_px * side_px)[:, None]
    x = (frequencies.x_cy_per_px * side_px)[None, :]
    along = (x * cosine + y * sine).astype(np.float32)
    across = (y * cosine - x * sine).astype(np.float32)
    # sinc in double precision is slow here; single keeps 1e-6 of the contrast
    transform = np.sinc(along)
    transform *= np.sinc(across)
    transform *= np.float32(side_px**2)
    return transform


def motion_transfer(frequencies: Frequencies, path: SampledPath) -> NDArray[np.complex64]:
    """Return the mean over the path of exp(-2 pi i f.p)."""
    rows = np.exp(-2j * np.pi * np.outer(frequencies.y_cy_per_px, path.y_px)) * path.weight
    columns = np.exp(-2j * np.pi * np.outer(path.x_px, frequencies.x_cy_per_px))
    return np.asarray(rows.astype(np.complex64) @ columns.astype(np.complex64))


def rolled_square(
    frequencies: Frequencies, side_px: float, tilt_deg: float, path: SampledPath
) -> NDArray[np.complex64]:
    """Return the mean over the path of the transform of a square that turns by the path's roll as it moves."""
    if path.roll_rad is None:
        return np.asarray(square_transform(frequencies, side_px, tilt_deg) * motion_transfer(frequencies, path))
    low, high = float(path.roll_rad.min()), float(path.roll_rad.max())
    reach_px = side_px / math.sqrt(2.0)
    fastest = 2.0 * math.pi * math.hypot(frequencies.y_cy_per_px[-1], frequencies.x_cy_per_px[-1])
    count = _enough_nodes(fastest * reach_px * 0.5 * (high - low))
    nodes = np.cos(np.pi * (np.arange(count) + 0.5) / count)
    angles = 0.5 * (low + high) + 0.5 * max(high - low, 1e-12) * nodes
    shares = _interpolation(angles, path.roll_rad)
    y, x = (
        np.exp(-2j * np.pi * np.outer(f, p)).astype(np.complex64)
        for f, p in ((frequencies.y_cy_per_px, path.y_px), (frequencies.x_cy_per_px, path.x_px))
    )
    whole = np.zeros((frequencies.rows.size, frequencies.columns.size), dtype=np.complex64)
    for angle, share in zip(angles, shares, strict=True):
        moved = (y * (share * path.weight).astype(np.float32)) @ x.T
        moved *= square_transform(frequencies, side_px, tilt_deg + math.degrees(angle))
        whole += moved
    return whole


def _enough_nodes(phase_rad: float) -> int:
    """Return how many nodes leave an error under `_NEGLIGIBLE`."""
    count, left = 1, phase_rad
    while left > _NEGLIGIBLE:
        count += 1
        left *= 0.5 * phase_rad / count
    return count


def _interpolation(nodes: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the Lagrange polynomials of the nodes, (node, place)."""
    shares = np.ones((nodes.size, at.size))
    for k, node in enumerate(nodes):
        for other in np.delete(nodes, k):
            shares[k] *= (at - other) / (node - other)
    return shares
