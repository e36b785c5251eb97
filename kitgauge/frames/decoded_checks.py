"""Does a decoded frame hold a picture? Looks for empty, blank and repeated parts at little cost.

Noise makes every row of a sensor's samples differ from every other, so a row that repeats another was not
decoded. Rows are compared on a few narrow column blocks first; only what is suspicious there is looked at in
full.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_BLOCKS = 16
_BLOCK_PX = 16
_BLANK_ROWS = 16  # one or two may be dead rows of the sensor; so many, in any one block, were not decoded
_REPEATED_ROWS = 8
_ERASED = 65535
_SURE_BLACK_DN = 8.0  # below, the noise of a dark part alone may give runs of zeros


@dataclass(frozen=True)
class Fault:
    """What is wrong with decoded samples: a flag of the registry and the finding in words."""

    flag: str
    text: str


def find_fault(samples: NDArray[np.uint16], black_dn: float, white_dn: float) -> Fault | None:
    """Return what shows that `samples` (row, column) [DN] were not fully decoded, None if nothing does.

    `black_dn` is the lowest black level: from 8 DN on, sensors give no runs of zeros. Rows at
    white are clipped, not missing; so is a whole frame at the stated white (erased memory reads 65535). A frame that is
    clipped to 0 by the camera is let through where it is not all equal. Whole rows that are missing are seen where
    samples have been put together by colour as well (`Mosaic`).
    """
    first = int(samples[0, 0])
    if first == white_dn < _ERASED and int(samples.min()) == first:
        return None
    if np.all(samples[0] == first) and int(samples.min()) == int(samples.max()):
        return Fault("empty-picture", f"all {samples.size} samples are {first}")
    blocks = _column_blocks(samples)
    if black_dn >= _SURE_BLACK_DN:
        empty = np.all(_in_long_words(blocks) == 0, axis=2)
        blank = np.flatnonzero(np.count_nonzero(empty, axis=0) >= _enough(samples, _BLANK_ROWS))
        if blank.size:
            rows = np.flatnonzero(empty[:, blank].all(axis=1))
            return Fault(
                "unreadable",
                f"blank (0) at a black level of {black_dn:g}: {rows.size} rows of {samples.shape[0]} in part "
                f"or whole, the first row {int(rows[0])}",
            )
    return _repeated_rows(samples, blocks, white_dn)


def _column_blocks(samples: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """Return (row, block, column) copies of narrow blocks spread over the columns."""
    width = samples.shape[1]
    size = min(_BLOCK_PX, width)
    starts = np.unique(np.linspace(0, width - size, _BLOCKS).astype(int))
    return np.stack([samples[:, start : start + size] for start in starts], axis=1)


def _in_long_words(blocks: NDArray[np.uint16]) -> NDArray[np.uint64] | NDArray[np.uint16]:
    """Return the blocks four samples to a number where that comes out even: equal and empty are seen at once."""
    return blocks.view(np.uint64) if blocks.shape[2] % 4 == 0 else blocks


def _enough(samples: NDArray[np.uint16], rows: int) -> int:
    """Return how many bad rows make a fault: `rows`, fewer in frames smaller than any camera's."""
    return max(2, min(rows, int(samples.shape[0]) // 8))


def _repeated_rows(samples: NDArray[np.uint16], blocks: NDArray[np.uint16], white_dn: float) -> Fault | None:
    """Return the fault if several noisy rows each repeat the row, or the row of the same colours, before
    them.

    One or two may be a camera's own mending of a dead row. Clipped or noiseless (drawn) rows prove nothing.
    """
    enough = _enough(samples, _REPEATED_ROWS)
    words = _in_long_words(blocks)
    for step in (1, 2):
        if samples.shape[0] <= step:
            continue
        same = np.flatnonzero(np.all(words[step:] == words[:-step], axis=(1, 2)))
        if same.size < enough:
            continue
        repeated = [
            int(row)
            for row in same[: 4 * enough]
            if np.array_equal(samples[row + step], samples[row]) and _is_noisy(samples[row], white_dn)
        ]
        if len(repeated) >= enough:
            return Fault("unreadable", f"rows repeat each other sample for sample, first row {repeated[0] + step}")
    return None


def _is_noisy(values: NDArray[np.uint16], white_dn: float) -> bool:
    """Tell whether a row's unclipped samples mostly differ from the next of their colour."""
    nearby, following = values[:-2], values[2:]
    open_ended = (nearby > 0) & (nearby < white_dn)
    return bool(np.count_nonzero(open_ended & (nearby != following)) > values.size // 4)
