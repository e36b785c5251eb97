"""By which factor the codes of a file were scaled after digitisation, from the histogram alone.

Scaling by f sends old code i to round(f i + p). For f > 1 some new codes never occur; for f < 1 some hold two old
codes (or one more than others) and stand out. Both repeat with the period of the beat between f and 1, so the
histogram over its own smooth course holds a line at a frequency of 1/f cycles per code, folded into 0..1/2.
What cannot be told: a scaling before digitisation (that is amplification), one that was followed by dither or done at
a finer step than whole codes before rounding, and, in a histogram of few codes, a factor close to 1.

Histograms are counts (code,), as in `measure.code_histogram`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

# What is not derived beside a line here is common practice, no source.
_LINE_POWER = 25.0  # of a spectral line over that of counting noise: exp(-25) per frequency by chance
_AMPLITUDE = (0.6, 1.5)  # how strongly the codes follow the pattern of a factor: 1 where they do
_FEWEST_CODES = 16
_MOST_CODES = 4096
_LEAST_FACTOR = 0.2
# ties of round factors may go to the even code, which moves the lines: these are tried as they are
_ROUND_FACTORS = sorted({Fraction(k, 20) for k in range(5, 20)} | {Fraction(2, 3), Fraction(5, 6)})
# Near a/b the pattern of codes stays the same while f moves by a fraction of a code over the histogram.
_PLATEAU = 0.1
_THICK = 12.0  # a code expected this often is missing by chance in 6 of a million cases (Poisson)
_LEAST_MISSING = 0.005
_LARGEST_FACTOR = 6.0
_LARGEST_WHOLE = 33.0
_UNIFORM_CODES = 1.2  # departure of occupied codes from equal steps [codes]; rounding makes up to 0.5, phase as much


@dataclass(frozen=True)
class CodeScale:
    """Digital scaling seen in a histogram.

    `factor` is 1 where none is seen and NaN where too few samples tell or the gaps fit no factor; `stderr` is its
    standard error, 0 where factor is 1. `uneven_gaps`: codes are missing at steps that are not the same throughout, as
    a table that packs bright levels leaves them.
    """

    factor: float
    stderr: float
    uneven_gaps: bool


def code_scale(counts: NDArray[np.int64]) -> CodeScale:
    """Return the digital scaling that a histogram (code,) shows.

    A factor above 1 comes from the codes that do occur: code number k lies at f k + p, rounded. One below 1 comes from
    the strongest line of the histogram over its smooth course. Source: the characteristic function of rounded values
    has its lines at multiples of the inverse step (Widrow and Kollar, Quantization Noise, from memory); significance of
    a line against Poisson counts, whose power is exponentially distributed (standard). A factor of exactly 1/2, 1/3,
    1/4 with ties rounded up leaves every code as full as the others: not to be told from none.
    """
    unknown = CodeScale(math.nan, math.nan, uneven_gaps=False)
    core = _core(counts)
    if core is None:
        return unknown
    first, inside = core
    gaps = _equal_gaps(inside)
    if gaps is not None:
        return gaps
    smooth = _smooth(inside)
    if smooth is None:
        return unknown
    taper = np.sqrt(np.hanning(inside.size + 2)[1:-1])
    departure = (inside - smooth) * taper
    noise = float((smooth * taper**2).sum())
    length = 1 << max(10, math.ceil(math.log2(8 * inside.size)))
    power = np.abs(np.fft.rfft(departure, length)) ** 2 / noise
    frequency = np.arange(power.size) / length
    power[frequency < 2.0 / _width(inside)] = 0.0  # the smooth course of the histogram itself
    if float(power.max()) < _LINE_POWER:
        return CodeScale(1.0, 0.0, uneven_gaps=False)
    best = _Pattern(-math.inf, math.nan, math.nan, 0.0)
    for start in _highest(power, frequency, 4.0 / inside.size):
        line = _refined(first, departure, noise, start)
        for factor, harmonic in _candidates(line.frequency):
            best = max(best, _fit(first, inside, smooth, line, factor, harmonic), key=lambda pattern: pattern.gain)
    for round_factor in _ROUND_FACTORS:
        best = max(best, _round_fit(first, inside, smooth, float(round_factor)), key=lambda pattern: pattern.gain)
    if best.gain < _LINE_POWER or best.amplitude < _AMPLITUDE[0]:
        return CodeScale(1.0, 0.0, uneven_gaps=False)  # unequal steps of the converter, not a factor
    return unknown if best.amplitude > _AMPLITUDE[1] else CodeScale(best.factor, best.stderr, uneven_gaps=False)


@dataclass(frozen=True)
class _Pattern:
    gain: float  # in log likelihood
    factor: float
    stderr: float
    amplitude: float  # 1 where codes are as full as the factor makes them


def _core(counts: NDArray[np.int64]) -> tuple[int, NDArray[np.float64]] | None:
    """Return the first code and the counts between the 2nd and 98th percentile; None where too few or too narrow."""
    total = int(counts.sum())
    if total < 1000:
        return None
    cumulative = np.cumsum(counts)
    low, high = (int(np.searchsorted(cumulative, share * total)) for share in (0.02, 0.98))
    if high - low > _MOST_CODES:
        middle = (low + high) // 2
        low, high = middle - _MOST_CODES // 2, middle + _MOST_CODES // 2
    inside = counts[low : high + 1].astype(np.float64)
    return (low, inside) if inside.size >= _FEWEST_CODES and float(inside.sum()) > 500 else None


def _width(inside: NDArray[np.float64]) -> int:
    """Return how many codes the running mean takes: a fraction of the histogram's width, odd."""
    return int(np.clip(inside.size // 8, 4, 64)) * 2 + 1


def _smooth(inside: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Return the smooth course of the counts: a running mean, twice, mirrored at the ends."""
    width = _width(inside)
    if 2 * width > inside.size * 2 - 2:
        return None
    kernel = np.full(width, 1.0 / width)
    out = inside
    for _ in range(2):
        # an odd reflection keeps a slope going at the ends
        ends = width // 2
        padded = np.pad(out, ends, mode="reflect", reflect_type="odd")
        out = np.convolve(padded, kernel, mode="valid")
    return np.asarray(np.maximum(out, 0.02 * float(out.mean())))


def _highest(power: NDArray[np.float64], frequency: NDArray[np.float64], apart: float) -> list[float]:
    """Return the frequencies of up to three lines: the two highest, and the lowest in frequency that is half as high
    (factors just below 1 have many lines of nearly one height)."""
    left, found = power.copy(), []
    lowest = int(np.argmax(power > 0.5 * float(power.max())))
    lowest += int(np.argmax(power[lowest : lowest + 16]))
    for _ in range(2):
        peak = int(np.argmax(left))
        if left[peak] < _LINE_POWER:
            break
        found.append(float(frequency[peak]))
        left[np.abs(frequency - frequency[peak]) < apart] = 0.0
    if all(abs(frequency[lowest] - line) >= apart for line in found):
        found.append(float(frequency[lowest]))
    return found


@dataclass(frozen=True)
class _Line:
    frequency: float  # folded into 0..1/2 [cycles per code]
    stderr: float
    phase: float  # cycles, at code 0


def _refined(first: int, departure: NDArray[np.float64], noise: float, frequency: float) -> _Line:
    """Return the line next to `frequency`; its error by Rife and Boorstyn's bound (from memory), doubled for the
    taper and the pattern's other lines."""
    codes = first + np.arange(departure.size)
    near = frequency + np.linspace(-0.1, 0.1, 21) / departure.size
    sums = np.exp(-2j * math.pi * np.outer(near, codes)) @ departure
    best = int(np.argmax(np.abs(sums)))
    line = complex(sums[best])
    stderr = 2.0 * math.sqrt(6.0 * noise) / max(abs(line), 1e-9) / (2.0 * math.pi * departure.size)
    return _Line(
        float(near[best]), math.hypot(stderr, 0.02 / departure.size), math.atan2(line.imag, line.real) / (2 * math.pi)
    )


def _candidates(line: float) -> list[tuple[float, int]]:
    """Return the factors below 1 with a harmonic h/f at a line folded into 0..1/2 cycles per code, and h."""
    found = [
        (harmonic / (whole + sign * line), harmonic)
        for harmonic in (1, 2, 3)
        for whole in range(1, 5 * harmonic + 1)
        for sign in (-1, 1)
    ]
    return [(factor, harmonic) for factor, harmonic in found if _LEAST_FACTOR < factor < 1.0]


def _fit(
    first: int, inside: NDArray[np.float64], smooth: NDArray[np.float64], line: _Line, factor: float, harmonic: int
) -> _Pattern:
    """Return how well the pattern of a factor fits, its phase taken from the line."""
    stderr = factor**2 / harmonic * line.stderr
    folded = (harmonic / factor) % 1.0 > 0.5  # the line is then that of the mirrored frequency
    # old code 0 lies at -phase / (h/f); a bin of one code turns the sign where sinc(h/f) < 0
    turned = (line.phase if folded else -line.phase) + (0.5 if np.sinc(harmonic / factor) < 0 else 0.0)
    stderr = math.hypot(stderr, _PLATEAU * factor / inside.size)
    starts = [(turned + turn) * factor / harmonic for turn in range(harmonic)]
    best = _Pattern(-math.inf, factor, stderr, 0.0)
    for phase in (start + shift / 30.0 for start in starts for shift in (-2, -1, 0, 1, 2)):
        gain, amplitude = _gain(first, inside, smooth, factor, phase, None)
        if gain > best.gain:
            best = _Pattern(gain, factor, stderr, amplitude)
    return best


def _round_fit(first: int, inside: NDArray[np.float64], smooth: NDArray[np.float64], factor: float) -> _Pattern:
    """Return how well a round factor fits with ties up or to even codes, whichever codes old and new have in common."""
    best = _Pattern(-math.inf, factor, _PLATEAU * factor / inside.size, 0.0)
    for common in range(Fraction(factor).limit_denominator(20).denominator):
        for even in (None, 0, 1):
            gain, amplitude = _gain(first, inside, smooth, factor, (1.0 - factor) * common, even)
            if gain > best.gain:
                best = _Pattern(gain, factor, best.stderr, amplitude)
    return best


def _gain(
    first: int,
    inside: NDArray[np.float64],
    smooth: NDArray[np.float64],
    factor: float,
    phase: float,
    even: int | None,
) -> tuple[float, float]:
    """Return what a factor and phase add to the log likelihood of the counts, and the amplitude of their pattern.

    even : ties go to codes that differ from this one by an even number; None: ties go up.
    """
    last = first + inside.size
    old = factor * np.arange(math.floor((first - 1 - phase) / factor), math.ceil((last + 1 - phase) / factor)) + phase
    if even is None:
        new = np.floor(np.round(old, 9) + 0.5).astype(np.intp) - first
    else:
        new = (np.rint(np.round(old - even, 9)) + even).astype(np.intp) - first
    new = new[(new >= 0) & (new < inside.size)]
    pattern = np.bincount(new, minlength=inside.size) * factor - 1.0
    pattern -= float((smooth * pattern).sum() / smooth.sum())
    strength = float((smooth * pattern**2).sum())
    if strength < 1e-3 * float(smooth.sum()):
        return -math.inf, 0.0
    amplitude = float(((inside - smooth) * pattern).sum()) / strength
    return (amplitude - 0.5) * strength, amplitude


def _equal_gaps(inside: NDArray[np.float64]) -> CodeScale | None:
    """Return the factor above 1 that the gaps between codes show, None where there are hardly any gaps.

    Thin counts, where codes are missing by chance, are not looked at.
    """
    occupied = np.flatnonzero(inside)
    thin = float(np.percentile(inside[occupied], 10))
    if thin < _THICK:
        # the stretch around the fullest code in which all codes that occur are full enough
        full = int(np.argmax(inside[occupied]))
        below = np.flatnonzero(inside[occupied[:full]] < _THICK)
        above = np.flatnonzero(inside[occupied[full:]] < _THICK)
        start = int(below[-1]) + 1 if below.size else 0
        end = full + int(above[0]) if above.size else occupied.size
        occupied = occupied[start:end]
    if occupied.size < 6:
        return None
    span = float(occupied[-1] - occupied[0])
    if span - (occupied.size - 1) < max(2.0, _LEAST_MISSING * span):
        return None
    index = np.arange(occupied.size, dtype=np.float64)
    slope, start = np.polynomial.Polynomial.fit(index, occupied, 1).convert().coef[::-1]
    if float(np.abs(occupied - start - slope * index).max()) > _UNIFORM_CODES:
        return CodeScale(math.nan, math.nan, uneven_gaps=True)
    # ISO is multiplied by whole powers of two beyond that; other wide gaps are a table's, too few to see them grow
    if slope > _LARGEST_FACTOR and (slope > _LARGEST_WHOLE or abs(slope - round(slope)) > 0.02):
        return CodeScale(math.nan, math.nan, uneven_gaps=True)
    # rounding is spread evenly over a code and all but independent from one to the next
    stderr = math.sqrt(1.0 / 12.0) * math.sqrt(12.0 / occupied.size) / occupied.size
    return CodeScale(float(slope), stderr, uneven_gaps=False)
