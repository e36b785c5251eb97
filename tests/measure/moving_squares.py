"""Test scenes with known motion: dark squares on bright ground, exact path integration, nothing of the
package.

A square blurred by a Gaussian is the product of two differences of the normal distribution function in the
square's own axes; motion is the mean of that over the points of a path, so the only approximation is the
number of points.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]

KINDS = ("drift", "sine", "curve", "tremor", "jerk")


def motion_path(kind: str, streak_px: float, direction_rad: float, points: int = 4001) -> Array:
    """Return (2, point) positions x, y [px] at even times, with sqrt(12 trace C) = `streak_px`.

    `direction_rad` turns the path from +x towards +y; only the straight kinds keep it as their principal
    axis.
    """
    t = np.linspace(0.0, 1.0, points)
    shapes = {
        "drift": (t, 0.0 * t),
        "sine": (np.sin(2.0 * np.pi * t), 0.0 * t),
        "curve": (t**2, t * (1.0 - t)),
        "tremor": (t + 0.3 * np.sin(2.0 * np.pi * 3.3 * t), 0.4 * np.cos(2.0 * np.pi * 2.2 * t)),
        "jerk": (np.where(t < 0.8, 0.05 * t, 0.04 + 5.0 * (t - 0.8)), 0.0 * t),
        "jump": (np.clip((t - 0.62) / 0.03, 0.0, 1.0), 0.0 * t),
        "arc": (np.cos(2.5 * t), np.sin(2.5 * t)),
        "still": (0.0 * t, 0.0 * t),
    }
    path = np.stack(shapes[kind])
    c, s = np.cos(direction_rad), np.sin(direction_rad)
    path = np.array([[c, -s], [s, c]]) @ path
    trace = float(np.var(path[0]) + np.var(path[1]))
    return path if trace == 0.0 else path * (streak_px / np.sqrt(12.0 * trace))


@dataclass(frozen=True)
class Square:
    x: float
    y: float
    side: float
    tilt_rad: float


def squares(tilt_deg: float = 5.0, side: float = 170.0, rows: int = 760, columns: int = 1000) -> list[Square]:
    """Return five tilted squares, in the corners and the middle of the frame."""
    places = ((0.2, 0.26), (0.8, 0.26), (0.5, 0.5), (0.2, 0.74), (0.8, 0.74))
    tilts = (0.0, 1.5, -1.0, 0.7, -1.8)
    return [
        Square(columns * x, rows * y, side, np.radians(tilt_deg + more))
        for (x, y), more in zip(places, tilts, strict=True)
    ]


def render(
    scene: list[Square],
    path: Array,
    shape: tuple[int, int] = (760, 1000),
    shift: tuple[float, float] = (0.0, 0.0),
    turn_rad: float = 0.0,
    dark: float = 300.0,
    bright: float = 3000.0,
    sigma: float = 0.75,
    points: int = 160,
) -> NDArray[np.float32]:
    """Return (row, column) the mean over `path` (2, n) of the scene, shifted by (x, y) px and turned about
    the middle."""
    rows, columns = shape
    share = np.zeros(shape)
    middle = np.array([0.5 * (columns - 1), 0.5 * (rows - 1)])
    turn = np.array([[np.cos(turn_rad), -np.sin(turn_rad)], [np.sin(turn_rad), np.cos(turn_rad)]])
    still = float(np.ptp(path)) == 0.0
    # the middles of `points` equal parts of the exposure, the path between its points straight
    at = (np.arange(points) + 0.5) / points
    even = np.linspace(0.0, 1.0, path.shape[1])
    steps = path[:, :1] if still else np.stack([np.interp(at, even, part) for part in path])
    steps = steps - path.mean(axis=1, keepdims=True)
    for square in scene:
        centre = middle + turn @ (np.array([square.x, square.y]) - middle) + np.array(shift)
        reach = 0.75 * square.side + float(np.abs(steps).max()) + 8.0 * sigma
        x0, x1 = max(0, int(centre[0] - reach)), min(columns, int(centre[0] + reach) + 1)
        y0, y1 = max(0, int(centre[1] - reach)), min(rows, int(centre[1] + reach) + 1)
        if x1 <= x0 or y1 <= y0:
            continue
        dx, dy = np.arange(x0, x1) - centre[0], (np.arange(y0, y1) - centre[1])[:, None]
        angle = square.tilt_rad + turn_rad
        u, v = dx * np.cos(angle) + dy * np.sin(angle), -dx * np.sin(angle) + dy * np.cos(angle)
        pu = steps[0] * np.cos(angle) + steps[1] * np.sin(angle)
        pv = -steps[0] * np.sin(angle) + steps[1] * np.cos(angle)
        grid = np.linspace(-8.0, 8.0, 3201)
        table = ndtr(grid)

        def step(z: Array, grid: Array = grid, table: Array = table) -> Array:
            return np.interp(z / sigma, grid, table)

        half = 0.5 * square.side
        for a, b in zip(pu, pv, strict=True):
            share[y0:y1, x0:x1] += (
                (step(u - a + half) - step(u - a - half)) * (step(v - b + half) - step(v - b - half)) / steps.shape[1]
            )
    return (bright - (bright - dark) * share).astype(np.float32)


def noisy(signal: NDArray[np.float32], snr_middle: float, rng: np.random.Generator) -> NDArray[np.float32]:
    """Return the picture with photon noise of signal-to-noise ratio `snr_middle` at half its brightest
    level."""
    middle = 0.5 * float(signal.max())
    sigma = np.sqrt(np.maximum(signal, 1.0) / middle) * middle / snr_middle
    return (signal + sigma * rng.standard_normal(signal.shape)).astype(np.float32)


def green(shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Return the green samples of a 2 x 2 pattern."""
    rows, columns = np.indices(shape)
    return (rows + columns) % 2 == 1
