"""How bright and dark the lines are that sharpening leaves along edges, per f-number.

Optics cannot make them: behind any lens a light ground rises to its level without passing it, because a point of light
is spread and never taken away. A line along the edge is the work of software (unsharp masking or its like), in the
camera or after it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from kitgauge.measure.edges.edge_sfr import EdgeMeasurement

SMALLEST_HALO = 0.02  # of the contrast: thinner lines have no consequence in a picture (own convention)
_SIGMA = 3.0


@dataclass(frozen=True)
class Halo:
    """The mean line along the edges of one f-number, as shares of the contrast between dark and bright.

    `overshoot`: the bright side above its level, `undershoot`: the dark side below. `plain` tells that one of them is
    at least 2 % and three standard errors.
    """

    f_number: float
    overshoot: float
    overshoot_stderr: float
    undershoot: float
    undershoot_stderr: float
    edges: int
    plain: bool

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return asdict(self)


def halo_of(edges: Sequence[EdgeMeasurement], f_number: float) -> Halo | None:
    """Return the halo of all measured edges of one f-number, None where no edge tells it.

    The standard error is that of the mean by the edges' own errors or by their scatter, whichever is larger.
    """
    known = [edge for edge in edges if math.isfinite(edge.overshoot) and math.isfinite(edge.undershoot)]
    if not known:
        return None
    over, over_error = _mean([e.overshoot for e in known], [e.overshoot_stderr for e in known])
    under, under_error = _mean([e.undershoot for e in known], [e.undershoot_stderr for e in known])
    plain = any(
        value >= SMALLEST_HALO and value > _SIGMA * error for value, error in ((over, over_error), (under, under_error))
    )
    return Halo(f_number, over, over_error, under, under_error, len(known), plain)


def _mean(values: Sequence[float], errors: Sequence[float]) -> tuple[float, float]:
    count = len(values)
    error = math.sqrt(sum(e * e for e in errors)) / count
    if count > 2:
        error = max(error, float(np.std(values, ddof=1)) / math.sqrt(count)) if math.isfinite(error) else error
    return float(np.mean(values)), error
