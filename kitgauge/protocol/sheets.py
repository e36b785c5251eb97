"""Which sheets of the printed target a lens and a sensor need, and where they go on the wall."""

from __future__ import annotations

import math
from dataclasses import dataclass

from kitgauge.protocol.camera_range import FULL_FRAME_DIAGONAL_MM, CameraRange
from kitgauge.protocol.model import Target
from kitgauge.target.layout import Design, design_for, paper_size

# what is printed at home, and what a shop prints; the smallest that serves is advised
_PAPERS = ("a4", "a3", "600x400mm", "900x600mm", "1200x800mm", "1800x1200mm")
_FILLS_FRAME = 0.75  # share of the frame's width from which one sheet serves alone
_BORDER = 0.03  # of the frame, left free outside the corner sheets


@dataclass(frozen=True)
class SheetPlan:
    """Paper, number of sheets and their places, for the nearest distance that serves.

    `spacing_mm` (x, y) are the distances from the middle of the middle sheet to those of the corner sheets, None for
    one sheet and where the sensor's size is not known. `edge_px` is the length of an edge in the frame, None where the
    pitch is unknown.
    """

    paper: str
    design: Design
    sheets: int
    edge_px: float | None
    spacing_mm: tuple[float, float] | None
    text: str

    @property
    def command(self) -> str:
        """The command that writes these sheets."""
        several = f" --sheets {self.sheets}" if self.sheets > 1 else ""
        return f"kitgauge target --paper {self.paper}{several}"


def sensor_size_mm(camera: CameraRange) -> tuple[float, float] | None:
    """Return width and height of the picture on the sensor [mm]; None where nothing tells.

    From pitch and frame size, else from the two focal lengths, for the shape 3:2 (the equivalent keeps the diagonal).
    """
    if camera.sensor_mm is not None:
        return camera.sensor_mm
    if camera.focal_mm is None or camera.focal_35mm is None:
        return None
    diagonal = FULL_FRAME_DIAGONAL_MM * camera.focal_mm / camera.focal_35mm
    return diagonal * 3 / math.sqrt(13), diagonal * 2 / math.sqrt(13)


def sheet_plan(target: Target, camera: CameraRange, focal_lengths: float) -> SheetPlan:
    """Return the sheets for a target at `focal_lengths` (> 1) from the lens."""
    magnification = 1.0 / (focal_lengths - 1.0)  # m = f / (s - f)
    px_per_mm = None if camera.pitch_um is None else 1000.0 * magnification / camera.pitch_um
    paper, design = _paper_for(target.edge_px_at_least, px_per_mm)
    edge_px = None if px_per_mm is None else design.square_mm * px_per_mm
    sensor = sensor_size_mm(camera)
    frame = None if sensor is None else (sensor[0] / magnification, sensor[1] / magnification)
    sheets = target.sheets or 1
    spacing = None
    if sheets > 1 and frame is not None:
        spacing = _spacing(design, frame)
        if spacing is None:
            sheets = 1
    return SheetPlan(paper, design, sheets, edge_px, spacing, _text(paper, design, sheets, edge_px, spacing, frame))


def _paper_for(edge_px_at_least: float, px_per_mm: float | None) -> tuple[str, Design]:
    """Return the smallest paper whose ordinary square makes edges long enough, the largest where none does."""
    designs = [(paper, design_for(*paper_size(paper)[1:])) for paper in _PAPERS]
    if px_per_mm is None:
        return designs[0]
    for paper, design in designs:
        if design.square_mm * px_per_mm >= edge_px_at_least:
            return paper, design
    return designs[-1]


def _spacing(design: Design, frame: tuple[float, float]) -> tuple[float, float] | None:
    """Return how far the corner sheets' middles lie from the frame's, None where one sheet fills the frame."""
    x, y = (size * (0.5 - _BORDER) - sheet / 2 for size, sheet in zip(frame, _size(design), strict=True))
    covered = design.width_mm / frame[0]
    beside_middle = x >= design.width_mm or y >= design.height_mm
    beside_each_other = 2 * x >= design.width_mm and 2 * y >= design.height_mm
    return (x, y) if covered < _FILLS_FRAME and beside_middle and beside_each_other else None


def _size(design: Design) -> tuple[float, float]:
    return design.width_mm, design.height_mm


def _text(
    paper: str,
    design: Design,
    sheets: int,
    edge_px: float | None,
    spacing: tuple[float, float] | None,
    frame: tuple[float, float] | None,
) -> str:
    several = f" --sheets {sheets}" if sheets > 1 else ""
    count = "one sheet" if sheets == 1 else f"{sheets} sheets"
    covers = f", {edge_px:.0f} px long in the frame at the nearest distance" if edge_px is not None else ""
    parts = [f"kitgauge target --paper {paper}{several}: {count}, edges of {design.square_mm} mm{covers}."]
    if paper == "a4":
        parts.append("Letter paper serves as well; larger paper makes longer edges and steadier results.")
    if sheets == 1:
        return " ".join(parts)
    if spacing is None or frame is None:
        parts.append(
            "Sheet 1 goes in the middle of the frame, sheets 2 to 5 just inside its corners, the way up they are."
        )
        return " ".join(parts)
    parts.append(
        f"At the nearest distance the frame shows {_metres(frame[0])} x {_metres(frame[1])} m of wall: sheet 1 goes in "
        f"its middle, the middles of sheets 2 to 5 go {_metres(spacing[0])} m to the side of that and "
        f"{_metres(spacing[1])} m above or below. Further away, space them in proportion."
    )
    return " ".join(parts)


def _metres(length_mm: float) -> str:
    metres = length_mm / 1000.0
    return f"{metres:.2f}" if metres < 2 else f"{metres:.1f}"
