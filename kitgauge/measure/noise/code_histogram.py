"""What the histogram of stored codes tells: clipped ends, and codes that never occur.

Histograms are counts (code,) of the samples of one plane, code 0 first.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_EXPECTED_PER_CODE = 12.0  # a code expected this often is missing by chance in 6 of a million cases (Poisson)
_PILE_SHARE = 1e-3
_PILE_SAMPLES = 30  # fewer are no evidence
_SPIKE_SHARE = 0.02
_SPIKE_OVER_NEIGHBOURS = 2.5  # digital scaling makes codes twice as full as others
_COUNTED = 200_000


def code_counts(plane: NDArray[np.uint16]) -> NDArray[np.int64]:
    """Return how often each code occurs in (row, column) samples: all of a small plane, evenly spread rows of
    a large one."""
    step = max(1, plane.size // _COUNTED)
    return np.bincount(plane[(step - 1) // 2 :: step].ravel()).astype(np.int64)


def clipped_share(counts: NDArray[np.int64], white_dn: float) -> float:
    """Return the share of samples at or above `white_dn`, or piled on the highest code where that is lower.

    A pile is an end code that holds at least 1e-3 of all samples more than the codes next to it lead to
    expect.
    """
    total = float(counts.sum())
    if total == 0:
        return float("nan")
    at_white = float(counts[int(np.ceil(white_dn)) :].sum()) / total
    return max(at_white, _pile(counts[::-1], total))


def lowest_code_share(counts: NDArray[np.int64]) -> float:
    """Return the share of samples piled on the lowest code, 0 where there is no pile (see `clipped_share`).

    All samples on one code count as a pile: nothing is known of what lies below it.
    """
    total = float(counts.sum())
    return float("nan") if total == 0 else _pile(counts, total)


def _pile(counts: NDArray[np.int64], total: float) -> float:
    """Return the share of the pile at the start of `counts`; stray samples beyond it (dead, hot) are passed
    over.

    The logarithm of a Gaussian is a parabola, so its third differences vanish: three bins next to the end
    code, half a standard deviation wide, tell how many samples the end code would hold if nothing were cut
    off.
    """
    first = int(np.searchsorted(np.cumsum(counts), 0.2 * _PILE_SHARE * total, side="right"))
    share = float(counts[first]) / total
    if share < _PILE_SHARE:
        return 0.0
    if share > 0.5:  # cut off, or narrower than a code: either way nothing is known of what lies beyond
        return share
    width = max(1, round(_spread(counts) / 4))
    bins = np.zeros(3 * width)
    following = counts[first + 1 : first + 1 + 3 * width]
    bins[: following.size] = following
    one, two, three = (float(bins[start : start + width].sum()) for start in (0, width, 2 * width))
    if one == 0 or two == 0 or three == 0:
        return share if counts[first] > one else 0.0
    # codes that never occur (digital scaling) leave more for the others
    occupied = float(np.count_nonzero(bins)) / 3.0
    expected = float(np.exp(3.0 * np.log(one) - 3.0 * np.log(two) + np.log(three))) / occupied
    error = float(np.sqrt(expected + expected**2 * (9.0 / one + 9.0 / two + 1.0 / three)))
    excess = float(counts[first]) - expected
    return share if excess > max(_PILE_SHARE * total, 5.0 * error, _PILE_SAMPLES) else 0.0


def on_whole_steps(counts: NDArray[np.int64]) -> tuple[NDArray[np.int64], int]:
    """Return the counts of the codes that occur and their step, where that is the same whole number of codes (padded
    or multiplied samples), else the counts as they are and 1."""
    occupied = np.flatnonzero(counts)
    step = int(np.gcd.reduce(np.diff(occupied))) if occupied.size > 2 else 1
    return (counts[int(occupied[0]) % step :: step], step) if step > 1 else (counts, 1)


def flattened_share(counts: NDArray[np.int64]) -> float:
    """Return the share of samples on one code in the middle of a histogram that stands out from both sides, 0 if none.

    Noise around black that was set to black leaves such a code. Of a Gaussian, however narrow, the fullest code is less
    far above the next than that is above the second next; here it must be twice as far, hold 2 % of the samples or
    more, and 2.5 times as many as the next. Only codes that occur count. Where the next holds less than the second
    next, full codes and others alternate (digital scaling): the full ones are then compared.
    """
    total = float(counts.sum())
    if total == 0:
        return float("nan")
    occupied = np.flatnonzero(counts)
    top = int(np.argmax(counts[occupied]))
    for step in (1, 2, 4):
        if not 2 * step <= top < occupied.size - 2 * step:
            return 0.0
        below, above = (counts[occupied[[top + sign * step, top + 2 * sign * step]]] for sign in (-1, 1))
        following, second = (float(count) for count in max(below, above, key=lambda side: float(side[0])))
        if second <= following:
            break
    fullest = float(counts[occupied[top]])
    stands_out = fullest > _SPIKE_OVER_NEIGHBOURS * following and fullest / following > 2.0 * following / second
    return fullest / total if stands_out and fullest > _SPIKE_SHARE * total else 0.0


def dark_gap_share(counts: NDArray[np.int64]) -> float:
    """Return the share of codes that never occur in the middle of a narrow histogram, NaN where that tells nothing.

    Codes between the 10th and 90th percentile, four at least, that hold 50 samples each on the average or more.
    """
    total = counts.sum()
    if total == 0:
        return float("nan")
    cumulative = np.cumsum(counts) / total
    inside = counts[int(np.searchsorted(cumulative, 0.1)) : int(np.searchsorted(cumulative, 0.9)) + 1]
    if inside.size < 4 or float(inside.mean()) < 50.0:
        return float("nan")
    return float(np.count_nonzero(inside == 0) / inside.size)


def _spread(counts: NDArray[np.int64]) -> int:
    """Return the number of codes between the 16th and 84th percentile."""
    cumulative = np.cumsum(counts) / max(1, counts.sum())
    return int(np.searchsorted(cumulative, 0.84) - np.searchsorted(cumulative, 0.16))


def missing_code_share(counts: NDArray[np.int64]) -> float:
    """Return the share of codes that never occur among those that should; NaN where too few samples tell.

    Codes that should occur: between the 5th and 95th percentile, where a running mean over at least 9 codes
    expects 12 samples or more. Scaling by a factor f > 1 after digitisation leaves 1 - 1/f of the codes
    empty.
    """
    total = counts.sum()
    if total == 0:
        return float("nan")
    cumulative = np.cumsum(counts) / total
    low, high = int(np.searchsorted(cumulative, 0.05)), int(np.searchsorted(cumulative, 0.95))
    inside = counts[low : high + 1].astype(np.float64)
    if inside.size < 9:
        return float("nan")
    width = 9
    expected = np.convolve(inside, np.full(width, 1.0 / width), mode="same")
    judged = expected >= _EXPECTED_PER_CODE
    judged[: width // 2] = judged[-(width // 2) :] = False
    if np.count_nonzero(judged) < 5:
        return float("nan")
    return float(np.count_nonzero(judged & (inside == 0)) / np.count_nonzero(judged))
