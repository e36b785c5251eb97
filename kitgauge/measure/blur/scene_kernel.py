"""Second moments of a motion from the transfer function between two frames of a scene, at low frequencies.

The characteristic function of the motion's path is exp of its cumulants: ln |H| = ln g - q / 2 + kappa q^2 / 24 - ...
with q = 4 pi^2 f^T C f, C the covariance of the path and kappa its excess kurtosis along the motion (Kendall's
Advanced Theory of Statistics I, ch. 3 and 4, from memory). Straight uniform motion has kappa = -1.2 and its first
zero at q = 3.29; frequencies up to `_MOST_Q` are used, before that zero. Odd cumulants are phase: a shift left over by
the registration (linear) and skewness (cubic). g is the ratio of exposures.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_MOST_Q = 1.8
_GROWING_Q = (0.5, 0.5, 1.0)  # first where kurtosis hardly counts
# Excess kurtosis of motions: uniform -1.2, to and fro -1.5, two axes alike or dwelling about -0.6; -2 is the least of
# any distribution. So the prior is narrow on that side: its centre, and its standard deviations below and above.
_KAPPA = (-1.1, 0.15, 0.6)
_SIXTH = -0.0065  # of kappa^2 q^3 in ln |H|: uniform -0.0066, to and fro -0.0062, Laplace -0.0046
_EIGHTH = 0.00115  # of kappa^3 q^4: uniform 0.0012, to and fro 0.0011, Laplace 0.0006
_SCATTER = 0.03  # of |H|, that windows and registration leave beside noise
_ROUNDS = 40
_STARTS_PX = (0.5, 1.5, 2.5, 4.0, 6.0, 9.0, 13.0, 19.0, 28.0, 40.0, 57.0, 80.0, 110.0)
_DIRECTIONS = 12
_GOOD_MISFIT = 2.5
_NAMES = 11  # ln g, Cxx, Cyy, Cxy, kappa, shift x and y, four of skewness


@dataclass(frozen=True)
class TransferFunction:
    """H at frequencies (`fx_px`, `fy_px`) [cycles/pixel], all (bin,): `value` complex, `error` its standard deviation
    by noise (of real and imaginary part each), `floor` smallest frequency that the tiles resolve."""

    fx_px: Array
    fy_px: Array
    value: Complex
    error: Array
    floor: float


@dataclass(frozen=True)
class KernelFit:
    """Covariance of the path (xx, yy, xy) [px^2], gain, kurtosis and shift [px].

    `shape_covariance` (3, 3): the part of its error that comes from not knowing kurtosis and skewness, as far as they
    were held by what motions are like rather than by the frame.

    `bins` frequencies were used, up to q = `reach`; `misfit` is the root mean square residual in stated errors.
    `parameters` starts another fit of the same kind.
    """

    values: Array
    shape_covariance: Array
    gain: float
    kurtosis: float
    shift_px: tuple[float, float]
    bins: int
    misfit: float
    parameters: Array
    used: NDArray[np.bool_]

    @property
    def trace_px2(self) -> float:
        """Sum of both variances."""
        return float(self.values[0] + self.values[1])


def fit_kernel(
    transfer: TransferFunction, start: Array | None = None, used: NDArray[np.bool_] | None = None
) -> KernelFit | None:
    """Return the fit to a transfer function; None where too few frequencies can be used.

    `start` and `used` (from another fit) save the search for a start and keep the choice of frequencies: for the same
    scene with other tiles.
    """
    if used is not None and start is not None:
        theta, information, prior, misfit = _descend(transfer, start, used, rounds=3)
        return _result(theta, information, prior, used, misfit)
    best: KernelFit | None = None
    for theta in _starts(transfer):
        found = _grown(transfer, theta)
        if found is not None and (best is None or found.misfit < 0.5 * best.misfit):
            best = found
        if best is not None and best.misfit < _GOOD_MISFIT:
            break
    return best


def _grown(transfer: TransferFunction, theta: Array) -> KernelFit | None:
    """Return the fit from one start over a growing range of frequencies."""
    chosen = np.zeros(transfer.value.size, dtype=bool)
    information, prior, misfit = np.eye(_NAMES), np.zeros(_NAMES), math.nan
    for reach in (*_GROWING_Q, *[_MOST_Q] * 4):
        now = _region(transfer, theta, reach)
        if np.count_nonzero(now) < 3 * _NAMES:
            return None
        if np.array_equal(now, chosen):
            continue
        chosen = now
        theta, information, prior, misfit = _descend(transfer, theta, chosen, rounds=_ROUNDS)
    return _result(theta, information, prior, chosen, misfit)


def _result(theta: Array, information: Array, prior: Array, used: NDArray[np.bool_], misfit: float) -> KernelFit:
    # the posterior covariance less what the data's scatter gives: the prior's share
    covariance = np.linalg.inv(information)
    held = covariance @ np.diag(prior) @ covariance
    return KernelFit(
        values=theta[1:4].copy(),
        shape_covariance=held[1:4, 1:4],
        gain=math.exp(theta[0]),
        kurtosis=float(theta[4]),
        shift_px=(float(theta[5]), float(theta[6])),
        bins=int(np.count_nonzero(used)),
        misfit=misfit,
        parameters=theta,
        used=used,
    )


def _q(transfer: TransferFunction, c: Array) -> Array:
    x, y = transfer.fx_px, transfer.fy_px
    return np.asarray(4.0 * np.pi**2 * (c[0] * x * x + c[1] * y * y + 2.0 * c[2] * x * y))


def _region(transfer: TransferFunction, theta: Array, reach: float) -> NDArray[np.bool_]:
    q = _q(transfer, theta[1:4])
    return np.asarray((np.abs(q) < reach) & np.isfinite(transfer.error))


def _starts(transfer: TransferFunction) -> list[Array]:
    """Return parameters of the straight uniform motions that come nearest to |H|, the best first.

    One each of short, middle and long streaks: a second one is only tried where the first does not fit.
    """
    x, y = transfer.fx_px, transfer.fy_px
    size = np.abs(transfer.value)
    weight = 1.0 / (transfer.error**2 + (0.1 * np.median(size)) ** 2)
    best: dict[int, tuple[float, float, float, float]] = {}
    for length in _STARTS_PX:
        for angle in np.pi * np.arange(_DIRECTIONS) / _DIRECTIONS:
            model = np.abs(np.sinc(length * (x * math.cos(angle) + y * math.sin(angle))))
            gain = float((weight * model) @ size) / float((weight * model) @ model)
            loss = float(weight @ (size - gain * model) ** 2)
            kind = (length > 5.0) + (length > 25.0)
            if kind not in best or loss < best[kind][0]:
                best[kind] = loss, length, float(angle), gain
    starts = []
    for _, length, angle, gain in sorted(best.values()):
        variance = length**2 / 12.0
        theta = np.zeros(_NAMES)
        theta[0] = math.log(max(gain, 1e-9))
        theta[1:4] = variance * np.array(
            [math.cos(angle) ** 2, math.sin(angle) ** 2, math.cos(angle) * math.sin(angle)]
        )
        theta[1:3] += 0.02 * variance
        theta[4] = _KAPPA[0]
        starts.append(theta)
    return starts


def _columns(transfer: TransferFunction, used: NDArray[np.bool_]) -> tuple[Array, Array]:
    x, y = 2.0 * np.pi * transfer.fx_px[used], 2.0 * np.pi * transfer.fy_px[used]
    even = np.stack([x * x, y * y, 2.0 * x * y])
    odd = np.stack([-x, -y, x**3, x * x * y, x * y * y, y**3])
    return even, odd


def _descend(
    transfer: TransferFunction, theta: Array, used: NDArray[np.bool_], rounds: int
) -> tuple[Array, Array, Array, float]:
    """Return parameters after damped Gauss-Newton steps, the information matrix, the prior's part of it (its
    diagonal), and the misfit."""
    even, odd = _columns(transfer, used)
    value = transfer.value[used]
    noise = transfer.error[used]
    # what a skewness of 1 would do: cubic terms are held within it
    width = max(abs(float(theta[1] + theta[2])), 0.05) ** 1.5
    prior = np.zeros(_NAMES)
    prior[7:] = (0.3 * width) ** -2
    centre = np.zeros(_NAMES)
    centre[4] = _KAPPA[0]

    def model_at(at: Array) -> tuple[Complex, Array]:
        q = at[1:4] @ even
        k = at[4]
        logarithm = at[0] - q / 2.0 + k * q * q / 24.0 + (_SIXTH + _EIGHTH * k * q) * k * k * np.abs(q) * q * q
        return np.exp(np.clip(logarithm, -30.0, 30.0) + 1j * (at[5:] @ odd)), q

    def prior_at(at: Array) -> Array:
        prior[4] = _KAPPA[1 if at[4] < centre[4] else 2] ** -2
        return prior

    def loss_of(at: Array) -> float:
        model, _ = model_at(at)
        return float(np.sum(np.abs(value - model) ** 2 / error**2) + prior_at(at) @ (at - centre) ** 2)

    damping = 1e-3
    information = np.eye(_NAMES)
    model, q = model_at(theta)
    error = np.hypot(noise, _SCATTER * np.abs(model))
    loss = loss_of(theta)
    for _ in range(rounds):
        k = theta[4]
        slope_q = -0.5 + k * q / 12.0 + (3.0 * _SIXTH + 4.0 * _EIGHTH * k * q) * k * k * np.abs(q) * q
        slopes = np.empty((_NAMES, value.size), dtype=np.complex128)
        slopes[0] = 1.0
        slopes[1:4] = slope_q * even
        slopes[4] = q * q / 24.0 + (2.0 * _SIXTH + 3.0 * _EIGHTH * k * q) * k * np.abs(q) * q * q
        slopes[5:] = 1j * odd
        slopes *= model / error
        residual = (value - model) / error
        information = np.real(slopes @ slopes.conj().T) + np.diag(prior_at(theta))
        gradient = np.real(slopes.conj() @ residual) - prior_at(theta) * (theta - centre)
        moved = False
        for _ in range(8):
            step = np.linalg.solve(information + damping * np.diag(np.diag(information)), gradient)
            tried = theta + step
            if (found := loss_of(tried)) <= loss:
                moved = True
                break
            damping *= 8.0
        if not moved:
            break
        small = loss - found < 1e-6 * max(loss, 1.0)
        theta, damping = tried, max(damping / 8.0, 1e-9)
        model, q = model_at(theta)
        error = np.hypot(noise, _SCATTER * np.abs(model))
        loss = loss_of(theta)
        if small:
            break
    misfit = math.sqrt(float(np.sum(np.abs(value - model) ** 2 / error**2)) / max(1, 2 * value.size - _NAMES))
    return theta, information, prior_at(theta), misfit
