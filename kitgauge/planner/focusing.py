"""How well focusing hits: the scatter of measured frames that were focused one by one.

A miss z in image space is normal with standard deviation sigma; the lens forgives the miss `allowed` at an f-number,
before more than the accepted part of MTF50 is lost (the model of the fit of focusing). Between measured f-numbers
`allowed` is interpolated in its logarithm against log f-number, beyond them it grows with the f-number: a cone of light
of half the angle forgives twice the miss. Pure standard library.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Mapping
from typing import Any, NamedTuple

_UNITS_MM = {"um": 1e-3}  # "px" is turned by the pixel pitch where that is known
_WIDEST_F, _NARROWEST_F = 0.5, 128.0


class Focusing(NamedTuple):
    """`sigma` and `sigma_ci` (95 %) in the unit of `allowed`; `allowed`: (exact f-number, miss forgiven), rising.

    `unit_mm`: one unit in mm of image space, None where it is not known. `sigma_ci` None: not known.
    """

    sigma: float
    allowed: tuple[tuple[float, float], ...]
    sigma_ci: tuple[float, float] | None = None
    unit_mm: float | None = None

    @staticmethod
    def from_limit(f_number: float, keep: float) -> Focusing:
        """Return the focusing that a limit alone tells of: in units of its own scatter."""
        return Focusing(1.0, ((f_number, _normal_reach(keep)),))

    def keep_rate(self, f_number: float) -> float:
        """Return the share of frames whose miss the lens forgives at an exact f-number."""
        return math.erf(self._allowed(f_number) / self.sigma / math.sqrt(2))

    def interval(self, f_number: float) -> tuple[float, float] | None:
        """Return the 95 % interval of `keep_rate`, None where that of the scatter is not known."""
        if self.sigma_ci is None:
            return None
        allowed = self._allowed(f_number) / math.sqrt(2)
        low, high = self.sigma_ci
        return math.erf(allowed / high), 1.0 if low <= 0 else math.erf(allowed / low)

    def lowest_f_number(self, keep: float) -> float:
        """Return the lowest f-number at which a share `keep` of frames is focused well enough."""
        low, high = _WIDEST_F, _NARROWEST_F
        for _ in range(60):
            middle = math.sqrt(low * high)
            low, high = (low, middle) if self.keep_rate(middle) >= keep else (middle, high)
        return high

    def sigma_mm(self) -> float | None:
        """Return the standard deviation of the miss [mm in image space], None where it is not known in mm."""
        return None if self.unit_mm is None else self.sigma * self.unit_mm

    def _allowed(self, f_number: float) -> float:
        numbers = [number for number, _ in self.allowed]
        index = bisect_right(numbers, f_number)
        if index in (0, len(numbers)):
            number, value = self.allowed[min(index, len(numbers) - 1)]
            return value * f_number / number
        (n0, a0), (n1, a1) = self.allowed[index - 1], self.allowed[index]
        share = math.log(f_number / n0) / math.log(n1 / n0)
        return float(a0 ** (1 - share) * a1**share)


def focusing_of(sharpness: Mapping[str, Any], pitch_um: float | None) -> Focusing | None:
    """Return the focusing of a run's sharpness section; None where it holds none, or none that makes sense."""
    found = sharpness.get("focusing")
    if not isinstance(found, Mapping):
        return None
    sigma, unit = _positive(found.get("sigma")), str(found.get("unit"))
    points: dict[float, float] = {}
    entries = found.get("f_numbers")
    for item in entries if isinstance(entries, list) else []:
        if isinstance(item, Mapping):
            number, allowed = _positive(item.get("f_number")), _positive(item.get("allowed"))
            if number is not None and allowed is not None and _WIDEST_F <= number <= _NARROWEST_F:
                points[number] = allowed
    if sigma is None or not points:
        return None
    ends = found.get("sigma_ci")
    ci = None
    if isinstance(ends, list) and len(ends) == 2:
        high = _positive(ends[1])
        ci = None if high is None else (_positive(ends[0]) or 0.0, high)
    unit_mm = _UNITS_MM.get(unit) if unit != "px" or pitch_um is None else pitch_um / 1000
    rising: list[tuple[float, float]] = []
    for number in sorted(points):  # what a wider aperture forgives, a narrower one forgives too
        rising.append((number, max(points[number], rising[-1][1] if rising else 0.0)))
    return Focusing(sigma, tuple(rising), ci, unit_mm)


def _positive(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if 0 < value < 1e12 else None


def _normal_reach(keep: float) -> float:
    """Return a with P(|z| <= a) = `keep` for a standard normal z, 0 < `keep` < 1."""
    low, high = 0.0, 10.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if math.erf(middle / math.sqrt(2)) < keep else (low, middle)
    return high
