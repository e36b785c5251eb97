"""Render tilted dark squares through lens, motion and pixel, without supersampling.

A square's Fourier transform is known in closed form (a product of two sinc functions in its own axes), and so
are the transfer functions of diffraction, pixel and normal blur. On a periodic cell the picture is therefore
a Fourier series whose coefficients are exact; sampling it once per pixel folds the coefficients beyond the
sampling frequency back (Goodman, Introduction to Fourier Optics, chapter 2, sampling theory). The series is
cut where the transfer function has fallen under `_NEGLIGIBLE`; with single-precision arithmetic a sample's
error is a few millionths of the contrast (the tests compare with a finer cut and with closed-form edges).

A cell's picture is that of an endless regular grid of its square. Where all cells hold the same square, as in
`grid_chart`, this is the real scene, whatever the length of the blur. Around an isolated square, the
diffraction tails of neighbours that are not there stay in: d pixels from an edge the tail is (2/pi^3) lambda
N/(pitch d) of the contrast (from the slope of Goodman's MTF at zero), below 0.2 % from 70 pixels at f/22 on 6
um.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from kitgauge.simulate.chart_series import (
    Frequencies,
    SampledPath,
    frequencies_of,
    motion_transfer,
    rolled_square,
    square_transform,
)
from kitgauge.simulate.dng import Pattern
from kitgauge.simulate.lens import Lens, defocused_mtf, diffraction_mtf

_NEGLIGIBLE = 1e-5


@dataclass(frozen=True)
class Square:
    """A dark square: centre [px], side [px] and tilt [degrees] of its sides against the pixel rows."""

    x_px: float
    y_px: float
    side_px: float
    tilt_deg: float


@dataclass(frozen=True)
class Chart:
    """A target filling the frame of (rows, columns) `shape`, of luminance ratio `contrast`.

    `cell` (rows, columns) [px] is what is rendered around each square. Cells that tile the frame make a grid
    without end; those of an `isolated` square are made larger where blur or framing need it.
    """

    shape: tuple[int, int]
    cell: tuple[int, int]
    squares: tuple[Square, ...]
    contrast: float = 4.0
    isolated: bool = False


@dataclass(frozen=True)
class Pose:
    """Where the target lies: shift [px] from its place, rotation [degrees] about the frame's middle."""

    x_px: float = 0.0
    y_px: float = 0.0
    rotation_deg: float = 0.0


def grid_chart(
    shape: tuple[int, int],
    cells: tuple[int, int] = (3, 5),
    *,
    side_px: float = 168.0,
    tilt_deg: float = 5.0,
    contrast: float = 4.0,
) -> Chart:
    """Return a chart of (rows, columns) cells, a square in each; ValueError if they do not fit."""
    cell = _cell_size(shape, cells)
    if side_px * math.sqrt(2.0) >= min(cell):
        raise ValueError(f"squares of {side_px} px do not fit into cells of {cell} px")
    squares = tuple(
        _square_in_cell(cell, row, column, side_px, tilt_deg) for row in range(cells[0]) for column in range(cells[1])
    )
    return Chart(shape, cell, squares, contrast)


def group_chart(
    shape: tuple[int, int],
    cells: tuple[int, int] = (5, 5),
    *,
    side_px: float = 240.0,
    tilt_deg: float = 5.0,
    contrast: float = 4.0,
) -> Chart:
    """Return a chart with isolated squares in the middle, at the sides and in the corners of a grid of equal
    cells.

    Rendering takes as long as its squares, not as the frame: for large frames.
    """
    cell = _cell_size(shape, cells)
    rows, columns = ({0, count // 2, count - 1} for count in cells)
    squares = tuple(
        _square_in_cell(cell, row, column, side_px, tilt_deg) for row in sorted(rows) for column in sorted(columns)
    )
    extent = 2 * math.ceil(side_px)
    return Chart(shape, (extent, extent), squares, contrast, isolated=True)


def _cell_size(shape: tuple[int, int], cells: tuple[int, int]) -> tuple[int, int]:
    if shape[0] % cells[0] or shape[1] % cells[1]:
        raise ValueError(f"a frame of {shape} does not divide into {cells} cells of whole pixels")
    return shape[0] // cells[0], shape[1] // cells[1]


def _square_in_cell(cell: tuple[int, int], row: int, column: int, side_px: float, tilt_deg: float) -> Square:
    """Return the square of a cell; neighbours are tilted opposite ways, so that a motion's direction can be told."""
    tilt = tilt_deg if (row + column) % 2 == 0 else -tilt_deg
    return Square((column + 0.5) * cell[1] - 0.5, (row + 0.5) * cell[0] - 0.5, side_px, tilt)


def _cell_for(chart: Chart, pose: Pose, path: SampledPath | None) -> tuple[int, int]:
    """Return the cell size to render: an isolated square must not reach round to its cell's other side."""
    if not chart.isolated:
        return chart.cell
    turn = math.radians(abs(pose.rotation_deg)) * math.hypot(*chart.shape) / 2
    side = max(square.side_px for square in chart.squares)
    reach_x, reach_y = turn + abs(pose.x_px), turn + abs(pose.y_px)
    if path is not None:
        roll = 0.0 if path.roll_rad is None else float(np.abs(path.roll_rad).max()) * math.hypot(*chart.shape) / 2
        reach_x += float(np.abs(path.x_px).max()) + roll
        reach_y += float(np.abs(path.y_px).max()) + roll
    # in steps of 64, which transforms do quickly
    needed = [math.ceil((1.2 * side + 80.0 + 2.0 * reach) / 64.0) * 64 for reach in (reach_y, reach_x)]
    return max(chart.cell[0], needed[0]), max(chart.cell[1], needed[1])


def position_in_frame(square: Square, shape: tuple[int, int]) -> tuple[float, float]:
    """Return (x, y) of the square's centre, -1..1 from left to right and top to bottom."""
    return 2.0 * (square.x_px + 0.5) / shape[1] - 1.0, 2.0 * (square.y_px + 0.5) / shape[0] - 1.0


def _highest_frequency(lens: Lens, f_number: float, pitch_um: float, chart: Chart) -> float:
    """Return the frequency [cycles/pixel] above which no square's transfer function exceeds `_NEGLIGIBLE`."""
    highest = 0.0
    for colour in ("R", "G", "B"):
        sigma_px = min(
            lens.aberration_sigma_um(f_number, *position_in_frame(square, chart.shape), colour) / pitch_um
            for square in chart.squares
        )
        by_blur = math.sqrt(-math.log(_NEGLIGIBLE) / 2.0) / (math.pi * sigma_px) if sigma_px > 0 else math.inf
        highest = max(highest, min(by_blur, lens.cutoff_cy_per_px(f_number, pitch_um, colour)))
    return highest


@lru_cache(maxsize=4)
def _cached_square_transform(
    cell: tuple[int, int], highest: float, side_px: float, tilt_deg: float
) -> NDArray[np.float32]:
    return square_transform(frequencies_of(cell, highest), side_px, tilt_deg)


@lru_cache(maxsize=6)
def _sharp_transfer(cell: tuple[int, int], highest: float, cutoff: float) -> NDArray[np.float32]:
    """Return diffraction x pixel on a cell's frequencies, twice where a column stands for two."""
    frequencies = frequencies_of(cell, highest)
    y, x = frequencies.y_cy_per_px[:, None], frequencies.x_cy_per_px[None, :]
    transfer = diffraction_mtf(np.hypot(x, y), cutoff) * np.sinc(x) * np.sinc(y)
    transfer[:, 1:] *= 2.0
    return transfer.astype(np.float32)


@lru_cache(maxsize=6)
def _defocused_transfer(cell: tuple[int, int], highest: float, cutoff: float, disc_px: float) -> NDArray[np.float32]:
    """Return `_sharp_transfer` out of focus by a blur disc; along the radius it is tabulated, 1e-5 fine."""
    frequencies = frequencies_of(cell, highest)
    y, x = frequencies.y_cy_per_px[:, None], frequencies.x_cy_per_px[None, :]
    radius = np.hypot(x, y)
    table = np.linspace(0.0, float(radius.max()), 4000)
    transfer = np.interp(radius, table, defocused_mtf(table, cutoff, disc_px)) * np.sinc(x) * np.sinc(y)
    transfer[:, 1:] *= 2.0
    return transfer.astype(np.float32)


def _chunks(first: int, last: int, period: int) -> Iterator[tuple[slice, slice]]:
    """Yield (slice of the series, slice of one period) for frequencies first..last folded to 0..period-1."""
    start = first
    while start <= last:
        stop = min(last + 1, (start // period + 1) * period)
        yield slice(start - first, stop - first), slice(start % period, start % period + stop - start)
        start = stop


def _sampled(series: NDArray[np.complex64], frequencies: Frequencies) -> NDArray[np.float32]:
    """Return the series' value at the pixels of the cell, (row, column)."""
    rows, columns = frequencies.cell
    folded = np.zeros(frequencies.cell, dtype=np.complex64)
    for from_rows, to_rows in _chunks(int(frequencies.rows[0]), int(frequencies.rows[-1]), rows):
        for from_columns, to_columns in _chunks(0, int(frequencies.columns[-1]), columns):
            folded[to_rows, to_columns] += series[from_rows, from_columns]
    return np.fft.ifft2(folded).real.astype(np.float32)


def _moved(square: Square, pose: Pose, shape: tuple[int, int]) -> Square:
    """Return the square where the pose puts it."""
    angle = math.radians(pose.rotation_deg)
    x, y = square.x_px - (shape[1] - 1) / 2, square.y_px - (shape[0] - 1) / 2
    return replace(
        square,
        x_px=(shape[1] - 1) / 2 + x * math.cos(angle) - y * math.sin(angle) + pose.x_px,
        y_px=(shape[0] - 1) / 2 + x * math.sin(angle) + y * math.cos(angle) + pose.y_px,
        tilt_deg=square.tilt_deg + pose.rotation_deg,
    )


def _lateral_shift_px(lens: Lens, x: float, y: float, shape: tuple[int, int], colour: str) -> tuple[float, float]:
    """Return a colour's displacement (x, y) [px] at place x, y; it grows linearly from the centre."""
    corner_px = math.hypot(*shape) / 2.0
    scale = lens.lateral_colour_px[colour] / corner_px
    return scale * x * shape[1] / 2.0, scale * y * shape[0] / 2.0


def render(
    chart: Chart,
    pattern: Pattern,
    lens: Lens,
    f_number: float,
    pitch_um: float,
    *,
    pose: Pose | None = None,
    path: SampledPath | None = None,
    sensor_um: float = 0.0,
) -> NDArray[np.float32]:
    """Return relative light per pixel, (row, column) float32: 1 on the ground, 1/contrast inside the squares.

    Each pixel is rendered in its own colour. `f_number` is exact. The transfer function is that at the
    square's nominal centre, over its whole cell. `path` moves the picture during the exposure; None holds it
    still. `sensor_um` is where the sensor lies along the axis, towards the scene positive.
    """
    pose = pose or Pose()
    cell = _cell_for(chart, pose, path)
    highest = _highest_frequency(lens, f_number, pitch_um, chart)
    frequencies = frequencies_of(cell, highest)
    rolls = path is not None and path.roll_rad is not None
    motion = None if path is None or rolls else motion_transfer(frequencies, path)
    rolled: dict[Square, NDArray[np.complex64]] = {}
    depth = np.float32(1.0 - 1.0 / chart.contrast)
    light = np.ones(chart.shape, dtype=np.float32)
    for colour, places in _colour_places(pattern).items():
        cutoff = lens.cutoff_cy_per_px(f_number, pitch_um, colour)
        shared: dict[tuple[float, ...], NDArray[np.complex64] | NDArray[np.float32]] = {}
        for nominal in chart.squares:
            square = _moved(nominal, pose, chart.shape)
            x, y = position_in_frame(nominal, chart.shape)
            disc_px = round(lens.disc_px(f_number, pitch_um, x, y, colour, sensor_um), 4)
            key = (square.side_px, square.tilt_deg, disc_px, *((square.x_px, square.y_px) if rolls else ()))
            if key not in shared:
                sharp = (
                    _defocused_transfer(cell, highest, cutoff, disc_px)
                    if disc_px > 0
                    else _sharp_transfer(cell, highest, cutoff)
                )
                if path is not None and rolls:
                    if square not in rolled:
                        own = path.at(square.x_px - (chart.shape[1] - 1) / 2, square.y_px - (chart.shape[0] - 1) / 2)
                        rolled[square] = rolled_square(frequencies, square.side_px, square.tilt_deg, own)
                    shared[key] = rolled[square] * sharp
                else:
                    transform = _cached_square_transform(cell, highest, square.side_px, square.tilt_deg) * sharp
                    shared[key] = transform if motion is None else transform * motion
            dx, dy = _lateral_shift_px(lens, x, y, chart.shape, colour)
            top = round(nominal.y_px + 0.5 - cell[0] / 2)
            left = round(nominal.x_px + 0.5 - cell[1] / 2)
            sigma_px = lens.aberration_sigma_um(f_number, x, y, colour) / pitch_um
            rows = _shifted_blur(frequencies.y_cy_per_px, square.y_px - top + dy, sigma_px)
            columns = _shifted_blur(frequencies.x_cy_per_px, square.x_px - left + dx, sigma_px)
            series = shared[key] * rows[:, None]
            series *= columns[None, :]
            _darken(light, depth * _sampled(series, frequencies), (top, left), pattern, places)
    return light


def _darken(
    light: NDArray[np.float32],
    patch: NDArray[np.float32],
    corner: tuple[int, int],
    pattern: Pattern,
    places: list[tuple[int, int]],
) -> None:
    """Subtract a patch from those pixels of the frame that have the pattern positions `places`.

    Patches may overlap (light adds up) and reach out of the frame.
    """
    top, left = corner
    first_row, first_column = max(top, 0), max(left, 0)
    target = light[first_row : max(top + patch.shape[0], 0), first_column : max(left + patch.shape[1], 0)]
    source = patch[first_row - top :, first_column - left :][: target.shape[0], : target.shape[1]]
    step_rows, step_columns = len(pattern), len(pattern[0])
    for row, column in places:
        of_place = (
            slice((row - first_row) % step_rows, None, step_rows),
            slice((column - first_column) % step_columns, None, step_columns),
        )
        target[of_place] -= source[of_place]


def _shifted_blur(frequency: NDArray[np.float64], shift_px: float, sigma_px: float) -> NDArray[np.complex64]:
    """Return one axis' factor of normal blur and displacement (both separate into rows and columns)."""
    exponent = -2.0 * (np.pi * sigma_px * frequency) ** 2 - 2j * np.pi * frequency * shift_px
    return np.exp(exponent).astype(np.complex64)


def _colour_places(pattern: Pattern) -> dict[str, list[tuple[int, int]]]:
    """Return the pattern positions of each colour, both greens as one."""
    places: dict[str, list[tuple[int, int]]] = {}
    for row, names in enumerate(pattern):
        for column, name in enumerate(names):
            places.setdefault(name[0], []).append((row, column))
    return places
