"""Simulated scenes without a target: textures of several kinds, moved, blurred and taken by a sensor, with known truth.

Nothing of the code under test is used. Blur is exact: the picture's spectrum times the characteristic function of the
path, sum of w exp(-2 pi i f p). Frames are cut out of a larger picture, so that content moves in over the border.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from kitgauge.measure.blur.scene_tiles import SceneFrame

BAYER = np.array([[False, True], [True, False]])
BORDER = 90
BLACK_DN, WHITE_DN = 256.0, 16383.0
SCENES = ("cloud", "leaves", "text", "buildings")


def texture(kind: str, shape: tuple[int, int], seed: int) -> NDArray[np.float32]:
    """Return a picture of light 0.03 to 0.9 of full scale, (row, column)."""
    rng = np.random.default_rng(seed)
    rows, columns = shape
    picture = np.full(shape, 0.5, np.float32)
    if kind == "cloud":  # amplitude 1/f, the mean of natural scenes (Field, JOSA A 4, 1987, from memory)
        fy, fx = np.meshgrid(np.fft.fftfreq(rows), np.fft.rfftfreq(columns), indexing="ij")
        size = np.hypot(fy, fx)
        size[0, 0] = np.inf
        noise = np.fft.irfft2(np.fft.rfft2(rng.standard_normal(shape)) / size, s=shape)
        picture = (0.4 + 0.13 * noise / np.std(noise)).astype(np.float32)
    elif kind == "leaves":
        for _ in range(rows * columns // 500):
            middle = (int(rng.integers(0, columns)), int(rng.integers(0, rows)))
            axes = tuple(int(a) for a in rng.exponential(9.0, 2) + 2)
            cv2.ellipse(picture, middle, axes, rng.uniform(0, 180), 0, 360, rng.uniform(0.05, 0.8), -1, cv2.LINE_AA)
    elif kind == "text":
        page = np.full(shape, 204, np.uint8)
        for row in range(12, rows, 20):
            line = "".join(rng.choice(list("abcdefghiklmnoprstuvwz    ,.")) for _ in range(columns // 9))
            cv2.putText(page, line, (4, row), cv2.FONT_HERSHEY_SIMPLEX, 0.5, 15, 1, cv2.LINE_AA)
        picture = page.astype(np.float32) / 255.0
    elif kind == "blinds":  # edges of one direction, hardly any detail besides
        slope = np.arange(rows)[:, None] + 0.09 * np.arange(columns)[None, :]
        picture = np.where((slope // 90).astype(int) % 2 == 0, 0.1, 0.7).astype(np.float32)
    elif kind == "wall":
        picture = np.full(shape, 0.4, np.float32)
    else:
        for _ in range(60):
            x, y = int(rng.integers(0, columns)), int(rng.integers(0, rows))
            w, h = int(rng.integers(60, 300)), int(rng.integers(80, 400))
            cv2.rectangle(picture, (x, y), (x + w, y + h), rng.uniform(0.15, 0.8), -1)
            shade = rng.uniform(0.05, 0.8)
            for wx in range(x + 8, x + w - 12, 22):
                for wy in range(y + 8, y + h - 16, 28):
                    cv2.rectangle(picture, (wx, wy), (wx + 9, wy + 14), shade, -1)
    return np.clip(picture, 0.03, 0.9)


def uniform(length_px: float, angle_deg: float) -> NDArray[np.float64]:
    """Return straight uniform motion as rows of x, y, weight."""
    nodes, weight = np.polynomial.legendre.leggauss(max(24, int(4 * length_px)))
    angle = np.radians(angle_deg)
    along = nodes / 2.0 * length_px
    return np.stack([along * np.cos(angle), along * np.sin(angle), weight / 2.0])


def true_covariance(path: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the covariance [px^2] of x and y over the path, (2, 2)."""
    x, y, weight = path
    x, y = x - weight @ x, y - weight @ y
    return np.array([[weight @ (x * x), weight @ (x * y)], [weight @ (x * y), weight @ (y * y)]])


def true_streak(path: NDArray[np.float64]) -> float:
    """Return sqrt(12 trace) [px]."""
    return float(np.sqrt(12.0 * np.trace(true_covariance(path))))


def _gaussian(shape: tuple[int, int], sigma_px: float) -> NDArray[np.float64]:
    fy, fx = np.fft.fftfreq(shape[0]), np.fft.rfftfreq(shape[1])
    return np.exp(-2.0 * np.pi**2 * sigma_px**2 * (fy[:, None] ** 2 + fx[None, :] ** 2))


@dataclass(frozen=True)
class Taken:
    """How a frame is taken: shift (x, y) [px], turn [degrees], scale, level and SNR of mid-grey (0.18 of white)."""

    shift_px: tuple[float, float] = (0.0, 0.0)
    turn_deg: float = 0.0
    scale: float = 1.0
    level: float = 1.0
    snr: float = 60.0
    light_slope: float = 0.0
    seed: int = 0


def take(
    scene: NDArray[np.float32], path: NDArray[np.float64] | None, how: Taken, pattern: NDArray[np.bool_] = BAYER
) -> SceneFrame:
    """Return the frame of a scene that is `BORDER` larger on each side; the lens has a Gaussian of 0.65 px."""
    rows, columns = scene.shape
    if how.turn_deg or how.scale != 1.0:
        angle, middle = np.radians(how.turn_deg), (np.array(scene.shape) - 1.0) / 2.0
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]) / how.scale
        fine = np.fft.irfft2(np.fft.rfft2(scene) * _gaussian(scene.shape, 0.5), s=scene.shape).astype(np.float32)
        scene = ndimage.affine_transform(fine, turn, middle - turn @ middle, order=5, mode="mirror")
        rest = np.sqrt(0.65**2 - 0.5**2)
    else:
        rest = 0.65
    fy, fx = np.fft.fftfreq(rows), np.fft.rfftfreq(columns)
    transfer = _gaussian(scene.shape, rest).astype(np.complex128)
    x, y, weight = np.zeros((3, 1)) + np.array([[0], [0], [1]]) if path is None else path
    x, y = x + how.shift_px[0], y + how.shift_px[1]
    left = np.exp(-2j * np.pi * fy[:, None] * y[None, :]) * weight
    transfer *= left @ np.exp(-2j * np.pi * x[:, None] * fx[None, :])
    light = np.fft.irfft2(np.fft.rfft2(scene) * transfer, s=scene.shape)[BORDER:-BORDER, BORDER:-BORDER]
    light = np.clip(light, 0.0, None) * (1.0 + how.light_slope * np.linspace(-0.5, 0.5, light.shape[1])[None, :])
    span = WHITE_DN - BLACK_DN
    mid = 0.18 * span
    # half of the variance at mid-grey from light, half from the sensor
    variance = (mid / how.snr) ** 2
    signal = light * how.level * span
    rng = np.random.default_rng(how.seed)
    noise = np.sqrt(0.5 * variance * (signal / mid) + 0.5 * variance) * rng.standard_normal(light.shape)
    samples = np.clip(np.rint(signal + noise + BLACK_DN), 0, WHITE_DN).astype(np.uint16)
    # red and blue are other pictures to a measurement of green
    mask = np.tile(pattern, (-(-light.shape[0] // pattern.shape[0]), -(-light.shape[1] // pattern.shape[1])))
    samples = np.where(mask[: light.shape[0], : light.shape[1]], samples, (samples * 0.6).astype(np.uint16))
    return SceneFrame(samples, pattern, np.full(pattern.shape, BLACK_DN), WHITE_DN)
