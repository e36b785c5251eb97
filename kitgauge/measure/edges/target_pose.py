"""The printed target in a frame: which sheet, where, how turned and tilted, how far away, and where its edges must be.

Pose by the plane's homography and the camera's constants (Zhang, IEEE PAMI 22, 2000, section 3.1), refined on the
markers' corners; its covariance is that of the least-squares fit, from the corners' own scatter.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.target_markers import find_markers, tones
from kitgauge.measure.edges.target_sheets import (
    Distortion,
    Placed,
    distorted,
    find_placed,
    flattened,
    jacobian,
    marker_corners,
    project,
)
from kitgauge.target.layout import Design, sheet_layout

Array = NDArray[np.float64]
Matrix = tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]

_LEAST_INSIDE = 0.3  # of an edge that reaches out of the frame
_LEAST_CORNER_STDERR_PX = 0.02
_UNKNOWN_DISTORTION = 0.01  # of a lens whose distortion the markers do not tell (common practice, no source)


@dataclass(frozen=True)
class SheetSeen:
    """One sheet of the target in a frame; coordinates are frame pixels, x right, y down, centres at integers.

    `sheet` is its number (1 centre, 2 to 5 corners), `copy` counts sheets of the same number, in reading order of
    the frame's thirds.
    `homography` takes sheet mm to the frame without radial distortion; `to_frame` adds `distortion_k` (0 where it could
    not be told; `distortion` is then None, else the displacement in the frame's corners as a share, positive outward).
    `residual_px` is the root mean square deviation of the corners, per axis. `rotation_deg` is the sheet's turn in the
    frame at its middle, clockwise, -180 to 180. `tilt_x_deg` is positive where the sheet's right end (in the frame) is
    further away, `tilt_y_deg` where its lower end is; None until `pose` knows the camera.
    """

    sheet: int
    copy: int
    width_mm: float
    height_mm: float
    square_mm: int
    frame_shape: tuple[int, int]
    homography: Matrix
    positions: tuple[int, ...]
    residual_px: float
    rotation_deg: float
    px_per_mm: float
    x_px: float
    y_px: float
    distortion_k: float = 0.0
    distortion: float | None = None
    distortion_stderr: float | None = None
    tilt_x_deg: float | None = None
    tilt_x_stderr_deg: float | None = None
    tilt_y_deg: float | None = None
    tilt_y_stderr_deg: float | None = None
    distance_mm: float | None = None
    distance_stderr_mm: float | None = None

    @property
    def markers(self) -> int:
        """Number of markers seen."""
        return len(self.positions)

    @property
    def design(self) -> Design:
        """What the sheet looks like, as its markers tell."""
        return Design(self.width_mm, self.height_mm, self.square_mm)

    @property
    def name(self) -> str:
        """Name of the sheet: "sheet 2", "sheet 2 copy 2"."""
        return f"sheet {self.sheet}" if self.copy == 1 else f"sheet {self.sheet} copy {self.copy}"

    def to_frame(self, points_mm: Array) -> Array:
        """Return frame pixels (..., 2) x, y of sheet points (..., 2) [mm], distortion included."""
        flat = project(np.array(self.homography), np.asarray(points_mm, dtype=np.float64))
        return distorted(flat, self.frame_shape, self.distortion_k) if self.distortion_k else flat

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, with `markers`."""
        return {**asdict(self), "markers": self.markers}

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> SheetSeen:
        """Rebuild from `as_dict`, also after a way through JSON."""
        known = {key: value for key, value in values.items() if key != "markers"}
        known["homography"] = tuple(tuple(row) for row in known["homography"])
        known["positions"] = tuple(known["positions"])
        known["frame_shape"] = tuple(known["frame_shape"])
        known["residual_px"] = math.nan if known["residual_px"] is None else known["residual_px"]
        return cls(**known)


@dataclass(frozen=True)
class ExpectedEdge:
    """An edge as the sheet's place foretells it: end points [px] (the part inside the frame), unit normal from dark to
    bright. `place` is "sheet 2 square 3"; `side` is that of the square ON THE SHEET, whichever way the camera is held.
    """

    place: str
    side: str
    x0: float
    y0: float
    x1: float
    y1: float
    normal_x: float
    normal_y: float

    @property
    def length_px(self) -> float:
        """Length [px]."""
        return math.hypot(self.x1 - self.x0, self.y1 - self.y0)


def find_sheets(
    picture: NDArray[np.uint8] | NDArray[np.float32],
    scale_px: float,
    frame_shape: tuple[int, int] | None = None,
) -> tuple[SheetSeen, ...]:
    """Return the sheets of the target in a picture of the frame, the largest first; none is no error.

    `picture` (row, column): luminance, linear (float32) or as for viewing (uint8), reduced by blocks of `scale_px`
    frame pixels; a long side of 1500 px serves a sheet of a sixth of the frame. `frame_shape` (rows, columns) of the
    frame, default that of the picture times `scale_px`. Raises ValueError for a scale that is not positive.
    """
    if not scale_px > 0:
        raise ValueError(f"scale_px must be positive, got {scale_px}")
    if picture.ndim != 2 or min(picture.shape) < 32:
        return ()
    image = tones(picture)
    placed, distortion = find_placed(image, find_markers(image))
    shape = frame_shape or (round(picture.shape[0] * scale_px), round(picture.shape[1] * scale_px))
    sheets = [_seen(group, image.shape, scale_px, shape, distortion) for group in placed]
    return tuple(replace(sheet, copy=_copy(sheet, sheets)) for sheet in sheets)


def _copy(sheet: SheetSeen, sheets: Sequence[SheetSeen]) -> int:
    """Return which of the sheets of one number this is, by its place in thirds of the frame, row by row.

    A place stays the same from frame to frame, where the order of sheets of one size does not.
    """
    order = [_third(other) for other in sheets if other.sheet == sheet.sheet]
    return 1 + sorted(order).index(_third(sheet))


def _third(sheet: SheetSeen) -> tuple[int, int, float, float]:
    rows, columns = sheet.frame_shape
    return math.floor(3 * sheet.y_px / rows), math.floor(3 * sheet.x_px / columns), sheet.x_px, sheet.y_px


def _seen(
    group: Placed,
    picture_shape: tuple[int, ...],
    scale_px: float,
    shape: tuple[int, int],
    distortion: Distortion,
) -> SheetSeen:
    shift = 0.5 * (scale_px - 1.0)
    matrix = np.array([[scale_px, 0, shift], [0, scale_px, shift], [0, 0, 1.0]]) @ group.to_flat
    matrix /= matrix[2, 2]
    free = 8 * len(group.positions) - 8
    squares = float(np.square(group.residual).sum())
    middle = np.array([group.design.width_mm / 2, group.design.height_mm / 2])
    local = jacobian(matrix, middle)
    # the picture may lack a ragged border of the frame: its half diagonal is the unit of the distortion
    k = distortion.k * (math.hypot(*shape) / (math.hypot(*picture_shape[:2]) * scale_px)) ** 2
    x, y = distorted(project(matrix, middle), shape, k)
    rows = tuple((float(row[0]), float(row[1]), float(row[2])) for row in matrix)
    return SheetSeen(
        sheet=group.sheet,
        copy=1,
        width_mm=group.design.width_mm,
        height_mm=group.design.height_mm,
        square_mm=group.design.square_mm,
        frame_shape=shape,
        homography=(rows[0], rows[1], rows[2]),
        positions=tuple(sorted(group.positions)),
        residual_px=scale_px * math.sqrt(squares / free) if free > 0 else math.nan,
        rotation_deg=math.degrees(math.atan2(local[1, 0] - local[0, 1], local[0, 0] + local[1, 1])),
        px_per_mm=math.sqrt(abs(float(np.linalg.det(local)))),
        x_px=float(x),
        y_px=float(y),
        distortion_k=k,
        distortion=k if distortion.known else None,
        distortion_stderr=distortion.stderr if math.isfinite(distortion.stderr) else None,
    )


def pose(
    sheet: SheetSeen,
    focal_px: float,
    principal: tuple[float, float] | None = None,
    focal_mm: float | None = None,
) -> SheetSeen:
    """Return the sheet with tilts and distance, each with its standard error.

    `focal_px` is focal length / pixel pitch; `principal` (x, y) [px] where the axis meets the sensor, default the
    middle of the frame. With `focal_mm` the image distance f (1 + m) of the thin lens is used instead of f, and
    `distance_mm` is that from the lens to the sheet's middle along the axis. Raises ValueError for a focal length
    that is not positive.
    """
    if not focal_px > 0:
        raise ValueError(f"focal_px must be positive, got {focal_px}")
    if focal_mm is not None:
        focal_px *= 1.0 + sheet.px_per_mm * focal_mm / focal_px
    centre = principal or ((sheet.frame_shape[1] - 1) / 2, (sheet.frame_shape[0] - 1) / 2)
    camera = np.array([[focal_px, 0, centre[0]], [0, focal_px, centre[1]], [0, 0, 1.0]])
    flat = marker_corners(sheet.design, sheet.positions).reshape(-1, 2)
    solid = np.column_stack([flat - (sheet.width_mm / 2, sheet.height_mm / 2), np.zeros(len(flat))])
    seen = project(np.array(sheet.homography), flat)
    solved = _solved(solid, seen, camera)
    if solved is None:
        return sheet
    turn, shift = solved
    slopes = cv2.projectPoints(solid, turn, shift, camera, None)[1][:, :6]
    noise = max(sheet.residual_px if math.isfinite(sheet.residual_px) else 0.0, _LEAST_CORNER_STDERR_PX)
    try:
        covariance = noise**2 * np.linalg.inv(slopes.T @ slopes)
    except np.linalg.LinAlgError:
        return sheet
    tilts = _tilts(turn)
    derivative = np.array([(_tilts(turn + step[:, None]) - tilts) / 1e-5 for step in 1e-5 * np.eye(3)]).T
    variance = np.diag(derivative @ covariance[:3, :3] @ derivative.T)
    # what the distortion is not known to looks like a tilt: the same corners with the distortion one error larger
    spread = sheet.distortion_stderr if sheet.distortion is not None else _UNKNOWN_DISTORTION
    observed = distorted(seen, sheet.frame_shape, sheet.distortion_k)
    other = _solved(solid, flattened(observed, sheet.frame_shape, sheet.distortion_k + (spread or 0.0)), camera)
    if other is None:
        return sheet
    errors = np.sqrt(variance + np.square(_tilts(other[0]) - tilts))
    return replace(
        sheet,
        tilt_x_deg=float(tilts[0]),
        tilt_x_stderr_deg=float(errors[0]),
        tilt_y_deg=float(tilts[1]),
        tilt_y_stderr_deg=float(errors[1]),
        distance_mm=float(shift[2, 0]),
        distance_stderr_mm=math.hypot(math.sqrt(covariance[5, 5]), float(other[1][2, 0] - shift[2, 0])),
    )


def _solved(solid: Array, seen: Array, camera: Array) -> tuple[Array, Array] | None:
    """Return rotation vector and shift [mm] of flat points (point, 3) seen at (point, 2), None where there are none."""
    good, turn, shift = cv2.solvePnP(solid, seen, camera, None, flags=cv2.SOLVEPNP_IPPE)
    if not good:
        return None
    turn, shift = cv2.solvePnPRefineLM(solid, seen, camera, None, turn, shift)
    return np.asarray(turn, dtype=np.float64), np.asarray(shift, dtype=np.float64)


def _tilts(turn: Array) -> Array:
    """Return the slopes of depth to the right and downward [degrees] of a sheet turned by a rotation vector."""
    normal = cv2.Rodrigues(turn)[0][:, 2]
    return np.degrees(np.arctan2([-normal[0], -normal[1]], [normal[2], normal[2]]))


def expected_edges(sheet: SheetSeen, shape: tuple[int, int]) -> tuple[ExpectedEdge, ...]:
    """Return the sheet's edges that lie in a frame of (rows, columns) `shape`, at least three tenths of each."""
    edges = []
    for square in sheet_layout(sheet.design, sheet.sheet).squares:
        for side, ends in square.edges.items():
            (x0, y0), (x1, y1) = sheet.to_frame(np.array(ends))
            # dark lies to the right of the way along an edge, so the way's left, (dy, -dx) on the screen, is bright
            length = math.hypot(x1 - x0, y1 - y0)
            part = _inside(x0, y0, x1, y1, shape)
            if part is None or not length > 0:
                continue
            start, stop = part
            edges.append(
                ExpectedEdge(
                    f"{sheet.name} square {square.number}",
                    side,
                    float(x0 + start * (x1 - x0)),
                    float(y0 + start * (y1 - y0)),
                    float(x0 + stop * (x1 - x0)),
                    float(y0 + stop * (y1 - y0)),
                    float((y1 - y0) / length),
                    float(-(x1 - x0) / length),
                )
            )
    return tuple(edges)


def _inside(x0: float, y0: float, x1: float, y1: float, shape: tuple[int, int]) -> tuple[float, float] | None:
    """Return the part of a segment inside the frame, from 0 to 1 along it, None where too little is."""
    start, stop = 0.0, 1.0
    for a, b, size in ((x0, x1, shape[1]), (y0, y1, shape[0])):
        if a == b:
            if not 0 <= a <= size - 1:
                return None
            continue
        first, last = sorted(((0 - a) / (b - a), (size - 1 - a) / (b - a)))
        start, stop = max(start, first), min(stop, last)
    return (start, stop) if stop - start >= _LEAST_INSIDE else None
