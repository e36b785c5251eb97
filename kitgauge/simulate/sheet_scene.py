"""The printed target as a camera sees it: perspective, radial distortion, blur and uneven light, edges known exactly.

Every outline of the sheet is put through the camera (a plane through a pinhole: Hartley and Zisserman, Multiple View
Geometry, chapter 8; radial distortion of the third order), cut at the borders of the (finer) pixels, and the area it
covers of each is summed exactly (Catmull, SIGGRAPH 1978, "A hidden-surface algorithm with anti-aliasing"; the sum over
signed areas is that of scan converters for type). Blur is applied on the finer grid, then finer pixels are averaged.
An edge then lies where the camera's formulas put it to 0.01 px (on average to 0.002 px; a test measures it); for exact
transfer functions there is `chart`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kitgauge.simulate.dng import BAYER_RGGB, Pattern
from kitgauge.target.drawing import draw_sheet
from kitgauge.target.layout import Sheet

Points = NDArray[np.float64]
_CHORD_PX = 12.0  # straight pieces of a curved outline; 3 % distortion bends them by less than 0.001 px


@dataclass(frozen=True)
class PlacedSheet:
    """One sheet in front of the camera.

    Its middle lies `x_mm` right of and `y_mm` below the camera's axis at `distance_mm` from the pinhole; it is turned
    by `rotation_deg` in its own plane (clockwise as seen), then about the vertical axis so that its right side goes
    back by `tilt_x_deg`, then about the horizontal one so that its lower side goes back by `tilt_y_deg`. `ink` is the
    ink's luminance against the paper's 1.
    """

    sheet: Sheet
    distance_mm: float
    x_mm: float = 0.0
    y_mm: float = 0.0
    rotation_deg: float = 0.0
    tilt_x_deg: float = 0.0
    tilt_y_deg: float = 0.0
    ink: float = 0.25


@dataclass(frozen=True)
class PinholeCamera:
    """(rows, columns) `shape`; distance of pinhole to sensor `focal_px`.

    `distortion` is the displacement in the corners as a share of their distance from the middle, positive outward.
    `colour_scale` enlarges (R, B) against green about the middle (lateral colour).
    """

    shape: tuple[int, int]
    focal_px: float
    distortion: float = 0.0
    colour_scale: tuple[float, float] = (1.0, 1.0)


def turned(placed: PlacedSheet) -> NDArray[np.float64]:
    """Return the rotation matrix of a sheet: axes x right, y down, z away from the camera."""
    roll, right, low = (math.radians(angle) for angle in (placed.rotation_deg, placed.tilt_x_deg, placed.tilt_y_deg))
    in_plane = np.array(
        [[math.cos(roll), -math.sin(roll), 0], [math.sin(roll), math.cos(roll), 0], [0, 0, 1]], dtype=np.float64
    )
    about_y = np.array([[math.cos(right), 0, 0], [0, 1, 0], [math.sin(right), 0, 1]], dtype=np.float64)
    about_y[:, 2] = (-math.sin(right), 0, math.cos(right))
    about_x = np.array(
        [[1, 0, 0], [0, math.cos(low), -math.sin(low)], [0, math.sin(low), math.cos(low)]], dtype=np.float64
    )
    return np.asarray(about_x @ about_y @ in_plane)


def to_frame(placed: PlacedSheet, camera: PinholeCamera, points_mm: Points, scale: float = 1.0) -> Points:
    """Return frame pixels (point, 2) x, y of sheet points (point, 2) [mm]; `scale` is a colour's enlargement."""
    middle = np.array([placed.sheet.design.width_mm / 2, placed.sheet.design.height_mm / 2])
    flat = np.column_stack([np.asarray(points_mm, dtype=np.float64) - middle, np.zeros(len(points_mm))])
    seen = flat @ turned(placed).T + (placed.x_mm, placed.y_mm, placed.distance_mm)
    centred = camera.focal_px * scale * seen[:, :2] / seen[:, 2:]
    corner = math.hypot(*camera.shape) / 2
    centred *= 1.0 + camera.distortion * ((centred / corner) ** 2).sum(axis=1, keepdims=True)
    middle_px = np.array([(camera.shape[1] - 1) / 2, (camera.shape[0] - 1) / 2])
    return np.asarray(middle_px + centred)


def render_sheets(
    sheets: Sequence[PlacedSheet],
    camera: PinholeCamera,
    *,
    blur_px: float = 0.6,
    disc_px: float = 0.0,
    wall: float = 0.45,
    light_stops: float = 0.0,
    light_direction_deg: float = 30.0,
    finer: int = 2,
    scale: float = 1.0,
) -> NDArray[np.float32]:
    """Return relative light, (row, column) float32: 1 on evenly lit paper.

    `blur_px` is the standard deviation of normal blur, `disc_px` the diameter of a blur circle, `wall` the luminance
    around the sheets, `light_stops` the fall of light from one end of the frame to the other along
    `light_direction_deg`, `finer` the number of pixels rendered per pixel and axis.
    """
    rows, columns = camera.shape
    border = 2 * finer
    picture = np.full((rows * finer, columns * finer), wall, dtype=np.float32)
    for placed in sheets:
        design = placed.sheet.design
        drawing = draw_sheet(placed.sheet, ("", design.width_mm, design.height_mm), 1, placed.ink)
        paper = ((0.0, 0.0), (design.width_mm, 0.0), (design.width_mm, design.height_mm), (0.0, design.height_mm))
        for outlines, tone in [((paper,), 1.0), *((fill.outlines, fill.tone) for fill in drawing.fills)]:
            lines = [_curve(placed, camera, np.asarray(outline), finer, scale) for outline in outlines]
            _paint(picture, lines, tone)
    blurred: NDArray[Any] = cv2.copyMakeBorder(picture, border, border, border, border, cv2.BORDER_REPLICATE)
    if blur_px > 0:
        blurred = cv2.GaussianBlur(blurred, (0, 0), blur_px * finer, borderType=cv2.BORDER_REPLICATE)
    if disc_px > 0:
        blurred = cv2.filter2D(blurred, -1, _disc(disc_px * finer), borderType=cv2.BORDER_REPLICATE)
    blurred = blurred[border:-border, border:-border]
    light = cv2.resize(blurred, (columns, rows), interpolation=cv2.INTER_AREA) if finer > 1 else blurred
    return np.asarray(light * _uneven(camera.shape, light_stops, light_direction_deg), dtype=np.float32)


def render_mosaic(
    sheets: Sequence[PlacedSheet], camera: PinholeCamera, pattern: Pattern = BAYER_RGGB, **options: float
) -> NDArray[np.float32]:
    """Return relative light as `render_sheets`, each pixel of `pattern` in its own colour's place."""
    scales = {"R": camera.colour_scale[0], "G": 1.0, "B": camera.colour_scale[1]}
    if set(scales.values()) == {1.0}:
        return render_sheets(sheets, camera, **options)  # type: ignore[arg-type]
    colours = {name: render_sheets(sheets, camera, scale=scale, **options) for name, scale in scales.items()}  # type: ignore[arg-type]
    light = np.empty(camera.shape, dtype=np.float32)
    for row, names in enumerate(pattern):
        for column, name in enumerate(names):
            of_place = slice(row, None, len(pattern)), slice(column, None, len(names))
            light[of_place] = colours[name[0]][of_place]
    return light


def _uneven(shape: tuple[int, int], stops: float, direction_deg: float) -> NDArray[np.float32]:
    angle = math.radians(direction_deg)
    x = (np.arange(shape[1]) - (shape[1] - 1) / 2) * math.cos(angle)
    y = (np.arange(shape[0]) - (shape[0] - 1) / 2) * math.sin(angle)
    along = x[None, :] + y[:, None]
    span = float(along.max() - along.min()) or 1.0
    return np.asarray(2.0 ** (-stops * (along - along.min()) / span), dtype=np.float32)


def _disc(diameter: float) -> NDArray[np.float32]:
    """Return a blur circle by 9 x 9 samples per cell, sum 1."""
    half = math.ceil(diameter / 2)
    axis = (np.arange((2 * half + 1) * 9) - ((2 * half + 1) * 9 - 1) / 2) / 9
    inside = (axis[:, None] ** 2 + axis[None, :] ** 2 <= (diameter / 2) ** 2).astype(np.float32)
    cells = inside.reshape(2 * half + 1, 9, 2 * half + 1, 9).sum(axis=(1, 3))
    return np.asarray(cells / cells.sum(), dtype=np.float32)


def _curve(placed: PlacedSheet, camera: PinholeCamera, outline: Points, finer: int, scale: float) -> Points:
    """Return an outline on the finer grid, whose pixel (0, 0) covers 0 to 1 both ways; cut short if it is curved."""
    corners = to_frame(placed, camera, outline, scale)
    if camera.distortion:
        points = []
        for k, start in enumerate(outline):
            end = outline[(k + 1) % len(outline)]
            length = float(np.hypot(*(corners[(k + 1) % len(outline)] - corners[k])))
            parts = np.arange(max(1, math.ceil(length / _CHORD_PX))) / max(1, math.ceil(length / _CHORD_PX))
            points.append(start + parts[:, None] * (end - start))
        corners = to_frame(placed, camera, np.concatenate(points), scale)
    return np.asarray((corners + 0.5) * finer)


def _paint(picture: NDArray[np.float32], lines: Sequence[Points], tone: float) -> None:
    """Mix `tone` into the picture by the share of each pixel that the outlines cover."""
    every = np.concatenate(lines)
    left, top = (max(0, math.floor(value)) for value in every.min(axis=0))
    right, bottom = (
        min(size, math.ceil(value)) for size, value in zip(picture.shape[::-1], every.max(axis=0), strict=True)
    )
    if right <= left or bottom <= top:
        return
    cover = np.abs(_coverage([line - (left, top) for line in lines], (bottom - top, right - left)))
    part = picture[top:bottom, left:right]
    part += (np.float32(tone) - part) * cover


def _coverage(lines: Sequence[Points], shape: tuple[int, int]) -> NDArray[np.float32]:
    """Return the share of each pixel that closed outlines cover; parts outside the window are cut off.

    Each piece of outline within one pixel row adds its height to all pixels to its right, and to its own pixel the
    part to the right of the piece; a running sum along the row makes areas of it.
    """
    rows, columns = shape
    table = np.zeros((rows, columns + 2), dtype=np.float64)
    for line in lines:
        ends = np.roll(line, -1, axis=0)
        for (x0, y0), (x1, y1) in zip(line, ends, strict=True):
            if y0 == y1 or max(y0, y1) <= 0 or min(y0, y1) >= rows:
                continue
            cuts = [np.array([0.0, 1.0])]
            for a, b, size in ((x0, x1, columns), (y0, y1, rows)):
                if a != b:
                    first, last = sorted((a, b))
                    whole = np.arange(max(0, math.ceil(first)), min(size, math.floor(last)) + 1)
                    cuts.append((whole - a) / (b - a))
            t = np.unique(np.clip(np.concatenate(cuts), 0.0, 1.0))
            x, y = x0 + t * (x1 - x0), y0 + t * (y1 - y0)
            height, middle_x, middle_y = np.diff(y), (x[1:] + x[:-1]) / 2, (y[1:] + y[:-1]) / 2
            inside = (middle_y > 0) & (middle_y < rows)
            height, middle_x = height[inside], np.clip(middle_x[inside], 0.0, columns)
            row, column = np.floor(middle_y[inside]).astype(np.intp), np.floor(middle_x).astype(np.intp)
            right = column + 1 - middle_x
            np.add.at(table, (row, column), height * right)
            np.add.at(table, (row, column + 1), height * (1.0 - right))
    return np.cumsum(table, axis=1)[:, :columns].astype(np.float32)
