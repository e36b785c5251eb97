"""Noise of dark frames that is narrower than the step from one code to the next.

Rounding adds 1/12 DN^2 to the variance only where the noise spreads over several codes (Sheppard's correction; EMVA
1288 Release 4, from memory: below 0.24 DN^2 rounding dominates and no dark noise is stated). Below about 0.6 DN what
rounding does depends on where the level lies between two codes. How often each pair of codes occurs in two frames
tells both: a sample at u (the same in both frames) with temporal noise sigma shows code i with the probability

    p_i(u) = Phi((i + 1/2 - u) / sigma) - Phi((i - 1/2 - u) / sigma),    P(i, j) = integral of p_i(u) p_j(u) dF(u)

with F normal of mean mu (black) and standard deviation s (dark-signal non-uniformity). mu, sigma and s are those of
the greatest likelihood, their errors those of the Fisher information (standard; closed form of p_i by Widrow and
Kollar, Quantization Noise, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.noise.scatter import scatter_limit

# Above this the excess over sigma^2 + 1/12 is below 0.4 % of the variance, whatever the level.
NARROW_DN = 0.6
QUANTISATION_DN2 = 1.0 / 12.0  # EMVA 1288 R4: sigma_q^2
NARROW_DN2 = NARROW_DN**2 + QUANTISATION_DN2
_FLOOR = 1e-6  # probability of any pair of codes: samples that blink are worth no more than this
_REACH = 5.0  # standard deviations of codes taken, and two codes
_SMALL_PATTERN = 0.2  # of a fixed pattern below this share of sigma only the variance shows
_NO_SCALE = 0.01
_BAND_ROWS = 64
_COUNTED = 200_000  # samples that tell where the codes lie
_SMALLEST_SIGMA = 0.05  # nothing is seen of less, wherever the level lies
_STARTS = (0.45, 0.2)
# Relative error of sigma for a fixed pattern that is not Gaussian, before rounding fades (common practice, no source:
# what exponential and evenly spread patterns of 0.3 DN do).
_OTHER_PATTERN = 0.35


@dataclass(frozen=True)
class NarrowNoise:
    """Level and noise [DN] behind rounded samples; errors are standard errors, NaN where nothing can be told."""

    mean_dn: float
    sigma_dn: float  # temporal, of one frame, rows' and columns' own noise in it
    sigma_stderr_dn: float
    fixed_dn2: float  # variance of what is the same in both frames [DN^2], below 0 by chance
    fixed_stderr_dn2: float
    slope: float  # change of the mean code per change of level: what offsets of rows are seen multiplied by


def quantisation_dn2(code_scale: float) -> float:
    """Return the variance [DN^2] that rounding adds where codes were scaled by `code_scale` after digitisation.

    The converter's 1/12 is scaled with its square; rounding again, to whole codes, adds 1/12 where the factor is not
    whole: where noise spreads over few codes it is another number (`measure.twice_rounded`). 1/12 where no scaling is
    known.
    """
    if is_one(code_scale):
        return QUANTISATION_DN2
    again = 0.0 if abs(code_scale - round(code_scale)) < _NO_SCALE else 1.0
    return QUANTISATION_DN2 * (code_scale**2 + again)


def is_one(code_scale: float) -> bool:
    """Tell whether codes are not scaled, as far as is known."""
    return not math.isfinite(code_scale) or abs(code_scale - 1.0) < _NO_SCALE


def rounding_excess_dn2(variance_dn2: float, fixed_dn2: float, mean_dn: float) -> float:
    """Return by how much the variance of rounded Gaussian noise exceeds variance_dn2 + 1/12, above `NARROW_DN`.

    First harmonic of round(x) - x = sum of (-1)^k / (pi k) sin(2 pi k x), with its product with x: -(4 sigma^2 + 1 /
    pi^2) exp(-2 pi^2 sigma^2) cos(2 pi u), the mean over a level u that scatters by the fixed pattern (Widrow and
    Kollar, Quantization Noise, from memory).
    """
    fade = math.exp(-2.0 * math.pi**2 * (variance_dn2 + fixed_dn2))
    return -(4.0 * variance_dn2 + 1.0 / math.pi**2) * fade * math.cos(2.0 * math.pi * mean_dn)


def narrow_noise(
    a: NDArray[np.uint16], b: NDArray[np.uint16] | NDArray[np.float32], reference_frames: int = 1
) -> NarrowNoise:
    """Return level and noise behind two frames of rounded samples (row, column) [DN].

    b may be the mean of `reference_frames` frames; then how a goes with b is what counts, as what b alone tells has
    been used before.
    """
    total = b if reference_frames == 1 else np.rint(b * np.float32(reference_frames), dtype=np.float32)
    counts, first, second = _joint_counts(a, total, reference_frames)
    model = _Model(counts, first, second, reference_frames)
    best: tuple[float, NDArray[np.float64]] | None = None
    for sigma in _STARTS:
        outcome = model.fitted(model.start(sigma))
        if best is None or outcome[0] > best[0]:
            best = outcome
    assert best is not None
    theta = best[1]
    errors = model.errors(theta)
    mean, _, log_sigma, square = theta
    sigma = math.exp(log_sigma)
    return NarrowNoise(
        mean_dn=float(mean),
        sigma_dn=sigma,
        sigma_stderr_dn=float(errors[2]) * sigma if sigma > 1.01 * _SMALLEST_SIGMA else math.nan,
        fixed_dn2=float(square),
        fixed_stderr_dn2=float(errors[3]),
        slope=model.slope(theta),
    )


def _joint_counts(
    a: NDArray[np.uint16], b: NDArray[np.uint16] | NDArray[np.float32], frames: int
) -> tuple[NDArray[np.float64], int, int]:
    """Return counts (code of a, code or sum of b) around the middle, and the first code of each."""
    thin = max(1, a.size // _COUNTED)
    low_a, width_a = _window(a[::thin], 1.0)
    low_b, width_b = _window(b[::thin], math.sqrt(frames))
    cells = np.zeros(width_a * width_b, dtype=np.int64)
    for top in range(0, a.shape[0], _BAND_ROWS):  # small pieces: no copies of whole frames
        i = a[top : top + _BAND_ROWS].astype(np.int32) - low_a
        j = b[top : top + _BAND_ROWS].astype(np.int32) - low_b
        inside = (i >= 0) & (i < width_a) & (j >= 0) & (j < width_b)
        cells += np.bincount((i * width_b + j)[inside], minlength=cells.size)
    return cells.reshape(width_a, width_b).astype(np.float64), low_a, low_b


def _window(values: NDArray[np.uint16] | NDArray[np.float32], scale: float) -> tuple[int, int]:
    """Return first code and number of codes that hold all but stray samples."""
    low, middle, high = np.percentile(values, (2.275, 50, 97.725))  # two standard deviations of a Gaussian
    reach = _REACH * max(high - middle, middle - low, scale * 0.5) / 2.0 + 2.0 * scale
    first = max(0, math.floor(middle - reach))
    return first, math.ceil(middle + reach) - first + 1


class _Model:
    """Likelihood of joint counts; parameters are mean of a, of b less a, log sigma, square of the fixed part."""

    def __init__(self, counts: NDArray[np.float64], first: int, second: int, frames: int) -> None:
        self._counts = counts
        self._frames = frames
        self._a = first + np.arange(counts.shape[0])
        self._b = second + np.arange(counts.shape[1])
        self._samples = float(counts.sum())

    def start(self, sigma: float) -> NDArray[np.float64]:
        mean_a = float(self._counts.sum(axis=1) @ self._a) / self._samples
        mean_b = float(self._counts.sum(axis=0) @ self._b) / self._samples
        covariance = float((self._a - mean_a) @ self._counts @ (self._b - mean_b)) / self._samples / self._frames
        square = max(covariance, 0.0)
        return np.array([mean_a, mean_b / self._frames - mean_a, math.log(sigma), square])

    def _nodes(self, theta: NDArray[np.float64]) -> NDArray[np.float64] | None:
        """Return standard normal nodes close enough to follow p_i(u); None where three tell as much."""
        fixed, sigma = math.sqrt(max(float(theta[3]), 0.0)), math.exp(theta[2])
        if fixed < _SMALL_PATTERN * sigma:
            return None
        step = min(0.4, 0.35 * sigma / fixed)
        reach = math.ceil(5.5 / step)
        return np.asarray(step * np.arange(-reach, reach + 1), dtype=np.float64)

    def _levels(
        self, theta: NDArray[np.float64], nodes: NDArray[np.float64] | None
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return (node, 1) levels and weights of the fixed pattern.

        Of a small pattern only the variance counts: three levels with weights linear in it, which may be below 0, as
        the estimate would be biased if it stopped at 0 (three-point Gauss-Hermite rule at the largest; standard).
        """
        if nodes is None:
            reach = math.sqrt(3.0) * _SMALL_PATTERN * math.exp(theta[2])
            outer = 0.5 * theta[3] / reach**2
            return theta[0] + reach * np.array([[-1.0], [0.0], [1.0]]), np.array(
                [[outer], [1.0 - 2.0 * outer], [outer]]
            )
        weights = np.exp(-0.5 * nodes**2)
        return theta[0] + math.sqrt(theta[3]) * nodes[:, None], (weights / weights.sum())[:, None]

    def _probabilities(self, theta: NDArray[np.float64], nodes: NDArray[np.float64] | None) -> NDArray[np.float64]:
        """Return log P(i, j) for two frames, log P(i given the sum j) for a mean of more."""
        level, weights = self._levels(theta, nodes)
        sigma = math.exp(theta[2])
        one = _codes(self._a, level, sigma)
        if self._frames == 1:
            joint = np.maximum(one.T @ (weights * _codes(self._b, level + theta[1], sigma)), 0.0)
            joint /= joint.sum()
            return np.asarray(np.log(joint + _FLOOR), dtype=np.float64)
        joint = np.maximum(one.T @ (weights * self._sums(level + theta[1], sigma)), 0.0) + _FLOOR * 1e-3
        given = joint / joint.sum(axis=0, keepdims=True)
        return np.asarray(np.log(given + _FLOOR))

    def _sums(self, level: NDArray[np.float64], sigma: float) -> NDArray[np.float64]:
        """Return (node, sum) the probability of each sum of `frames` codes."""
        lowest = math.floor(float(level.min()) - 6.0 * sigma - 1.0)
        highest = math.ceil(float(level.max()) + 6.0 * sigma + 1.0)
        codes = np.arange(lowest, highest + 1)
        length = (codes.size - 1) * self._frames + 1
        one = np.fft.rfft(_codes(codes, level, sigma), n=length, axis=1)
        sums = np.maximum(np.fft.irfft(one**self._frames, n=length, axis=1), 0.0)
        wanted = self._b - lowest * self._frames
        inside = (wanted >= 0) & (wanted < length)
        return np.asarray(np.where(inside, sums[:, np.clip(wanted, 0, length - 1)], 0.0))

    def _derivatives(self, theta: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return log probabilities (i, j) and their derivatives (parameter, i, j)."""
        nodes = self._nodes(theta)
        slopes = []
        for index in range(theta.size):
            step = np.zeros_like(theta)
            step[index] = 1e-4 if index < 3 else 1e-3 * max(float(theta[3]), _small_dn2(theta))
            up, down = (self._probabilities(theta + sign * step, nodes) for sign in (1.0, -1.0))
            slopes.append((up - down) / (2.0 * step[index]))
        return self._probabilities(theta, nodes), np.array(slopes)

    def _expected(self, log_p: NDArray[np.float64]) -> NDArray[np.float64]:
        if self._frames == 1:
            return np.asarray(self._samples * np.exp(log_p))
        return np.asarray(self._counts.sum(axis=0, keepdims=True) * np.exp(log_p))

    def fitted(self, theta: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        """Return the log likelihood and the parameters at its maximum, from `theta` on (Fisher scoring)."""
        damping = 1e-3
        log_p, slopes = self._derivatives(theta)
        value = float((self._counts * log_p).sum())
        for _ in range(60):
            score = np.einsum("kij,ij->k", slopes, self._counts)
            information = np.einsum("kij,lij,ij->kl", slopes, slopes, self._expected(log_p))
            damped = information + damping * np.diag(np.diag(information) + 1e-9)
            new = self._within(theta + np.linalg.solve(damped, score), theta)
            new_log_p = self._probabilities(new, self._nodes(new))
            new_value = float((self._counts * new_log_p).sum())
            if new_value < value:
                damping *= 10.0
                if damping > 1e8:
                    break
                continue
            gained, value, theta = new_value - value, new_value, new
            if gained < 1e-6:
                break
            damping = max(0.1 * damping, 1e-9)
            log_p, slopes = self._derivatives(theta)
        return value, theta

    def _within(self, theta: NDArray[np.float64], before: NDArray[np.float64]) -> NDArray[np.float64]:
        low = np.array([self._a[0] - 1.0, -2.0, math.log(_SMALLEST_SIGMA), -_small_dn2(before)])
        high = np.array([self._a[-1] + 1.0, 2.0, math.log(5.0), 50.0])
        steps = np.array([0.5, 0.3, 0.5, max(0.05, float(before[3]))])
        return np.asarray(np.clip(np.clip(theta, before - steps, before + steps), low, high))

    def errors(self, theta: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return standard errors, widened where the counts scatter about the model by more than chance."""
        log_p, slopes = self._derivatives(theta)
        expected = self._expected(log_p)
        information = np.einsum("kij,lij,ij->kl", slopes, slopes, expected)
        errors = np.full(theta.size, math.nan, dtype=np.float64)
        try:
            errors[:] = np.sqrt(np.abs(np.diag(np.linalg.inv(information))))
        except np.linalg.LinAlgError:
            return errors
        often = expected > 10.0
        freedom = int(often.sum()) - theta.size
        if freedom > 0:
            misfit = float(((self._counts - expected)[often] ** 2 / expected[often]).sum()) / freedom
            if misfit > scatter_limit(freedom):
                errors *= math.sqrt(misfit)
                # the pattern is not Gaussian: what that can do fades as the rounding does
                other = _OTHER_PATTERN * math.exp(-2.0 * math.pi**2 * math.exp(2.0 * theta[2]))
                errors[2] = math.hypot(errors[2], other)
        return errors

    def slope(self, theta: NDArray[np.float64]) -> float:
        """Return d(mean code) / d(level), first harmonic: 1 + 2 cos(2 pi mu) exp(-2 pi^2 (sigma^2 + s^2)) is that of
        a sum of steps at half codes, negative cosine for a level on a code."""
        spread = math.exp(2.0 * theta[2]) + theta[3]
        slope = 1.0
        for harmonic in range(1, 6):
            fade = math.exp(-2.0 * (math.pi * harmonic) ** 2 * spread)
            slope += 2.0 * (-1.0) ** harmonic * fade * math.cos(2.0 * math.pi * harmonic * theta[0])
        return max(slope, 0.05)


def _small_dn2(theta: NDArray[np.float64]) -> float:
    return (_SMALL_PATTERN * math.exp(theta[2])) ** 2


def _codes(codes: NDArray[np.int64], level: NDArray[np.float64], sigma: float) -> NDArray[np.float64]:
    """Return (node, code) probabilities of rounding to each code."""
    edges = np.concatenate([codes - 0.5, [codes[-1] + 0.5]])
    return np.asarray(np.diff(normal_below((edges[None, :] - level) / sigma), axis=1))


def normal_below(limits: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the share of a standard normal distribution below each limit, in any shape."""
    from scipy.special import ndtr  # takes long to load, and few runs need it

    return np.asarray(ndtr(limits))
