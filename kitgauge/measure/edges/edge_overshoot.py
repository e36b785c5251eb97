"""How far an edge spread rises over its bright level and falls under its dark one: the halos that sharpening leaves."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.edge_spread import EdgeSpread

Array = NDArray[np.float64]


def halos(spread: EdgeSpread) -> tuple[float, float, float, float]:
    """Return (overshoot, standard error, undershoot, standard error), as shares of the contrast.

    0 where the spread does not leave its levels; a share within its standard error means the same, as the extreme of a
    noisy curve is never negative.
    """
    share = (spread.curve - spread.dark_dn) / spread.contrast_dn
    core = spread.model.knots.core_px if spread.model.knots is not None else math.inf
    places, sizes = [], []
    for sign, excess in ((1.0, share - 1.0), (-1.0, -share)):
        side = np.flatnonzero((sign * spread.grid > 0) & (np.abs(spread.grid) < core))
        k = int(side[np.argmax(excess[side])])
        places.append(float(spread.grid[k]))
        sizes.append(max(float(excess[k]), 0.0))
    over, under = _share_stderr(spread, np.array(places))
    return sizes[0], over, sizes[1], under


def _share_stderr(spread: EdgeSpread, d: Array) -> tuple[float, ...]:
    """Return the standard errors of the spread's share of the contrast at distances `d` [px]."""
    slope = spread.model.columns(d, *spread.model.spreads()) / spread.contrast_dn
    # the contrast divides all that is not its own column
    slope[:, 1] = -np.einsum("nc,c->n", slope[:, 2:], spread.coefficients[2:]) / spread.contrast_dn
    slope[:, 0] = 0.0
    variance = np.einsum("ni,ij,nj->n", slope, spread.covariance, slope, optimize=False)
    return tuple(math.sqrt(max(float(value), 0.0)) for value in variance)
