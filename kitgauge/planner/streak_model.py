"""What a blur fit tells of how streaks grow and scatter, read from a `curves.json`.

The model of the fit: streak L = s(t) u, ln s = ln_scale + slope h(ln(t / reference)), h(x) = (1 - exp(-bend x)) / bend,
u of a family with a shape; frames of one burst share a factor exp(r), r normal with standard deviation `burst_spread`.
Only fields of the file contract are used; what is missing or impossible leaves the simplest form (no bend, no common
factor, no errors). Pure standard library.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from kitgauge.planner.streaks import FAMILIES

_SHALLOWEST_SLOPE, _STEEPEST_SLOPE = 0.05, 20.0  # blur that does not grow with time gives no slowest shutter
_WIDEST_LN_SHAPE = 7.0  # nor does a fit beyond these tell of hands
_BENDS = (-0.5, 0.8)
_WIDEST_BURST = 3.0
PARAMETERS = ("ln_scale", "slope", "ln_shape", "bend", "burst_spread")

Matrix = tuple[tuple[float, ...], ...]


class StreakSpread(NamedTuple):
    """How the streaks of one technique scatter and grow: the form of a blur fit.

    `family` and `shape` as in `planner.streaks`; `bend`, `burst_spread` and `reference_s` as above. `covariance` is
    that of PARAMETERS, in their order, None where not known. `measured_s`: fastest and slowest measured time [s].
    `lost_share`: frames lost at any shutter time, as a share. `open_sides`: where the interval of the limit reaches
    beyond the measured times ("faster", "slower"), by keep rate. `next_shots`: (shutter time [s, marked], frames) that
    would tell most.
    """

    run: str
    technique: str | None
    focal_mm: float | None
    family: str
    shape: float
    slope: float
    bend: float = 0.0
    burst_spread: float = 0.0
    reference_s: float = 1.0
    covariance: Matrix | None = None
    measured_s: tuple[float, float] | None = None
    lost_share: float = 0.0
    open_sides: tuple[tuple[float, tuple[str, ...]], ...] = ()
    next_shots: tuple[tuple[float, int], ...] = ()


def stretched(x: float, bend: float) -> float:
    """Return h(x) = (1 - exp(-bend x)) / bend, x for a bend of 0."""
    return x if abs(bend * x) < 1e-9 else -math.expm1(min(-bend * x, 600.0)) / bend


def straightened(h: float, bend: float) -> float:
    """Return x with h(x) = `h`; infinite where the scale comes to rest before (plus or minus as `h`)."""
    product = bend * h
    if product >= 1:
        return math.copysign(math.inf, h)
    return h if abs(product) < 1e-9 else -math.log1p(-product) / bend


def streak_spread(blur: Mapping[str, Any], circumstances: Mapping[str, Any], run: str) -> StreakSpread | None:
    """Return the spread of the blur section of a run; None where its fit is missing, or of a form unknown here."""
    fit = _mapping(blur.get("fit"))
    parameters = _mapping(fit.get("parameters"))
    known = {name: _number(_mapping(parameters.get(name)).get("value")) for name in PARAMETERS}
    family, slope, ln_shape = str(fit.get("distribution")), known["slope"], known["ln_shape"]
    shape = 1.0 if family == "rayleigh" else math.exp(ln_shape) if abs(ln_shape) <= _WIDEST_LN_SHAPE else math.nan
    if family not in FAMILIES or not _SHALLOWEST_SLOPE < slope < _STEEPEST_SLOPE or not shape > 0:
        return None
    technique, focal = circumstances.get("technique"), _number(circumstances.get("focal_mm"))
    reference, bend, spread = _number(fit.get("reference_shutter_s")), known["bend"], known["burst_spread"]
    times = (_number(fit.get("fastest_s")), _number(fit.get("slowest_s")))
    used, lost = _number(fit.get("points_used")), _number(fit.get("lost_at_any_speed"))
    return StreakSpread(
        run,
        technique if isinstance(technique, str) and technique else None,
        focal if focal > 0 else None,
        family,
        shape,
        slope,
        bend=bend if _BENDS[0] <= bend <= _BENDS[1] and reference > 0 else 0.0,
        burst_spread=spread if 0 < spread <= _WIDEST_BURST else 0.0,
        reference_s=reference if reference > 0 else 1.0,
        covariance=_covariance(fit.get("covariance"), [name for name in parameters if name in PARAMETERS]),
        measured_s=times if 0 < times[0] <= times[1] < math.inf else None,
        lost_share=min(lost / used, 0.9) if used > 0 and lost > 0 else 0.0,
        open_sides=tuple(
            (_number(item.get("keep")), tuple(str(side) for side in _list(item.get("ci_beyond"))))
            for item in _records(blur.get("limits"))
        ),
        next_shots=tuple(
            (time, int(frames))
            for item in _records(blur.get("next"))
            for time, frames in [(_number(item.get("shutter_s")), _number(item.get("frames")))]
            if time > 0 and 0 < frames < 1000
        ),
    )


def _covariance(rows: object, names: Sequence[str]) -> Matrix | None:
    """Return the covariance of PARAMETERS, zero where the fit has none of that name; None unless all are numbers."""
    found = [[_number(value) for value in _list(row)] for row in _list(rows)]
    count = len(names)
    if not count or len(found) != count or any(len(row) != count for row in found):
        return None
    if any(math.isnan(value) for row in found for value in row) or any(found[i][i] < 0 for i in range(count)):
        return None
    place = {name: index for index, name in enumerate(names)}
    return tuple(
        tuple(found[place[a]][place[b]] if a in place and b in place else 0.0 for b in PARAMETERS) for a in PARAMETERS
    )


def _mapping(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def _list(value: object) -> list[Any]:
    return value if isinstance(value, list) else []


def _records(value: object) -> list[Mapping[str, Any]]:
    return [item for item in _list(value) if isinstance(item, Mapping)]


def _number(value: object) -> float:
    """Return `value` as a float, NaN where it is null or not a number."""
    if isinstance(value, bool) or not isinstance(value, int | float) or abs(value) > 1e300:
        return math.nan
    return float(value)
