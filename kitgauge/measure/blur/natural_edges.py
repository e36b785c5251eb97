"""Edges of an everyday scene, each with its width: where brightness steps once from one plateau to another.

No target is needed and none is assumed. Steps are searched in pictures of rising coarseness, so that narrow and wide
edges are found alike; at each place a straight edge with a normal (Gaussian) spread is fitted to the samples of one
colour as they lie, by least squares, nothing filled in at the finest step. What is not a lone straight step (texture,
corners, lines) leaves residuals and is dropped.

The spread of an edge's normal profile is that of the line spread function: its variance is n' C n for the unit normal n
and the covariance C of the whole blur [px^2], whatever its form, plus what the scene's own edge has. Second moments add
under convolution, and a mean over a block of samples adds the block's own, which is taken off again.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

Array = NDArray[np.float64]
Image = NDArray[np.float32]
Mask = NDArray[np.bool_]

LEVELS = 5  # pictures, each half as fine as the one before: spreads up to about 35 px
_NARROWEST = 1.0  # spread in pixels of a picture; narrower ones belong to a finer one
_TILES = 10  # along the longer side: candidates are taken evenly from all over the frame
_ORIENTATIONS = 8
_PER_CELL = 6  # candidates of one orientation in one tile
_SEEN = 8.0  # times its error that a step must have
_LEAST_CONTRAST = 3.0  # times the noise of one sample
_STEPS = 8  # of Gauss and Newton
_LOOK = 2  # after which of them what is no step is left
_MISFIT = 0.08  # root mean square of residuals over the step, beyond noise
_WIDTH_ERROR = 0.15  # of the spread, relative
_LEAST_SAMPLES = 20
_STRIP = 256  # rows worked on at a time
_ROOT_2, _ROOT_PI = np.sqrt(2.0), np.sqrt(np.pi)


@dataclass(frozen=True)
class _Window:
    """Half width across an edge and half length along it, in pixels of a picture; `widest` spread that leaves plateaus.

    Fine detail leaves little room around an edge: the narrow window serves sharp edges only.
    """

    reach: int
    along: float
    widest: float


_WIDE, _NARROW = _Window(7, 4.5, 2.4), _Window(4, 3.5, 1.25)


@dataclass(frozen=True)
class NaturalEdges:
    """Edges of one frame, each an entry of every array.

    `x_px`, `y_px`: place in the frame; `normal_deg`: direction across the edge, 0 to 180, 0 along the rows and 90 down
    the columns; `variance_px2`: of the profile's slope, with its standard error; `contrast`: step over the sum of both
    plateaus, 0 to 1; `level`: 0 for the finest picture.
    """

    x_px: Array
    y_px: Array
    normal_deg: Array
    variance_px2: Array
    variance_stderr_px2: Array
    contrast: Array
    level: NDArray[np.int64]

    @property
    def count(self) -> int:
        """Number of edges."""
        return int(self.x_px.size)

    def where(self, keep: Mask) -> NaturalEdges:
        """Return the edges for which `keep` is True."""
        return NaturalEdges(**{item.name: getattr(self, item.name)[keep] for item in fields(self)})


@dataclass(frozen=True)
class _Picture:
    """One picture of the pyramid: samples [DN], where they count, and the covariance of what one sample averages."""

    samples: Image
    valid: Mask
    step_px: int
    offset_px: float  # of sample (0, 0) from pixel (0, 0) of the frame, along rows and columns
    kernel_px2: Array  # (2, 2) in x, y
    noise: Image  # standard deviation of a sample's noise


def natural_edges(signal: Image, mask: Mask, saturated: Mask, noise: tuple[float, float]) -> NaturalEdges:
    """Return the edges of a frame.

    signal : (row, column) DN, black subtracted. mask, saturated : (row, column), samples of the measured colour and
    those at the white level. noise : (a, b) of the variance of one sample, a + b * signal [DN^2, DN]. Spreads of about
    0.3 to 35 px are found, wider ones are not. Nothing raises: a frame without edges gives none.
    """
    found = []
    for level, picture in enumerate(_pyramid(signal, mask, saturated, noise)):
        if min(picture.samples.shape) < 4 * _WIDE.reach:
            break
        candidates = _candidates(picture)
        edges = _fit_all(picture, candidates, level, _WIDE)
        if level == 0:
            edges = _joined(edges, _fit_all(picture, candidates, level, _NARROW))
        found.append(edges)
    return _together(found)


def _together(parts: list[NaturalEdges]) -> NaturalEdges:
    names = [item.name for item in fields(NaturalEdges)]
    return NaturalEdges(**{name: np.concatenate([getattr(part, name) for part in parts] or [[]]) for name in names})


def _joined(edges: NaturalEdges, more: NaturalEdges) -> NaturalEdges:
    """Return the edges with those of a second search that are not there yet."""
    places = np.rint(np.stack([edges.x_px, edges.y_px]) / 3.0)
    known = set(zip(*places.tolist(), strict=True))
    new = [(x, y) not in known for x, y in zip(np.rint(more.x_px / 3.0), np.rint(more.y_px / 3.0), strict=True)]
    return _together([edges, more.where(np.array(new, bool))])


def _pyramid(signal: Image, mask: Mask, saturated: Mask, noise: tuple[float, float]) -> list[_Picture]:
    a, b = noise
    whole = bool(mask.all())
    usable = mask & ~saturated
    variance = np.maximum(a + b * np.maximum(signal, 0.0), 1e-12).astype(np.float32)
    pictures = [_Picture(signal, usable, 1, 0.0, np.zeros((2, 2)), np.sqrt(variance))]
    # pairs of a block's samples: how they lie in it is part of what a mean over it blurs
    rows, columns = (size - size % 2 for size in signal.shape)
    counted = mask[:rows, :columns]
    total, weight = _blocks(np.where(counted, signal[:rows, :columns], 0.0)), _blocks(counted)
    bad = _blocks(saturated[:rows, :columns] & counted) > 0
    spread = _blocks(np.where(counted, variance[:rows, :columns], 0.0))
    samples = (total / np.maximum(weight, 1e-9)).astype(np.float32)
    valid = (weight > 0) & ~bad
    error = np.sqrt(spread) / np.maximum(weight, 1.0)
    if not (weight > 0).all():  # patterns with blocks that lack the colour: their neighbours' mean
        near = cv2.blur((weight > 0).astype(np.float32), (3, 3))
        samples = np.where(weight > 0, samples, cv2.blur(samples * (weight > 0), (3, 3)) / np.maximum(near, 1e-6))
    kernel = np.eye(2) / 4.0 if whole else _pair_kernel(counted)
    step = 2
    for _ in range(1, LEVELS):
        pictures.append(
            _Picture(samples.astype(np.float32), valid, step, (step - 1) / 2.0, kernel, error.astype(np.float32))
        )
        rows, columns = (size - size % 2 for size in samples.shape)
        if min(rows, columns) < 8 * _WIDE.reach:
            break
        samples = _blocks(samples[:rows, :columns]) / 4.0
        valid = _blocks(valid[:rows, :columns]) > 3.5
        error = np.sqrt(_blocks(error[:rows, :columns] ** 2)) / 4.0
        kernel = kernel + np.eye(2) * step**2 / 4.0
        step *= 2
    return pictures


def _blocks(values: NDArray[Any]) -> NDArray[np.float32]:
    """Return sums over blocks of 2 x 2."""
    values = values.astype(np.float32, copy=False)
    pairs = values[0::2] + values[1::2]
    return np.asarray(pairs[:, 0::2] + pairs[:, 1::2])


def _pair_kernel(counted: Mask) -> Array:
    """Return the covariance of places within a block of 2 x 2, mean over the blocks [px^2]."""
    if counted[0:2, 0:2].sum() == 2 and counted[0, 0] == counted[1, 1]:
        sign = 1.0 if counted[0, 0] else -1.0
        return np.array([[0.25, 0.25 * sign], [0.25 * sign, 0.25]])
    return np.eye(2) / 8.0 if counted.mean() < 0.99 else np.eye(2) / 4.0


def _candidates(picture: _Picture) -> Array:
    """Return places and directions (n, 3: column, row, angle of the normal) of steps, evenly from the frame."""
    weights = picture.valid.astype(np.float32)
    near = cv2.GaussianBlur(weights, (0, 0), 1.0)
    smooth = cv2.GaussianBlur(picture.samples * weights, (0, 0), 1.0) / np.maximum(near, 1e-6)
    del weights, near
    across, down = (np.asarray(cv2.Scharr(smooth, cv2.CV_32F, *way), np.float32) / 32.0 for way in ((1, 0), (0, 1)))
    del smooth  # a picture is as large as the frame: no more of them at a time than needed
    # relative to noise, so that bright and dark parts compete fairly
    size = np.hypot(across, down)
    noise = cv2.GaussianBlur(picture.noise, (0, 0), 1.0)
    # a smoothed step of height h and spread s slopes by h / (s sqrt(2 pi)); the widest that the window holds
    seen = size * np.sqrt(2 * np.pi) * _WIDE.widest > _LEAST_CONTRAST * noise
    seen &= _clear(picture.valid)
    edge = _WIDE.reach + 1
    seen[:edge], seen[-edge:], seen[:, :edge], seen[:, -edge:] = False, False, False, False
    seen &= _crest(size, across, down)
    rows, columns = np.nonzero(seen)
    if rows.size == 0:
        return np.empty((0, 3))
    angle = np.arctan2(down[rows, columns], across[rows, columns])
    strength = size[rows, columns] / noise[rows, columns]
    tile = max(picture.samples.shape) / _TILES
    turn = np.floor(np.mod(angle, np.pi) / np.pi * _ORIENTATIONS).astype(np.int64) % _ORIENTATIONS
    cell = (np.floor(rows / tile) * 64 + np.floor(columns / tile)).astype(np.int64) * _ORIENTATIONS + turn
    order = np.lexsort((-strength, cell))
    rows, columns, angle, cell = rows[order], columns[order], angle[order], cell[order]
    # not two on one piece of edge: one in a square of the fitted length
    square = cell * 1_000_000 + (rows // 6) * 1000 + columns // 6
    _, first = np.unique(square, return_index=True)
    first.sort()
    rows, columns, angle, cell = rows[first], columns[first], angle[first], cell[first]
    start = np.r_[True, cell[1:] != cell[:-1]]
    rank = np.arange(cell.size) - np.maximum.accumulate(np.where(start, np.arange(cell.size), 0))
    taken = rank < _PER_CELL
    return np.stack([columns[taken], rows[taken], angle[taken]], axis=1).astype(np.float64)


def _clear(valid: Mask) -> Mask:
    """Return where hardly a sample nearby is unusable, for a colour that fills a part of its pattern."""
    share = cv2.blur(valid.astype(np.float32), (5, 5))
    return np.asarray(share > 0.85 * float(np.median(share)))


def _crest(size: Image, across: Image, down: Image) -> Mask:
    """Return where the slope is not smaller than on either side along its own direction; nowhere along the border."""
    best = np.zeros(size.shape, bool)
    rows, columns = size.shape
    for top in range(1, rows - 1, _STRIP):
        bottom = min(top + _STRIP, rows - 1)
        here = (slice(top, bottom), slice(1, columns - 1))
        turn = np.mod(np.arctan2(down[here], across[here]), np.pi)
        sector = np.rint(turn / (np.pi / 4)).astype(np.int8) % 4
        for number, (dx, dy) in enumerate(((1, 0), (1, 1), (0, 1), (-1, 1))):
            ahead, behind = (
                size[top + way * dy : bottom + way * dy, 1 + way * dx : columns - 1 + way * dx] for way in (1, -1)
            )
            best[here] |= (sector == number) & (size[here] >= ahead) & (size[here] > behind)
    return best


def _fit_all(picture: _Picture, candidates: Array, level: int, window: _Window) -> NaturalEdges:
    """Fit the candidates of one picture and keep those that are lone straight steps."""
    fits = [_fit(picture, part, window) for part in np.array_split(candidates, max(1, -(-len(candidates) // 400)))]
    spread, error, contrast, good, x, y, angle = (np.concatenate(parts) for parts in zip(*fits, strict=True))
    step = picture.step_px
    narrowest = 0.0 if level == 0 else _NARROWEST
    good &= (spread >= narrowest) & (spread <= window.widest) & (error <= _WIDTH_ERROR * np.maximum(spread, 0.4))
    normal = np.stack([np.cos(angle), np.sin(angle)])
    own = np.einsum("in,ij,jn->n", normal, picture.kernel_px2, normal)
    edges = NaturalEdges(
        x * step + picture.offset_px,
        y * step + picture.offset_px,
        np.mod(np.degrees(angle), 180.0),
        (spread * step) ** 2 - own,
        2.0 * spread * error * step**2,
        contrast,
        np.full(spread.shape, level),
    )
    return edges.where(good)


def _fit(picture: _Picture, candidates: Array, window: _Window) -> tuple[Array, ...]:
    """Return spread and its error [px of the picture], contrast, whether it serves, place and angle, (n,) each.

    The model is level + step/2 * erf((u - offset) / (sqrt(2) spread)), u the distance along the normal.
    """
    count = len(candidates)
    if count == 0:
        empty = np.empty(0)
        return empty, empty, empty, np.empty(0, bool), empty, empty, empty
    reach = np.arange(-window.reach, window.reach + 1)
    down, right = (axis.ravel().astype(np.intp) for axis in np.meshgrid(reach, reach, indexing="ij"))
    columns, rows = candidates[:, 0].astype(np.intp), candidates[:, 1].astype(np.intp)
    at = (rows[:, None] + down, columns[:, None] + right)
    values, valid = picture.samples[at].astype(np.float64), picture.valid[at]
    right_px, down_px = right.astype(np.float64), down.astype(np.float64)
    angle, offset = candidates[:, 2].copy(), np.zeros(count)
    spread = np.full(count, 1.2)
    u0 = right_px * np.cos(angle)[:, None] + down_px * np.sin(angle)[:, None]
    v0 = down_px * np.cos(angle)[:, None] - right_px * np.sin(angle)[:, None]
    weight = valid & (np.abs(v0) <= window.along) & (np.abs(u0) <= window.reach)
    # only samples that count are carried along: about a third of the window
    kept = np.argsort(~weight, axis=1, kind="stable")[:, : int(weight.sum(axis=1).max())]
    values, weight, u0, v0 = (np.take_along_axis(array, kept, axis=1) for array in (values, weight, u0, v0))
    noise = picture.noise[rows, columns].astype(np.float64)
    dark, bright = (_mean(values, weight & side) for side in (u0 < -2.0, u0 > 2.0))
    ok = np.isfinite(dark + bright) & (bright > dark) & (weight.sum(axis=1) > _LEAST_SAMPLES)
    state = np.stack([0.5 * (dark + bright), 0.5 * (bright - dark), offset, np.zeros(count), spread], axis=1)
    state[~ok] = (1.0, 1.0, 0.0, 0.0, 1.2)
    normal_matrix, residual = np.tile(np.eye(5), (count, 1, 1)), np.zeros_like(values)
    live = np.flatnonzero(ok)
    for number in range(_STEPS):
        state[live], normal_matrix[live], residual[live] = _one_step(
            state[live], values[live], weight[live], u0[live], v0[live]
        )
        if number == _LOOK:  # most of a scene is no lone step, and soon seen not to be
            rms = np.sqrt(np.mean(residual[live] ** 2, axis=1))
            live = live[rms < 4.0 * _MISFIT * 2.0 * np.abs(state[live, 1]) + 2.0 * noise[live]]
            ok[np.setdiff1d(np.arange(count), live)] = False
    w = weight.astype(np.float64)
    half, mean, offset, tilt, spread = state[:, 1], state[:, 0], state[:, 2], state[:, 3], state[:, 4]
    number = np.maximum(w.sum(axis=1) - 5.0, 1.0)
    rms = np.sqrt(np.sum(w * residual**2, axis=1) / number)
    step = 2.0 * half
    sample_error = np.maximum(rms, noise)
    inverse = np.linalg.inv(normal_matrix)
    error = sample_error * np.sqrt(np.maximum(inverse[:, 4, 4], 0.0))
    step_error = 2.0 * sample_error * np.sqrt(np.maximum(inverse[:, 1, 1], 0.0))
    beyond = np.sqrt(np.maximum(rms**2 - noise**2, 0.0))
    ok &= (step > _SEEN * step_error) & (step > _LEAST_CONTRAST * noise) & (beyond < _MISFIT * step)
    ok &= (np.abs(offset) < 2.0) & (np.abs(tilt) < 0.49) & (np.abs(offset) + 2.2 * spread <= window.reach)
    contrast = np.where(ok, half / np.maximum(np.maximum(mean, half), 1e-9), 0.0)
    turned = angle + tilt
    x = candidates[:, 0] + offset * np.cos(turned)
    y = candidates[:, 1] + offset * np.sin(turned)
    return spread, error, contrast, ok, x, y, turned


def _one_step(state: Array, values: Array, weight: Mask, u0: Array, v0: Array) -> tuple[Array, Array, Array]:
    """Return the parameters after a step of Gauss and Newton, the normal matrix and the residuals before it."""
    mean, half, offset, tilt, spread = (state[:, k, None] for k in range(5))
    cosine, sine = np.cos(tilt), np.sin(tilt)
    u = u0 * cosine + v0 * sine - offset
    z = u / (_ROOT_2 * spread)
    shape, slope = erf(z), 2.0 / _ROOT_PI * np.exp(-(z**2))
    residual = np.where(weight, values - mean - half * shape, 0.0)
    per_u = half * slope / (_ROOT_2 * spread)
    columns = (np.ones_like(u), shape, -per_u, per_u * (v0 * cosine - u0 * sine), -per_u * u / spread)
    jacobian = np.stack(columns, axis=2) * weight[:, :, None]
    turned = jacobian.transpose(0, 2, 1)
    matrix = turned @ jacobian
    matrix += np.eye(5) * 1e-9 * np.trace(matrix, axis1=1, axis2=2)[:, None, None]
    change = np.linalg.solve(matrix, turned @ residual[:, :, None])[..., 0]
    new = state.copy()
    new[:, :2] += change[:, :2]
    new[:, 2] += np.clip(change[:, 2], -1.0, 1.0)
    new[:, 3] = np.clip(state[:, 3] + np.clip(change[:, 3], -0.2, 0.2), -0.5, 0.5)
    wide = state[:, 4]
    new[:, 4] = np.clip(wide + np.clip(change[:, 4], -0.4 * wide, 0.6 * wide), 0.15, 2.0 * _WIDE.widest)
    return new, matrix, residual


def _mean(values: Array, weight: Mask) -> Array:
    return np.sum(values * weight, axis=1, dtype=np.float64) / np.where(weight.any(axis=1), weight.sum(axis=1), np.nan)
