"""Geometry of the printed target in millimetres: plain data, standard library only.

Sheet coordinates: x to the right, y down, origin at the paper's top left corner, all in mm. A sheet has a lattice of
4 x 4 coded markers, nine dark squares in its meshes (corners, sides and middle of the sheet) and a footer. Each
square is tilted by 5 degrees (ISO 12233 e-SFR: a slanted edge near 5 degrees), neighbours to opposite sides: then
no turn of the camera brings all edges parallel to the pixels, and the direction of a streak keeps its sign. A marker
never lies in front of an edge, so that the white beside an edge reaches to the next square, the footer or the paper's
end.

The markers are ArUco markers (Garrido-Jurado and others, Pattern Recognition 47, 2014) of OpenCV's 5 x 5 dictionary
with 1000 codes: its codes differ in at least 5 of 25 bits, so that two wrong bits can be put right, and 1000 codes
are enough to say more than a number. A code says which marker of which sheet it is, and one digit of what the sheet
looks like:

    code = 80 digit + 16 (sheet - 1) + marker        sheet 1 to 5, marker 0 to 15, digit 0 to 11

Digits 0, 1 and 2 (the same on all markers) stand for A4, A3 and letter paper with the ordinary square. Any other
design spells its paper size and square with digits 3 to 11, as eight figures to the base of nine; markers k and 15 - k
carry the same figure, and no straight cut that leaves the middle of the sheet in the frame can take both.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from kitgauge.errors import UsageError

PAPERS_MM = {"a4": (297.0, 210.0), "a3": (420.0, 297.0), "letter": (279.4, 215.9)}
SHEET_PLACES = ("centre", "top left", "top right", "bottom left", "bottom right")
TILT_DEG = 5.0
LATTICE = 4  # markers per row and column; one square fewer
MARKERS = LATTICE * LATTICE
MARKER_BITS = 5
MARKER_MODULES = MARKER_BITS + 2  # with the dark border
CODES = 1000
MARGIN_MM = 8.0  # at least: office printers leave 4 to 6.4 mm of paper blank (common practice, no source)
FOOTER_MM = 9.0  # ruler, words and grey patches
_FOOTER_GAP_MM = 3.0  # at least, from the lowest markers to the footer
_QUIET_MODULES = 1.5  # of white around a marker
WHITE_SHARE = 0.9  # least white between two squares, in squares
MARKER_SHARE = 0.625  # marker in squares: its quiet zone then is 1.5 modules or more
SMALLEST_SQUARE_MM, LARGEST_SQUARE_MM = 8, 164
SMALLEST_PAPER_MM, LARGEST_PAPER_MM = 100.0, 2655.0
_PATCH_MM = 9.0
_STEP_MM = 5  # own paper sizes are used in whole steps of this
_EXTENT = math.cos(math.radians(TILT_DEG)) + math.sin(math.radians(TILT_DEG))
_DIGITS, _BASE, _FIGURES = 12, 9, 8
_SQUARE_CODES, _SIZE_CODES = 160, 512

Point = tuple[float, float]


@dataclass(frozen=True)
class Design:
    """What a sheet looks like: drawing size [mm] and side of a square [mm]."""

    width_mm: float
    height_mm: float
    square_mm: int


@dataclass(frozen=True)
class Box:
    """A rectangle with sides along the sheet's: left, top, width and height [mm]."""

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float

    @property
    def corners(self) -> tuple[Point, Point, Point, Point]:
        """Corners clockwise from the top left [mm]."""
        right, bottom = self.x_mm + self.width_mm, self.y_mm + self.height_mm
        return (self.x_mm, self.y_mm), (right, self.y_mm), (right, bottom), (self.x_mm, bottom)


@dataclass(frozen=True)
class Marker:
    """One coded marker: its place in the lattice (0 to 15, row by row), its code, its box [mm]."""

    position: int
    code: int
    box: Box


@dataclass(frozen=True)
class TargetSquare:
    """One dark square: number 1 to 9 (row by row), centre and side [mm], tilt [degrees], positive clockwise."""

    number: int
    x_mm: float
    y_mm: float
    side_mm: float
    tilt_deg: float

    @property
    def corners(self) -> tuple[Point, Point, Point, Point]:
        """Corners clockwise from the top left [mm]."""
        cosine, sine = math.cos(math.radians(self.tilt_deg)), math.sin(math.radians(self.tilt_deg))
        half = self.side_mm / 2
        top_left, top_right, bottom_right, bottom_left = (
            (self.x_mm + u * cosine - v * sine, self.y_mm + u * sine + v * cosine)
            for u, v in ((-half, -half), (half, -half), (half, half), (-half, half))
        )
        return top_left, top_right, bottom_right, bottom_left

    @property
    def edges(self) -> dict[str, tuple[Point, Point]]:
        """Side name ("top", "right", "bottom", "left" on the sheet) to its end points [mm], dark to the right of
        the way from the first to the second."""
        a, b, c, d = self.corners
        return {"top": (a, b), "right": (b, c), "bottom": (c, d), "left": (d, a)}


@dataclass(frozen=True)
class Sheet:
    """One printed sheet. `ruler` is as long as its `width_mm`; `grey` are patches of mid-grey and of the ink."""

    number: int
    place: str
    design: Design
    markers: tuple[Marker, ...]
    squares: tuple[TargetSquare, ...]
    ruler: Box
    grey: tuple[Box, Box]
    text: Box


def paper_size(text: str) -> tuple[str, float, float]:
    """Return (name, width, height [mm]) of "a4", "a3", "letter" (lying) or a size such as "1000x700mm".

    Raises UsageError for anything else and for sizes outside 100 to 2655 mm.
    """
    asked = text.strip().lower()
    if asked in PAPERS_MM:
        return (asked, *PAPERS_MM[asked])
    parts = asked.removesuffix("mm").split("x")
    try:
        width, height = (float(part) for part in parts)
    except ValueError:
        width = height = math.nan
    if not (math.isfinite(width) and math.isfinite(height)):
        raise UsageError(
            "no such paper",
            where="--paper",
            got=text,
            needed="a4, a3, letter or WIDTHxHEIGHTmm, such as 1000x700mm",
            fix="give a name, or measure the paper",
        )
    if not all(SMALLEST_PAPER_MM <= size <= LARGEST_PAPER_MM for size in (width, height)):
        raise UsageError(
            "a target cannot be drawn on paper of this size",
            where="--paper",
            got=text,
            needed=f"{SMALLEST_PAPER_MM:.0f} to {LARGEST_PAPER_MM:.0f} mm each way",
            fix="choose another size; very large targets are put together from sheets (--sheets 5)",
        )
    return f"{width:g} x {height:g} mm", width, height


def largest_square_mm(width_mm: float, height_mm: float) -> int:
    """Return the side [mm] of the largest square that leaves enough white on paper of this size; 0 where none does."""
    best = 0
    for side in range(SMALLEST_SQUARE_MM, LARGEST_SQUARE_MM + 1):
        if min(_pitch(Design(width_mm, height_mm, side))) >= side * (_EXTENT + WHITE_SHARE):
            best = side
    return best


def design_for(width_mm: float, height_mm: float, square_mm: float | None = None) -> Design:
    """Return the design for paper of this size [mm], with squares of `square_mm` or the largest possible.

    Anything but a standard paper with its ordinary square is drawn on the size rounded down to 5 mm, so that the
    markers can spell it. Raises UsageError where the squares do not fit.
    """
    standard = _standard_designs()
    for design in standard:
        if (design.width_mm, design.height_mm) == (width_mm, height_mm) and square_mm in (None, design.square_mm):
            return design
    width, height = (float(math.floor(size / _STEP_MM + 1e-9) * _STEP_MM) for size in (width_mm, height_mm))
    largest = largest_square_mm(width, height)
    if square_mm is not None and square_mm != round(square_mm):
        raise UsageError(
            "squares come in whole millimetres",
            where="--square-mm",
            got=f"{square_mm:g}",
            needed="a whole number",
            fix=f"use {math.floor(square_mm)}",
        )
    side = largest if square_mm is None else round(square_mm)
    if not SMALLEST_SQUARE_MM <= side <= largest:
        raise UsageError(
            "squares of this size do not fit, with white around them" if largest else "the paper is too small",
            where="--square-mm" if square_mm is not None and largest else "--paper",
            got=f"{side if square_mm is not None else ''} mm on {width_mm:g} x {height_mm:g} mm".strip(),
            needed=f"{SMALLEST_SQUARE_MM} to {largest} mm" if largest else "100 mm or more each way",
            fix="take another size, or larger paper" if largest else "take larger paper",
        )
    return Design(width, height, side)


def sheet_layout(design: Design, number: int = 1) -> Sheet:
    """Return sheet `number` (1 to 5) of a design; ValueError for another number."""
    if not 1 <= number <= len(SHEET_PLACES):
        raise ValueError(f"sheets are numbered 1 to {len(SHEET_PLACES)}, got {number}")
    size, margin = marker_mm(design), margin_mm(design)
    pitch_x, pitch_y = _pitch(design)
    digits = marker_digits(design)
    markers = tuple(
        Marker(
            position,
            marker_code(number, position, digits[position]),
            Box(margin + column * pitch_x, margin + row * pitch_y, size, size),
        )
        for position, (row, column) in enumerate((row, column) for row in range(LATTICE) for column in range(LATTICE))
    )
    squares = tuple(
        TargetSquare(
            row * (LATTICE - 1) + column + 1,
            margin + size / 2 + (column + 0.5) * pitch_x,
            margin + size / 2 + (row + 0.5) * pitch_y,
            float(design.square_mm),
            TILT_DEG if (row + column) % 2 == 0 else -TILT_DEG,
        )
        for row in range(LATTICE - 1)
        for column in range(LATTICE - 1)
    )
    right = design.width_mm - margin
    top = design.height_mm - margin - FOOTER_MM
    length = next(mm for mm in (500.0, 200.0, 100.0, 50.0, 30.0) if mm <= 0.42 * (right - margin))
    grey, ink = (Box(right - k * _PATCH_MM, top, _PATCH_MM - 1.0, 6.5) for k in (2, 1))
    ruler = Box(margin + 1.0, top, length, 8.0)
    text_left = ruler.x_mm + length + 12.0
    text = Box(text_left, top, grey.x_mm - 3.0 - text_left, 9.0)
    return Sheet(number, SHEET_PLACES[number - 1], design, markers, squares, ruler, (grey, ink), text)


def marker_mm(design: Design) -> float:
    """Return the side of a marker [mm], in half millimetres."""
    return math.floor(2 * MARKER_SHARE * design.square_mm) / 2


def margin_mm(design: Design) -> float:
    """Return the white around everything printed [mm]: what printers need, and what the outer markers need."""
    return max(MARGIN_MM, float(math.ceil(_QUIET_MODULES * marker_mm(design) / MARKER_MODULES)))


def _pitch(design: Design) -> tuple[float, float]:
    """Return the distance from marker to marker [mm] along x and y."""
    size, margin = marker_mm(design), margin_mm(design)
    gap = max(_FOOTER_GAP_MM, size / MARKER_MODULES)
    return (
        (design.width_mm - 2 * margin - size) / (LATTICE - 1),
        (design.height_mm - 2 * margin - gap - FOOTER_MM - size) / (LATTICE - 1),
    )


# What the markers say


@lru_cache(maxsize=1)
def _standard_designs() -> tuple[Design, ...]:
    return tuple(Design(width, height, largest_square_mm(width, height)) for width, height in PAPERS_MM.values())


def marker_code(sheet: int, position: int, digit: int) -> int:
    """Return the code of a marker; see the module's text."""
    return 80 * digit + MARKERS * (sheet - 1) + position


def marker_meaning(code: int) -> tuple[int, int, int] | None:
    """Return (sheet, position, digit) of a code, None where the target has no such code."""
    digit, rest = divmod(code, 80)
    if not 0 <= digit < _DIGITS:
        return None
    return rest // MARKERS + 1, rest % MARKERS, digit


def marker_digits(design: Design) -> tuple[int, ...]:
    """Return the digit of each of the 16 markers.

    Raises ValueError for a design that cannot be spelled (`design_for` makes none).
    """
    standard = _standard_designs()
    if design in standard:
        return (standard.index(design),) * MARKERS
    width, height = (round(size / _STEP_MM) - 20 for size in (design.width_mm, design.height_mm))
    side = design.square_mm - 5
    spelled = (width + 20) * _STEP_MM == design.width_mm and (height + 20) * _STEP_MM == design.height_mm
    if not (spelled and 0 <= width < _SIZE_CODES and 0 <= height < _SIZE_CODES and 0 <= side < _SQUARE_CODES):
        raise ValueError(f"{design} cannot be told by markers")
    value = (width * _SIZE_CODES + height) * _SQUARE_CODES + side
    figures = [value // _BASE**k % _BASE for k in range(_FIGURES)]
    return tuple(figures[min(position, MARKERS - 1 - position)] + _DIGITS - _BASE for position in range(MARKERS))


def designs_told(digits: Mapping[int, int]) -> tuple[Design, ...]:
    """Return the designs that agree with the digits seen, marker position to digit.

    One design where enough markers are seen; all that the figures left open allow where one or two are (at most 81);
    none where more are open or the digits contradict one another.
    """
    standard = _standard_designs()
    seen = set(digits.values())
    if len(seen) == 1 and min(seen) < len(standard):
        return (standard[min(seen)],)
    figures: dict[int, int] = {}
    for position, digit in digits.items():
        place = min(position, MARKERS - 1 - position)
        figure = digit - (_DIGITS - _BASE)
        if figure < 0 or figures.setdefault(place, figure) != figure:
            return ()
    unknown = [place for place in range(_FIGURES) if place not in figures]
    if len(unknown) > 2:
        return ()
    known = sum(figure * _BASE**place for place, figure in figures.items())
    designs = []
    for filling in range(_BASE ** len(unknown)):
        value = known
        for order, place in enumerate(unknown):
            value += filling // _BASE**order % _BASE * _BASE**place
        sizes, side = divmod(value, _SQUARE_CODES)
        width, height = divmod(sizes, _SIZE_CODES)
        if width >= _SIZE_CODES:
            continue
        design = Design(float((width + 20) * _STEP_MM), float((height + 20) * _STEP_MM), side + 5)
        if SMALLEST_SQUARE_MM <= design.square_mm <= largest_square_mm(design.width_mm, design.height_mm):
            designs.append(design)
    return tuple(designs)
