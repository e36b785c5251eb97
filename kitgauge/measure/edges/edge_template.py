"""Where a known set of edges lies in another frame, as a whole: shift and turn by correlation with a template.

The template has a strip of weight on the bright side of every edge and minus one on its dark side. Correlated with the
logarithm of a reduced picture, it answers to contrast whatever the exposure, and long after blur removed every edge.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.edge_candidate import EdgeCandidate

_LONG_SIDE = 400  # of the reduced picture
_STRIP_PX = 50.0
_LARGEST_SHIFT = 0.22  # of the frame
_BAND_BLOCKS = 4
_TURNS_DEG = (0.0, -1.5, 1.5, -3.0, 3.0)


@dataclass(frozen=True)
class Move:
    """A similarity: shift [px], turn [rad] and scale about (`x`, `y`)."""

    x: float
    y: float
    shift_x: float = 0.0
    shift_y: float = 0.0
    turn: float = 0.0
    scale: float = 1.0

    def point(self, x: float, y: float) -> tuple[float, float]:
        """Return where a point goes."""
        c, s = self.scale * math.cos(self.turn), self.scale * math.sin(self.turn)
        dx, dy = x - self.x, y - self.y
        return self.x + self.shift_x + c * dx - s * dy, self.y + self.shift_y + s * dx + c * dy

    def edge(self, edge: EdgeCandidate) -> EdgeCandidate:
        """Return where an edge goes."""
        (x0, y0), (x1, y1) = self.point(edge.x0, edge.y0), self.point(edge.x1, edge.y1)
        c, s = math.cos(self.turn), math.sin(self.turn)
        return replace(
            edge, x0=x0, y0=y0, x1=x1, y1=y1,
            normal_x=c * edge.normal_x - s * edge.normal_y, normal_y=s * edge.normal_x + c * edge.normal_y,
        )  # fmt: skip


def expected_log_contrast(edge: EdgeCandidate) -> float:
    """Return ln(bright / dark) of the reference edge; where unknown, that of an edge that is barely one."""
    return math.log(edge.contrast) if edge.contrast > 1.0 else 0.3


def find_displacement(
    signal: NDArray[np.float32],
    mask: NDArray[np.bool_],
    edges: Sequence[EdgeCandidate],
    *,
    largest_shift: float = _LARGEST_SHIFT,
) -> tuple[Move, float]:
    """Return the shift and turn at which the template of the edges fits the reduced picture best, and how
    well.

    `largest_shift` bounds the shift, as a share of the frame each way.
    1 is the contrast of the reference over every edge; blur, and edges out of the frame, take from it.
    """
    rows, columns = signal.shape
    step = max(2, 2 * math.ceil(max(rows, columns) / _LONG_SIDE / 2))
    size = (math.ceil(columns / step), math.ceil(rows / step))
    share, total = _block_means(signal, mask, step, size)
    level = total / np.maximum(share, 1e-6)
    floor = max(0.01 * float(np.percentile(level[share > 0], 99.0)), 1e-3)
    picture = np.log(np.maximum(level, floor))
    picture -= picture.mean()
    room = 1.03 + largest_shift
    span = (cv2.getOptimalDFTSize(int(room * size[1])), cv2.getOptimalDFTSize(int(room * size[0])))
    transform = np.fft.rfft2(picture, span)
    middle_x, middle_y = float(np.mean([e.x_px for e in edges])), float(np.mean([e.y_px for e in edges]))
    reach_y, reach_x = math.ceil(largest_shift * size[1]), math.ceil(largest_shift * size[0])
    best = (-math.inf, Move(middle_x, middle_y))
    for turn in _TURNS_DEG:
        move = Move(middle_x, middle_y, turn=math.radians(turn))
        template = _template([move.edge(edge) for edge in edges], (size[1], size[0]), step)
        correlation = np.fft.irfft2(transform * np.conj(np.fft.rfft2(template, span)), span)
        shifts = np.roll(correlation, (reach_y, reach_x), axis=(0, 1))[: 2 * reach_y + 1, : 2 * reach_x + 1]
        row, column = np.unravel_index(int(np.argmax(shifts)), shifts.shape)
        score = float(shifts[row, column])
        if score > best[0]:
            best = (
                score,
                replace(move, shift_x=float(column - reach_x) * step, shift_y=float(row - reach_y) * step),
            )
    perfect = sum(edge.length_px * expected_log_contrast(edge) for edge in edges)
    return best[1], best[0] / perfect


def _block_means(
    signal: NDArray[np.float32], mask: NDArray[np.bool_], step: int, size: tuple[int, int]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return means over blocks of `step` pixels of the mask and of the masked signal, in a picture of (columns, rows)
    `size`; beyond the frame both count as 0.

    Band by band: pictures of the frame's size would not stay in the processor's cache, and clearing their memory costs
    more than the sums.
    """
    share, total = (np.empty((size[1], size[0]), np.float32) for _ in range(2))
    columns = signal.shape[1]
    for first in range(0, size[1], _BAND_BLOCKS):
        last = min(first + _BAND_BLOCKS, size[1])
        part = mask[first * step : last * step]
        weight = np.zeros(((last - first) * step, size[0] * step), np.float32)
        weight[: len(part), :columns] = part
        filled = np.zeros_like(weight)
        np.multiply(signal[first * step : last * step], part, out=filled[: len(part), :columns])
        # means over whole blocks: INTER_AREA does that where the block size divides the picture
        for means, band in ((share, weight), (total, filled)):
            means[first:last] = cv2.resize(band, (size[0], last - first), interpolation=cv2.INTER_AREA)
    return share, total


def _template(edges: Sequence[EdgeCandidate], shape: tuple[int, int], step: int) -> NDArray[np.float32]:
    """Return a (row, column) picture with a strip of weight on the bright side of each edge, minus one on its
    dark side."""
    template = np.zeros(shape, np.float32)
    for edge in edges:
        for sign, free in ((1.0, edge.half_width_bright_px), (-1.0, edge.half_width_dark_px)):
            strip = max(min(free, max(_STRIP_PX, 3.0 * step)), 1.5 * step)
            corners = [
                (x + sign * w * edge.normal_x, y + sign * w * edge.normal_y)
                for (x, y), w in zip(
                    ((edge.x0, edge.y0), (edge.x1, edge.y1), (edge.x1, edge.y1), (edge.x0, edge.y0)),
                    (0.0, 0.0, strip, strip), strict=True,
                )
            ]  # fmt: skip
            # a block's centre lies (step - 1) / 2 from its first sample; 4 bits of fraction for the polygon
            points = np.round((np.array(corners) - 0.5 * (step - 1)) / step * 16.0).astype(np.int32)
            layer = np.zeros(shape, np.float32)
            cv2.fillConvexPoly(layer, points, 1.0, lineType=cv2.LINE_AA, shift=4)
            area = float(layer.sum())
            if area > 0:
                template += layer * np.float32(sign * edge.length_px / area)
    return template
