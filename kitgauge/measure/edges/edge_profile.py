"""Binned edge profile over the whole free width of an edge, at any blur.

Motion of 40 px needs a window of 50 px and more on both sides, and the same bins in the tripod frame and in
the handheld one, so that the bins' own width cancels in the difference of the variances. The edge's line
(shift, tilt, bow) is fitted on the samples themselves by Gauss-Newton on the profile's slope: it works for a
sharp and for a smeared edge alike. Binning: ISO 12233 (projection along the edge, quarter-pixel bins).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.edge_candidate import EdgeCandidate

Array = NDArray[np.float64]

BIN_PX = 0.25
_LINE_ITERATIONS = 4
_LEAST_LENGTH_PX = 12.0
_LEAST_CLEAR_PX = 5.0
_SATURATED_SHARE = 0.002
_NAN = math.nan


@dataclass(frozen=True)
class EdgeProfile:
    """Edge spread of one edge in bins along its normal, from dark to bright.

    `position_px` (n,) bin centres counted from the candidate's line, `esf` (n,) means [DN], `esf_stderr` (n,)
    their standard errors [DN] from the scatter within bins; NaN where a bin is empty. `flags` non-empty: not
    usable.
    """

    candidate: EdgeCandidate
    position_px: Array
    esf: Array
    esf_stderr: Array
    flags: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "candidate": self.candidate.as_dict(),
            "position_px": self.position_px.tolist(),
            "esf": self.esf.tolist(),
            "esf_stderr": self.esf_stderr.tolist(),
            "flags": list(self.flags),
        }

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> EdgeProfile:
        """Rebuild from `as_dict` (null becomes NaN)."""
        return cls(
            candidate=EdgeCandidate.from_dict(values["candidate"]),
            # the memory of arrays is taken as it is: these rows are most of what a run keeps
            position_px=np.asarray(values["position_px"], dtype=np.float64),
            esf=np.asarray(values["esf"], dtype=np.float64),
            esf_stderr=np.asarray(values["esf_stderr"], dtype=np.float64),
            flags=tuple(values["flags"]),
        )


def _empty(candidate: EdgeCandidate, *flags: str) -> EdgeProfile:
    nothing = np.zeros(0)
    return EdgeProfile(candidate, nothing, nothing, nothing, flags)


def edge_profiles(
    signal: NDArray[np.float32],
    mask: NDArray[np.bool_],
    saturated: NDArray[np.bool_],
    candidates: Sequence[EdgeCandidate],
    window_px: float = 120.0,
) -> list[EdgeProfile]:
    """Return the profile of every candidate, in their order.

    `signal` (row, column) [DN, black subtracted], `mask` (row, column) True where a sample has the measured
    colour, `saturated` (row, column) bool. Each window reaches the candidate's free width on either side, at
    most `window_px`.
    """
    return [_profile(signal, mask, saturated, candidate, window_px) for candidate in candidates]


def _profile(
    signal: NDArray[np.float32],
    mask: NDArray[np.bool_],
    saturated: NDArray[np.bool_],
    candidate: EdgeCandidate,
    window_px: float,
) -> EdgeProfile:
    rows, columns = signal.shape
    length = candidate.length_px
    dark, bright = (
        min(window_px, candidate.half_width_dark_px),
        min(window_px, candidate.half_width_bright_px),
    )
    along_x, along_y = (candidate.x1 - candidate.x0) / length, (candidate.y1 - candidate.y0) / length
    corners = [
        (x + w * candidate.normal_x, y + w * candidate.normal_y)
        for x, y in ((candidate.x0, candidate.y0), (candidate.x1, candidate.y1))
        for w in (-dark, bright)
    ]
    left, right = (
        max(0, math.floor(min(c[0] for c in corners))),
        min(columns, math.ceil(max(c[0] for c in corners)) + 1),
    )
    top, bottom = (
        max(0, math.floor(min(c[1] for c in corners))),
        min(rows, math.ceil(max(c[1] for c in corners)) + 1),
    )
    if length < _LEAST_LENGTH_PX or min(dark, bright) < _LEAST_CLEAR_PX or right - left < 2 or bottom - top < 2:
        return _empty(candidate, "edge-short")
    row, column = np.nonzero(mask[top:bottom, left:right])
    dx, dy = column + (left - candidate.x_px), row + (top - candidate.y_px)
    u = dx * along_x + dy * along_y
    v = dx * candidate.normal_x + dy * candidate.normal_y
    inside = (np.abs(u) <= 0.5 * length) & (v >= -dark) & (v <= bright)
    row, column, u, v = row[inside], column[inside], u[inside], v[inside]
    if v.size < 4 * (dark + bright) or v.min() > -_LEAST_CLEAR_PX or v.max() < _LEAST_CLEAR_PX:
        return _empty(candidate, "edge-short")
    if float(np.mean(saturated[top:bottom, left:right][row, column])) > _SATURATED_SHARE:
        return _empty(candidate, "edge-clipped")
    value = signal[top:bottom, left:right][row, column].astype(np.float64)
    s = u / (0.5 * length)
    line = _line(s, v, value)
    distance = v - _along(line, s)
    low = math.ceil(-dark / BIN_PX) + 1
    count = math.floor(bright / BIN_PX) - 1 - low
    index = np.floor(distance / BIN_PX).astype(np.intp) - low
    kept = (index >= 0) & (index < count)
    index, value, distance = index[kept], value[kept], distance[kept]
    samples = np.bincount(index, minlength=count)
    with np.errstate(invalid="ignore", divide="ignore"):
        esf = np.bincount(index, value, minlength=count) / samples
        # a bin's samples do not sit at its centre: their mean position counts
        position = np.bincount(index, distance, minlength=count) / samples
        # scatter about the profile, not about the bin's mean: on a sharp edge its slope within a bin is no noise
        filled = samples > 0
        residual = value - np.interp(distance, position[filled], esf[filled])
        scatter = np.bincount(index, residual**2, minlength=count) / (samples - 1)
        stderr = np.sqrt(_smooth(np.where(samples > 2, scatter, _NAN)) / samples)
    esf[samples == 0] = _NAN
    # the line fitted here is finer than the one that the search saw; directions of motion need its normal
    fitted = shifted_line(candidate, line[0] - line[1] + line[2], line[0] + line[1] + line[2])
    return EdgeProfile(fitted, position, esf, stderr)


def shifted_line(edge: EdgeCandidate, start_px: float, end_px: float) -> EdgeCandidate:
    """Return the edge with its first end moved by `start_px` and its last by `end_px` along its normal."""
    x0, y0 = edge.x0 + start_px * edge.normal_x, edge.y0 + start_px * edge.normal_y
    x1, y1 = edge.x1 + end_px * edge.normal_x, edge.y1 + end_px * edge.normal_y
    length = math.hypot(x1 - x0, y1 - y0)
    normal_x, normal_y = -(y1 - y0) / length, (x1 - x0) / length
    sign = math.copysign(1.0, normal_x * edge.normal_x + normal_y * edge.normal_y)
    return replace(
        edge,
        x0=float(x0), y0=float(y0), x1=float(x1), y1=float(y1),
        normal_x=float(sign * normal_x), normal_y=float(sign * normal_y),
    )  # fmt: skip


def _smooth(scatter: Array, reach: int = 6) -> Array:
    """Return the mean of each value and its `reach` neighbours on either side, NaN left out.

    The scatter within one bin of some twenty samples is itself uncertain by a sixth; weights from it would
    follow chance.
    """
    known = np.isfinite(scatter)
    kernel = np.ones(2 * reach + 1)
    total = np.convolve(np.where(known, scatter, 0.0), kernel, mode="same")
    number = np.convolve(known.astype(np.float64), kernel, mode="same")
    return np.where(number > 0, total / np.maximum(number, 1.0), _NAN)


def _along(line: Array, s: Array) -> Array:
    """Return the parabola `line` (shift, tilt, bow) at `s`, -1 to 1 along the edge."""
    return np.asarray(line[0] + line[1] * s + line[2] * (1.5 * s * s - 0.5), dtype=np.float64)


def _line(s: Array, v: Array, value: Array) -> Array:
    """Return (shift, tilt, bow) [px] of the edge against the candidate's line, a parabola in `s`, -1 to 1 along it."""
    bow = 1.5 * s * s - 0.5
    line = np.zeros(3)
    low, high = math.floor(v.min()), math.ceil(v.max())
    reach = min(-low, high)
    for _ in range(_LINE_ITERATIONS):
        distance = v - _along(line, s)
        index = np.clip(np.floor(distance - low).astype(np.intp), 0, high - low)
        samples = np.bincount(index)
        filled = samples > 0
        centre = np.bincount(index, distance)[filled] / samples[filled]
        mean = np.bincount(index, value)[filled] / samples[filled]
        if centre.size < 8:
            break
        # the slope between means one pixel apart, over three of them, so that noise does not steer the line
        slope = np.convolve(np.gradient(mean, centre), np.ones(3) / 3.0, mode="same")
        steep = np.abs(slope) > 0.1 * np.max(np.abs(slope))
        first, last = centre[np.argmax(steep)], centre[steep.size - 1 - np.argmax(steep[::-1])]
        core = (distance >= first - 1.0) & (distance <= last + 1.0)
        at = distance[core]
        residual = value[core] - np.interp(at, centre, mean)
        columns = -np.interp(at, centre, slope)[:, None] * np.stack([np.ones_like(at), s[core], bow[core]], axis=1)
        normal = np.einsum("ij,ik->jk", columns, columns)
        # tilt and bow are allowed only as far as the samples tell them from noise
        prior = np.diag(float(np.mean(residual**2)) / np.array([0.25 * reach, 0.25 * reach, 2.0]) ** 2)
        step = np.linalg.solve(normal + prior, np.einsum("ij,i->j", columns, residual) - prior @ line)
        line = line + np.clip(step, -0.5 * reach, 0.5 * reach)
        if np.max(np.abs(step)) < 1e-3:
            break
    return line
