"""Samples of the plainest kinds of DNG, read without LibRaw: 16-bit integers that lie in the file as they are, or
tiles of lossless JPEG.

LibRaw copies uncompressed samples twice, into memory that the system has to clear first; reading them straight into
place takes a tenth of that. Whatever is unusual in any way is left to LibRaw: this reader knows two layouts and
no exceptions from them.

Source: TIFF 6.0 (strips, byte order, sample format); TIFF/EP (ISO 12234-2: colour filter array); DNG 1.7
(LinearizationTable, opcode lists, interleaving, CFAPlaneColor, CFALayout).
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from io import FileIO

import numpy as np
from numpy.typing import NDArray

from kitgauge.frames import frame_memory
from kitgauge.frames.levels import VisibleArea
from kitgauge.frames.lossless_tiles import read_lossless_tiles
from kitgauge.frames.mosaic import put_together, rows_at_a_time
from kitgauge.frames.tiff_layout import (
    ACTIVE_AREA,
    BITS_PER_SAMPLE,
    CFA_LAYOUT,
    CFA_PATTERN,
    CFA_PLANE_COLOUR,
    CFA_REPEAT,
    COLUMN_INTERLEAVE,
    COMPRESSION,
    COMPRESSION_JPEG,
    COMPRESSION_NONE,
    EXIF_IFD,
    FILL_ORDER,
    IMAGE_LENGTH,
    IMAGE_WIDTH,
    LINEARIZATION_TABLE,
    MASKED_AREAS,
    NEW_SUBFILE_TYPE,
    OPCODE_LIST_1,
    OPCODE_LIST_2,
    PHOTOMETRIC,
    PHOTOMETRIC_CFA,
    PLANAR_CONFIGURATION,
    ROW_INTERLEAVE,
    ROWS_PER_STRIP,
    SAMPLE_FORMAT,
    SAMPLES_PER_PIXEL,
    STRIP_BYTE_COUNTS,
    STRIP_OFFSETS,
    SUB_IFDS,
    SUB_TILE_BLOCK,
    TILE_BYTE_COUNTS,
    TILE_LENGTH,
    TILE_OFFSETS,
    TILE_WIDTH,
    Directory,
    TiffLayout,
)

_BYTES_PER_SAMPLE = 2
_LETTERS = {0: "R", 1: "G", 2: "B"}  # CFAPattern, TIFF/EP
# tag -> the only value it may have where it is there at all
_ONLY = {
    SAMPLES_PER_PIXEL: 1,
    SAMPLE_FORMAT: 1,
    FILL_ORDER: 1,
    PLANAR_CONFIGURATION: 1,
    CFA_LAYOUT: 1,
    ROW_INTERLEAVE: 1,
    COLUMN_INTERLEAVE: 1,
}
# Tags that may stand beside the samples: those of TIFF 6.0 and TIFF/EP that describe them or the picture in words, and
# DNG's own. Any other tag may be one that LibRaw takes for a maker's (GrayResponseCurve for a table of tones).
_WORDS = {270, 271, 272, 274, 282, 283, 296, 305, 306, 315, 316, 700, 33432, 36867, 37386}
_DESCRIBING = {
    *(NEW_SUBFILE_TYPE, 255, IMAGE_WIDTH, IMAGE_LENGTH, BITS_PER_SAMPLE, COMPRESSION, PHOTOMETRIC, FILL_ORDER),
    *(STRIP_OFFSETS, SAMPLES_PER_PIXEL, ROWS_PER_STRIP, STRIP_BYTE_COUNTS, PLANAR_CONFIGURATION, SAMPLE_FORMAT),
    *(TILE_WIDTH, TILE_LENGTH, TILE_OFFSETS, TILE_BYTE_COUNTS, SUB_IFDS, EXIF_IFD, CFA_REPEAT, CFA_PATTERN),
}
_OF_DNG = range(50706, 52600)
# ... and the field types that numbers are written in; LibRaw reads some of them in others too, to other values
_BYTE_TAGS = {CFA_PATTERN, CFA_PLANE_COLOUR}
_BYTE, _SHORT, _LONG = 1, 3, 4
_BITS_OF_JPEG = [(bits,) for bits in range(9, 17)]
_ABSENT = (LINEARIZATION_TABLE, OPCODE_LIST_1, OPCODE_LIST_2, SUB_TILE_BLOCK)


@dataclass(frozen=True)
class PlainSamples:
    """Samples of a whole frame, masked borders and all: (row, column) uint16, and the letters of its 2 x 2 pattern.

    `together`: those of each of the pattern's columns have been put together (see `Mosaic`).
    """

    whole: NDArray[np.uint16]
    letters: tuple[tuple[str, str], tuple[str, str]]
    together: bool = False


def read_plain_samples(
    layout: TiffLayout, shape: tuple[int, int], area: VisibleArea, *, together: bool = False
) -> PlainSamples | None:
    """Return the samples of a little-endian Bayer DNG, uncompressed or in lossless tiles, None for any other file.

    `shape` (rows, columns) and `area` are what LibRaw makes of the file: where it sees another size, or rounds
    the corner of ActiveArea, it is asked for the samples too. None is no fault: the file is one for LibRaw. Where
    that costs nothing, samples are put together by colour if asked.

    Raises
    ------
    OSError : the file cannot be read
    """
    if not (layout.is_dng and layout.standard and layout.order == "<" and sys.byteorder == "little"):
        return None
    pictures = layout.sensor_pictures()
    if len(pictures) != 1 or any(directory.ambiguous for directory in layout.directories):
        return None
    picture = pictures[0]
    letters = _bayer_letters(layout, picture)
    if letters is None or not (_as_known(layout, picture, shape) and _as_stated(layout, picture, shape, area)):
        return None
    whole: NDArray[np.uint16] | None = None
    compression, bits = layout.numbers(picture, COMPRESSION), layout.numbers(picture, BITS_PER_SAMPLE)
    if compression == (COMPRESSION_NONE,) and bits == (16,) and TILE_OFFSETS not in picture.entries:
        together = together and (area.height, area.width) == shape and MASKED_AREAS not in picture.entries
        whole = _read_strips(layout, picture, shape, together)
    elif compression == (COMPRESSION_JPEG,) and bits in _BITS_OF_JPEG and STRIP_OFFSETS not in picture.entries:
        together = False
        whole = read_lossless_tiles(layout, picture, shape)
    return None if whole is None else PlainSamples(whole, letters, together)


def _read_strips(
    layout: TiffLayout, picture: Directory, shape: tuple[int, int], together: bool
) -> NDArray[np.uint16] | None:
    start = _start_of_samples(layout, picture, shape)
    if start is None:
        return None
    whole: NDArray[np.uint16] = frame_memory.empty(shape)
    with layout.path.open("rb", buffering=0) as stream:
        stream.seek(start)
        if not together:
            return whole if _fill(stream, whole.data.cast("B")) else None
        buffer = np.empty((rows_at_a_time(shape[1]), shape[1]), np.uint16)
        for top in range(0, shape[0], len(buffer)):
            into = whole[top : top + len(buffer)]
            rows = buffer[: len(into)]
            if not _fill(stream, rows.data.cast("B")):
                return None
            put_together(rows, 2, into)
    return whole


def _fill(stream: FileIO, into: memoryview) -> bool:
    """Fill `into` from a stream, which may hand over less than asked for; tell whether that went to the end."""
    done = 0
    while done < len(into):
        got = stream.readinto(into[done:])
        if got == 0:
            return False
        done += got
    return True


def _as_known(layout: TiffLayout, picture: Directory, shape: tuple[int, int]) -> bool:
    """Tell whether the picture is stated to hold `shape` samples of a colour filter array, and nothing else."""
    required = {
        PHOTOMETRIC: PHOTOMETRIC_CFA,
        IMAGE_LENGTH: shape[0],
        IMAGE_WIDTH: shape[1],
    }
    known = all(tag in _WORDS or tag in _DESCRIBING or tag in _OF_DNG for tag in picture.entries)
    usual = all(
        picture.entries[tag][0] in ((_BYTE,) if tag in _BYTE_TAGS else (_SHORT, _LONG))
        for tag in (_DESCRIBING | set(_ONLY) | {ACTIVE_AREA, CFA_PLANE_COLOUR}) - {SUB_IFDS, EXIF_IFD}
        if tag in picture.entries
    )
    return (
        known
        and usual
        and not any(tag in picture.entries for tag in _ABSENT)
        and all(layout.numbers(picture, tag) == (value,) for tag, value in required.items())
        and all(layout.numbers(picture, tag) == (value,) for tag, value in _ONLY.items() if tag in picture.entries)
    )


def _start_of_samples(layout: TiffLayout, picture: Directory, shape: tuple[int, int]) -> int | None:
    """Return where in the file the samples begin, None if they are not one run of plain 16-bit rows."""
    rows, columns = shape
    starts, lengths = layout.numbers(picture, STRIP_OFFSETS), layout.numbers(picture, STRIP_BYTE_COUNTS)
    if not starts or not lengths or len(starts) != len(lengths):
        return None
    per_strip = min(int(layout.number(picture, ROWS_PER_STRIP, rows)), rows)
    if per_strip < 1 or len(starts) != -(-rows // per_strip):
        return None
    at = first = int(starts[0])
    for index, (start, length) in enumerate(zip(starts, lengths, strict=True)):
        strip_rows = min(per_strip, rows - index * per_strip)
        if start != at or length != strip_rows * columns * _BYTES_PER_SAMPLE:
            return None
        at += int(length)
    return first if at <= layout.file_bytes else None


def _as_stated(layout: TiffLayout, picture: Directory, shape: tuple[int, int], area: VisibleArea) -> bool:
    """Tell whether the visible area is the one that the file states, with the pattern's corner at its corner."""
    stated: tuple[float, ...] = (0, 0, *shape)
    if ACTIVE_AREA in picture.entries:
        stated = layout.numbers(picture, ACTIVE_AREA) or ()
    seen = (area.top, area.left, area.top + area.height, area.left + area.width)
    return tuple(stated) == seen and area.top % 2 == area.left % 2 == 0


def _bayer_letters(layout: TiffLayout, picture: Directory) -> tuple[tuple[str, str], tuple[str, str]] | None:
    """Return the colour letters of the 2 x 2 pattern at the picture's corner, None if it is another pattern."""
    if layout.numbers(picture, CFA_REPEAT) != (2, 2):
        return None
    if CFA_PLANE_COLOUR in picture.entries and layout.numbers(picture, CFA_PLANE_COLOUR) != (0, 1, 2):
        return None
    codes = layout.numbers(picture, CFA_PATTERN)
    if codes is None or sorted(codes) != [0, 1, 1, 2] or not (codes[0] == codes[3] or codes[1] == codes[2]):
        return None  # not a Bayer pattern: greens on a diagonal
    one, two, three, four = (_LETTERS[int(code)] for code in codes)
    return (one, two), (three, four)
