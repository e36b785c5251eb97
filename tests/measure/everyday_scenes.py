"""Everyday scenes with no target in them, blurred by known kernels and taken by a sensor with a Bayer pattern.

Nothing of the code under test is used. Scenes are drawn three times finer than the frame's pixels; a pixel averages
3 x 3 of them. Kernels are applied at the fine scale: the lens as a Gaussian, defocus as a disc, motion as a path.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

FINER = 3
BLACK_DN, WHITE_DN = 256.0, 16383.0
LENS_SIGMA_PX = 0.5  # the pixel's own area brings it to 0.58

SHARP_SCENES = ("leaves", "houses", "person", "branches")
SOFT_SCENES = ("fog", "soft-shadows", "soft-one-way", "one-way-lines")


def draw(kind: str, shape: tuple[int, int], seed: int) -> NDArray[np.float32]:
    """Return light 0.02 to 0.9 of full scale, (row, column) of fine pixels for a frame of `shape`."""
    rng = np.random.default_rng(seed)
    rows, columns = shape[0] * FINER, shape[1] * FINER
    picture = np.full((rows, columns), 0.4, np.float32)
    size = float(np.hypot(rows, columns))
    if kind == "leaves":  # discs and polygons over each other, sizes by a power law (dead leaves model)
        for _ in range(900):
            radius = size * 0.004 * (1 - rng.random()) ** (-1 / 1.7)
            middle = rng.uniform(0, 1, 2) * (columns, rows)
            _blob(picture, middle, min(radius, size / 4), rng)
    elif kind == "houses":
        _houses(picture, rng, columns, rows)
    elif kind == "person":
        _shade(picture, rng, 0.3, 0.2, size / 6)
        for _ in range(9):
            _blob(picture, rng.uniform(0.1, 0.9, 2) * (columns, rows), size * rng.uniform(0.03, 0.12), rng)
        _shade(picture, rng, 1.0, 0.12, size / 12)
    elif kind == "branches":
        _shade(picture, rng, 0.6, 0.1, size / 5)
        for _ in range(70):
            start, angle = rng.uniform(0, 1, 2) * (columns, rows), rng.uniform(0, 2 * np.pi)
            end = start + size * rng.uniform(0.1, 0.5) * np.array([np.cos(angle), np.sin(angle)])
            width = max(3, round(size * rng.uniform(0.002, 0.02)))
            _line(picture, start, end, width, rng.uniform(0.03, 0.8))
    elif kind == "fog":
        _shade(picture, rng, 0.0, 0.3, size / 30)
        _shade(picture, rng, 1.0, 0.2, size / 80)
    elif kind == "soft-shadows":  # every edge soft, each in its own way
        for _ in range(60):
            radius, spread = size * rng.uniform(0.03, 0.12), FINER * rng.uniform(1.5, 9.0)
            layer = np.zeros((round(2 * radius + 8 * spread),) * 2, np.float32)
            _blob(layer, np.array(layer.shape) / 2.0, radius, rng, tone=1.0)
            _lay(picture, cv2.GaussianBlur(layer, (0, 0), spread), rng)
    elif kind == "soft-one-way":  # upright edges sharp, lying ones soft, each in its own way (shadows, reflections)
        for _ in range(60):
            (w, h), spread = rng.uniform(0.03, 0.15, 2) * size, FINER * rng.uniform(1.0, 9.0)
            layer = np.zeros((round(h + 8 * spread), round(w + 8)), np.float32)
            layer[round(4 * spread) : round(4 * spread + h), 4 : round(w + 4)] = 1.0
            _lay(picture, cv2.GaussianBlur(layer, (0, 0), sigmaX=0.3, sigmaY=spread), rng)
    else:  # one-way-lines: reeds, fences
        _shade(picture, rng, 0.5, 0.1, size / 5)
        lean = rng.uniform(-0.15, 0.15)
        for _ in range(150):
            x, y = rng.uniform(0, columns), rng.uniform(0, rows)
            length, angle = size * rng.uniform(0.1, 0.6), np.pi / 2 + lean + rng.normal(0, 0.06)
            end = np.array([x, y]) + length * np.array([np.cos(angle), np.sin(angle)])
            _line(picture, (x, y), end, max(3, round(size * rng.uniform(0.002, 0.012))), rng.uniform(0.03, 0.8))
    return np.clip(picture, 0.02, 0.9)


def _lay(picture, layer, rng):
    """Lay a soft patch over the picture, anywhere."""
    rows, columns = picture.shape
    top, left = int(rng.integers(-layer.shape[0] // 2, rows)), int(rng.integers(-layer.shape[1] // 2, columns))
    inside = np.s_[max(top, 0) : top + layer.shape[0], max(left, 0) : left + layer.shape[1]]
    part = layer[max(-top, 0) :, max(-left, 0) :][: rows - max(top, 0), : columns - max(left, 0)]
    picture[inside] = picture[inside] * (1 - part) + part * rng.uniform(0.05, 0.8)


def _blob(picture, middle, radius, rng, tone=None):
    corners = int(rng.integers(3, 9))
    tone = rng.uniform(0.03, 0.85) if tone is None else tone
    if rng.random() < 0.5:
        axes = (max(2, round(radius)), max(2, round(radius * rng.uniform(0.4, 1.0))))
        cv2.ellipse(picture, tuple(np.rint(middle).astype(int)), axes, rng.uniform(0, 180), 0, 360, float(tone), -1)
        return
    angles = np.sort(rng.uniform(0, 2 * np.pi, corners))
    points = np.asarray(middle) + radius * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    cv2.fillPoly(picture, [np.rint(points).astype(np.int32)], float(tone))


def _line(picture, start, end, width, tone):
    ends = [tuple(int(v) for v in np.rint(point)) for point in (start, end)]
    cv2.line(picture, *ends, float(tone), width)


def _shade(picture, rng, keep, depth, width):
    coarse = rng.standard_normal((picture.shape[0] // 32 + 2, picture.shape[1] // 32 + 2)).astype(np.float32)
    smooth = cv2.GaussianBlur(coarse, (0, 0), max(width / 32, 0.8))
    smooth = cv2.resize(smooth / smooth.std(), picture.shape[::-1], interpolation=cv2.INTER_CUBIC)
    picture += (depth * smooth) if keep else (depth * smooth - picture + 0.4)


def _houses(picture, rng, columns, rows):
    turn = np.radians(rng.uniform(-6, 6))
    along, up = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])

    def box(corner, w, h, tone):
        points = [corner, corner + w * along, corner + w * along + h * up, corner + h * up]
        cv2.fillPoly(picture, [np.rint(points).astype(np.int32)], float(tone))

    for _ in range(14):
        corner = rng.uniform(-0.1, 0.9, 2) * (columns, rows)
        w, h = rng.uniform(0.15, 0.4) * columns, rng.uniform(0.2, 0.6) * rows
        box(corner, w, h, rng.uniform(0.1, 0.8))
        shade, cell = rng.uniform(0.05, 0.8), rng.uniform(60, 150)
        for x in np.arange(cell * 0.3, w - cell, cell):
            for y in np.arange(cell * 0.3, h - cell, cell * 1.3):
                box(corner + x * along + y * up, cell * 0.5, cell * 0.7, shade)


@dataclass(frozen=True)
class Blur:
    """What blurs: motion as (length [px], direction [degrees]), or a path (x, y, weight) [px], and a disc [px]."""

    motion: tuple[float, float] = (0.0, 0.0)
    path: NDArray[np.float64] | None = None
    disc_px: float = 0.0
    lens_sigma_px: float = LENS_SIGMA_PX


def path_of(blur: Blur) -> NDArray[np.float64]:
    """Return rows of x, y, weight [px]."""
    if blur.path is not None:
        return blur.path
    length, direction = blur.motion
    along = np.linspace(-0.5, 0.5, max(2, int(length * 8))) * length
    angle = np.radians(direction)
    return np.stack([along * np.cos(angle), along * np.sin(angle), np.full(along.shape, 1.0 / along.size)])


def _kernel(path: NDArray[np.float64], disc_px: float) -> NDArray[np.float32] | None:
    x, y, weight = path
    x, y = (x - weight @ x) * FINER, (y - weight @ y) * FINER
    radius = disc_px * FINER / 2
    reach = int(np.ceil(max(np.abs(x).max(), np.abs(y).max()) + 2))
    if reach <= 2 and radius < 0.5:
        return None
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1), np.float32)
    for dx, dy, w in zip(x, y, weight, strict=True):  # shared between the four nearest
        column, row = int(np.floor(dx)), int(np.floor(dy))
        fx, fy = dx - column, dy - row
        for right, down in ((0, 0), (1, 0), (0, 1), (1, 1)):
            share = (fx if right else 1 - fx) * (fy if down else 1 - fy)
            kernel[row + down + reach, column + right + reach] += w * share
    if radius >= 0.5:
        half = int(np.ceil(radius)) + 1
        fine = np.arange(-half * 4 - 1.5, half * 4 + 2) / 4.0
        inside = (np.hypot(fine[:, None], fine[None, :]) <= radius).astype(np.float32)
        disc = inside.reshape(inside.shape[0] // 4, 4, inside.shape[1] // 4, 4).mean(axis=(1, 3))
        kernel = cv2.filter2D(cv2.copyMakeBorder(kernel, *[half + 1] * 4, cv2.BORDER_CONSTANT), -1, disc / disc.sum())
    return kernel / kernel.sum()


def blurred(fine: NDArray[np.float32], blur: Blur) -> NDArray[np.float32]:
    """Return the light on the frame's pixels."""
    kernel = _kernel(path_of(blur), blur.disc_px)
    if kernel is not None:
        fine = cv2.filter2D(fine, -1, kernel[::-1, ::-1], borderType=cv2.BORDER_REFLECT)
    fine = cv2.GaussianBlur(fine, (0, 0), blur.lens_sigma_px * FINER)
    rows, columns = fine.shape[0] // FINER, fine.shape[1] // FINER
    return cv2.resize(fine, (columns, rows), interpolation=cv2.INTER_AREA)


def sensor(
    light: NDArray[np.float32], seed: int, *, level: float = 1.0, full_well_e: float = 20_000.0, read_e: float = 3.0
) -> NDArray[np.uint16]:
    """Return samples [DN] with photon noise, read noise and rounding; `light` 1 is the full well at `level` 1."""
    rng = np.random.default_rng(seed)
    electrons = rng.poisson(np.clip(light, 0, None) * level * full_well_e) + rng.normal(0, read_e, light.shape)
    gain = (WHITE_DN - BLACK_DN) / full_well_e
    return np.clip(np.rint(electrons * gain + BLACK_DN), 0, WHITE_DN).astype(np.uint16)


def green(shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Return where the samples of a Bayer pattern are green."""
    rows, columns = np.indices(shape)
    return np.asarray((rows + columns) % 2 == 1)


def covariance(path: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the covariance [px^2] of x and y over a path."""
    x, y, weight = path
    x, y = x - weight @ x, y - weight @ y
    return np.array([[weight @ (x * x), weight @ (x * y)], [weight @ (x * y), weight @ (y * y)]])
