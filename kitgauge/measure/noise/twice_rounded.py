"""Dark noise of codes that were rounded twice: by the converter, and again after scaling by a factor.

With n = round(u) the converter's code, u = (level - B) / f + sigma z, z standard normal, the file holds B + round(f n):

    E[var] = f^2 sigma^2 + excess(sigma; f, B)

Where noise spreads over many codes the two roundings are independent of it and of each other: the excess is
(f^2 + 1) / 12 (Sheppard; Widrow and Kollar, Quantization Noise, from memory). Where it spreads over few, what the
second one rounds off goes with the code: a beat of f against whole codes, whose phase depends on the code B that
scaling leaves alone, and on where halves go. The histogram of a dark frame tells both, by the codes that are empty or
hold two old ones; what it leaves open is an error.
"""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.noise.rounding import normal_below

WIDE_CODES = 8.0  # standard deviation in the converter's codes; beyond, the beat has faded
_NARROW_CODES = 0.05
_ORIGINS = 12  # codes on either side of the level that may be left alone
_TURNS = 15
_NODES = np.linspace(-2.5, 2.5, 11)
# A phase is as good as the best where its histogram is off by less than this times as much, and by this share of the
# samples (common practice, no source)
_AS_GOOD, _AS_GOOD_SHARE = 1.3, 0.002
_EXPLAINED_SHARE = 0.03


def noise_before_scaling(
    variance_dn2: float,
    fixed_dn2: float,
    mean_dn: float,
    code_scale: float,
    first_code: int = 0,
    counts: NDArray[np.float64] | None = None,
) -> tuple[float, float, float]:
    """Return variance before both roundings, in codes of the file [DN^2], the error that an unknown phase makes, and
    by how much the result changes with the measured variance.

    variance_dn2 : temporal variance of one frame, both roundings in it; fixed_dn2 : of what stays from frame to frame;
    mean_dn : level; counts : histogram of one frame from `first_code` on, without it all phases are as likely.
    """
    square = code_scale**2
    whole = code_scale > 0.5 and abs(code_scale - round(code_scale)) < 0.01
    plain = (square + (0.0 if whole else 1.0)) / 12.0
    if variance_dn2 - plain > (WIDE_CODES * code_scale) ** 2:
        return variance_dn2 - plain, 0.0, 1.0
    fixed = math.sqrt(max(fixed_dn2, 0.0))
    phases = _phases(mean_dn, code_scale)
    variances = np.array([phase.variance(variance_dn2, plain, mean_dn, fixed) for phase in phases])
    kept = np.ones(len(phases), dtype=bool)
    if counts is not None and counts.sum() > 0:
        share = counts / counts.sum()
        off = np.array(
            [
                phase.misfit(mean_dn, variance, fixed, first_code, share)
                for phase, variance in zip(phases, variances, strict=True)
            ]
        )
        kept = off <= max(_AS_GOOD * float(off.min()), float(off.min()) + _AS_GOOD_SHARE)
    chosen = variances[kept]
    more = 1.01 * variance_dn2
    steps = [
        phase.variance(more, plain, mean_dn, fixed) - variance
        for phase, variance, keep in zip(phases, variances, kept, strict=True)
        if keep
    ]
    return float(chosen.mean()), float(chosen.std()), max(float(np.mean(steps)) / (more - variance_dn2), 1.0)


def scaling_explains(
    variance_dn2: float,
    fixed_dn2: float,
    mean_dn: float,
    code_scale: float,
    first_code: int,
    counts: NDArray[np.float64],
) -> bool:
    """Tell whether the histogram of a dark frame is that of uncut noise whose codes were scaled (see above)."""
    if not (variance_dn2 > 0 and counts.sum() > 0):
        return False
    share, fixed = counts / counts.sum(), math.sqrt(max(fixed_dn2, 0.0))
    for phase in _phases(mean_dn, code_scale):
        variance = phase.variance(variance_dn2, 0.0, mean_dn, fixed)
        if phase.misfit(mean_dn, variance, fixed, first_code, share) < _EXPLAINED_SHARE:
            return True
    return False


def _phases(mean_dn: float, code_scale: float) -> list[_Phase]:
    # halves are halves of round factors only, which are seen to within a thousandth
    exact = min(
        (Fraction(code_scale).limit_denominator(8), Fraction(round(20 * code_scale), 20)),
        key=lambda one: abs(one - code_scale),
    )
    code_scale = float(exact) if abs(exact - code_scale) < 1e-3 else code_scale
    middle = round(mean_dn)
    origins = range(middle - _ORIGINS, middle + _ORIGINS + 1)
    return [_Phase(code_scale, origin, halves) for origin in origins for halves in range(3)]


class _Phase:
    """One way of scaling: the code left alone, and whether halves go up, to even codes, or to even steps from it."""

    def __init__(self, scale: float, origin: int, halves: int) -> None:
        self._scale, self._origin, self._halves = scale, origin, halves

    def _codes(self, mean_dn: float, sigma: float, fixed: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return (code,) what codes of the converter become, and (node, code) their probabilities [DN: of the file]."""
        level = (mean_dn - self._origin) / self._scale
        sigma, fixed = max(sigma / self._scale, _NARROW_CODES), fixed / self._scale
        reach = math.ceil(5.0 * sigma + 2.5 * fixed) + 1
        old = np.arange(math.floor(level) - reach, math.ceil(level) + reach + 1).astype(np.float64)
        edges = np.concatenate([old - 0.5, [old[-1] + 0.5]])
        share = np.diff(normal_below((edges[None, :] - level - fixed * _NODES[:, None]) / sigma), axis=1)
        steps = np.round(self._scale * old, 9)
        ways = (
            np.floor(steps + 0.5) + self._origin,
            np.rint(steps + self._origin),
            np.rint(steps) + self._origin,
        )
        return ways[self._halves], np.asarray(share)

    def variance(self, variance_dn2: float, plain: float, mean_dn: float, fixed: float) -> float:
        """Return f^2 sigma^2 [DN^2] behind a measured variance."""
        found = max(variance_dn2 - plain, 0.0)
        weights = _weights()
        for _ in range(_TURNS):
            codes, share = self._codes(mean_dn, math.sqrt(found), fixed)
            codes = codes - mean_dn
            expected = float(weights @ (share @ codes**2 - (share @ codes) ** 2))
            sigma2 = max(found, (_NARROW_CODES * self._scale) ** 2)
            new = max(variance_dn2 - (expected - sigma2), 0.0)
            moved, found = abs(new - found), 0.5 * (found + new)
            if moved < 1e-4 * variance_dn2:
                break
        return found

    def misfit(self, mean_dn: float, variance: float, fixed: float, first: int, seen: NDArray[np.float64]) -> float:
        """Return the share of samples that lie on other codes than `seen` (code from `first` on) says."""
        codes, share = self._codes(mean_dn, math.sqrt(variance), fixed)
        where = codes.astype(np.int64) - first
        inside = (where >= 0) & (where < seen.size)
        expected = np.bincount(where[inside], weights=(_weights() @ share)[inside], minlength=seen.size)
        return 0.5 * float(np.abs(expected - seen).sum())


def _weights() -> NDArray[np.float64]:
    weights = np.exp(-0.5 * _NODES**2)
    return np.asarray(weights / weights.sum())
