"""What is printed on a sheet: filled outlines and text, in millimetres, before any file format."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from kitgauge.errors import UsageError
from kitgauge.target.layout import (
    CODES,
    MARKER_BITS,
    MARKER_MODULES,
    Box,
    Marker,
    Point,
    Sheet,
)

ORDINARY_CONTRAST = 4.0  # ISO 12233: a low-contrast edge of about 4 to 1, which neither clips nor flares
SMALLEST_CONTRAST, LARGEST_CONTRAST = 2.0, 10.0
MID_GREY = 0.18  # reflectance of a grey card


@dataclass(frozen=True)
class Fill:
    """Closed outlines [mm] filled as one with a tone: luminance against that of the paper, 0 (black) to 1."""

    outlines: tuple[tuple[Point, ...], ...]
    tone: float


@dataclass(frozen=True)
class Text:
    """A line of text: left end of its base line [mm], height of capitals [mm]."""

    x_mm: float
    y_mm: float
    capitals_mm: float
    text: str
    bold: bool = False


@dataclass(frozen=True)
class Drawing:
    """All that is on one sheet; paper size [mm]."""

    width_mm: float
    height_mm: float
    fills: tuple[Fill, ...]
    texts: tuple[Text, ...]


def ink_tone(contrast: float = ORDINARY_CONTRAST, *, black: bool = False) -> float:
    """Return the ink's luminance against the paper's for a contrast of 2 to 10 to 1, or solid black.

    Raises UsageError for another contrast, or for both.
    """
    if black:
        if contrast != ORDINARY_CONTRAST:
            raise UsageError(
                "solid black has the contrast that printer and paper give it",
                where="--contrast",
                got=f"--black and --contrast {contrast:g}",
                needed="one of the two",
                fix="leave one out",
            )
        return 0.0
    if not SMALLEST_CONTRAST <= contrast <= LARGEST_CONTRAST:
        raise UsageError(
            "this contrast does not serve",
            where="--contrast",
            got=f"{contrast:g} to 1",
            needed=f"{SMALLEST_CONTRAST:g} to {LARGEST_CONTRAST:g} to 1",
            fix="take 4, or --black for solid black",
        )
    return 1.0 / contrast


def draw_sheet(sheet: Sheet, paper: tuple[str, float, float], of: int, tone: float) -> Drawing:
    """Return the drawing of a sheet in the middle of its paper (name, width, height [mm]).

    `of` is the number of sheets of this target, `tone` the ink's luminance against the paper's.
    """
    name, width, height = paper
    ink = [Fill(_dark_modules(marker), tone) for marker in sheet.markers]
    ink += [Fill((square.corners,), tone) for square in sheet.squares]
    grey, dark = sheet.grey
    fills = (*ink, Fill(_ruler(sheet.ruler), tone), Fill((grey.corners,), MID_GREY), Fill((dark.corners,), tone))
    shift_x, shift_y = (width - sheet.design.width_mm) / 2, (height - sheet.design.height_mm) / 2
    texts = (
        *_ruler_numbers(sheet.ruler),
        *_patch_names(sheet, tone),
        *_words(sheet, name.upper() if "x" not in name else name, of),
    )
    return Drawing(
        width,
        height,
        tuple(
            Fill(tuple(tuple((x + shift_x, y + shift_y) for x, y in line) for line in fill.outlines), fill.tone)
            for fill in fills
        ),
        tuple(Text(text.x_mm + shift_x, text.y_mm + shift_y, text.capitals_mm, text.text, text.bold) for text in texts),
    )


def marker_bits(code: int) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
    """Return (row, column) the modules of a marker, border included: True where dark."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    if not 0 <= code < CODES:
        raise ValueError(f"codes are 0 to {CODES - 1}, got {code}")
    picture = np.asarray(cv2.aruco.generateImageMarker(dictionary, code, MARKER_BITS + 2, borderBits=1))
    return picture < 128


def _dark_modules(marker: Marker) -> tuple[tuple[Point, ...], ...]:
    """Return the dark runs of a marker's rows as outlines."""
    bits = marker_bits(marker.code)
    module = marker.box.width_mm / MARKER_MODULES
    runs = []
    for row in range(MARKER_MODULES):
        column = 0
        while column < MARKER_MODULES:
            stop = column
            while stop < MARKER_MODULES and bits[row, stop]:
                stop += 1
            if stop > column:
                left, top = marker.box.x_mm + column * module, marker.box.y_mm + row * module
                runs.append(Box(left, top, (stop - column) * module, module).corners)
            column = stop + 1
    return tuple(runs)


_TICK_MM = 0.15


def _ruler(ruler: Box) -> tuple[tuple[Point, ...], ...]:
    """Return a tick per millimetre, from the middle of the first to the middle of the last as long as the ruler."""
    ticks = []
    for mm in range(round(ruler.width_mm) + 1):
        height = 5.0 if mm % 10 == 0 else 3.6 if mm % 5 == 0 else 2.4
        ticks.append(Box(ruler.x_mm + mm - _TICK_MM / 2, ruler.y_mm, _TICK_MM, height).corners)
    return tuple(ticks)


def _ruler_numbers(ruler: Box) -> list[Text]:
    numbers = []
    step = 10 if ruler.width_mm <= 200 else 50
    for mm in range(0, round(ruler.width_mm) + 1, step):
        label = f"{mm} mm" if mm == round(ruler.width_mm) else str(mm)
        numbers.append(Text(ruler.x_mm + mm - 0.75 * len(str(mm)), ruler.y_mm + 8.0, 1.9, label))
    return numbers


def _patch_names(sheet: Sheet, tone: float) -> list[Text]:
    names = (f"{MID_GREY:.0%}", f"{tone:.0%}" if tone > 0 else "ink")
    return [
        Text(patch.x_mm + 0.4, patch.y_mm + patch.height_mm + 2.2, 1.5, name)
        for patch, name in zip(sheet.grey, names, strict=True)
    ]


_LARGEST_TEXT_MM, _SMALLEST_TEXT_MM = 2.1, 0.6
_BOLD_WIDTH, _WIDTH = 0.82, 0.76  # of a character on average, in heights of capitals, with something to spare
_LINE = 1.75  # from line to line, in heights of capitals


def _words(sheet: Sheet, paper: str, of: int) -> list[Text]:
    """Return what the sheet is and how to use it, as large as the footer has room for."""
    which = f"sheet {sheet.number} of {of}, {sheet.place}" if of > 1 else "one sheet"
    head = f"kitgauge target, {which}. {paper}, squares {sheet.design.square_mm} mm"
    how = (
        f"Print at 100 %, unscaled: the ruler must be {sheet.ruler.width_mm:.0f} mm long. Matt paper. Fasten it flat. "
        "Light it evenly, without reflections. Expose so that the paper is light grey, not white."
    )
    size = _LARGEST_TEXT_MM
    while True:
        heads = _wrapped(head, math.floor(sheet.text.width_mm / (_BOLD_WIDTH * size)))
        lines = _wrapped(how, math.floor(sheet.text.width_mm / (_WIDTH * size)))
        height = size * (1 + _LINE * (len(heads) + len(lines) - 1))
        if height <= sheet.text.height_mm or size <= _SMALLEST_TEXT_MM:
            break
        size -= 0.05
    x, y = sheet.text.x_mm, sheet.text.y_mm + size
    return [
        Text(x, y + _LINE * size * number, size, line, bold=number < len(heads))
        for number, line in enumerate((*heads, *lines))
    ]


def _wrapped(text: str, most: int) -> list[str]:
    lines = [""]
    for word in text.split():
        if lines[-1] and len(lines[-1]) + 1 + len(word) > most:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return lines
