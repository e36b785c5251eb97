"""Samples of a DNG in lossless-JPEG tiles of the plainest layout, each tile decoded straight into its place.

A general decoder of this kind of JPEG takes half the time of the one that knows all raw files. It also passes over
damage without a word, so this reader believes it only where nothing looks odd. The headers are parsed here. Each tile
is decoded as if it had one row more than it has: with sound data, that row begins exactly where they end, and holds
the differences that the decoder makes of no data at all; data that end before the last sample, or go on behind it
(as damaged ones do: the codes are of many lengths), leave another row. What looks odd makes the whole frame one for
LibRaw, with the errors that LibRaw has for it. LibRaw is also what is left where the package imagecodecs is missing.

Source: ITU-T T.81 (JPEG; SOF3 is the lossless process, annex H), DNG 1.7 (Compression 7), TIFF 6.0 (tiles).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from io import FileIO
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.frames import frame_memory
from kitgauge.frames.tiff_layout import (
    DNG_VERSION,
    TILE_BYTE_COUNTS,
    TILE_LENGTH,
    TILE_OFFSETS,
    TILE_WIDTH,
    Directory,
    TiffLayout,
)

_START, _END = b"\xff\xd8", b"\xff\xd9"
_HUFFMAN_TABLE, _LOSSLESS_FRAME, _SCAN, _JFIF = 0xC4, 0xC3, 0xDA, 0xE0
_MOST_TILE_SAMPLES = 1 << 26
_MOST_ROWS = 65500  # of any JPEG, for the decoder
# Before version 1.1, files write a difference of 32768 in another way.
_FIRST_VERSION = (1, 1)


@dataclass(frozen=True)
class _Header:
    rows_at: int  # where the number of rows is written
    precision: int
    components: int
    predictor: int


def read_lossless_tiles(layout: TiffLayout, picture: Directory, shape: tuple[int, int]) -> NDArray[np.uint16] | None:
    """Return the (row, column) samples of a picture in lossless-JPEG tiles, None where anything is unusual.

    Known: tiles of their own size each, one or two components beside each other in a row, 9 to 16 bits, predictors 1
    to 7, no restart intervals, no point transform. None is no fault: the file is one for LibRaw.

    Raises
    ------
    OSError : the file cannot be read
    """
    decode = _decoder()
    places = _places(layout, picture, shape)
    if decode is None or places is None:
        return None
    tile_rows, tile_columns, starts, lengths = places
    whole: NDArray[np.uint16] = frame_memory.empty(shape)
    across = -(-shape[1] // tile_columns)
    with layout.path.open("rb", buffering=0) as stream:
        for index, (start, length) in enumerate(zip(starts, lengths, strict=True)):
            tile = _tile(stream, decode, start, length, (tile_rows, tile_columns))
            if tile is None:
                return None
            top, left = index // across * tile_rows, index % across * tile_columns
            into = whole[top : top + tile_rows, left : left + tile_columns]
            into[...] = tile[: into.shape[0], : into.shape[1]]
    return whole


@cache
def _decoder() -> Any | None:
    try:
        return import_module("imagecodecs").jpeg8_decode
    except (ImportError, AttributeError):  # not installed, or built without it
        return None


def _places(
    layout: TiffLayout, picture: Directory, shape: tuple[int, int]
) -> tuple[int, int, tuple[int, ...], tuple[int, ...]] | None:
    """Return rows and columns of a tile, and where in the file tiles begin and how long they are."""
    version = layout.numbers(layout.directories[0], DNG_VERSION)
    if version is None or tuple(version[:2]) < _FIRST_VERSION:
        return None
    sides = (layout.numbers(picture, TILE_LENGTH), layout.numbers(picture, TILE_WIDTH))
    if any(side is None or len(side) != 1 or side[0] < 1 for side in sides):
        return None
    tile_rows, tile_columns = (int(side[0]) for side in sides if side)
    if tile_rows * tile_columns > _MOST_TILE_SAMPLES:
        return None
    starts = tuple(int(start) for start in layout.numbers(picture, TILE_OFFSETS) or ())
    lengths = tuple(int(length) for length in layout.numbers(picture, TILE_BYTE_COUNTS) or ())
    tiles = -(-shape[0] // tile_rows) * -(-shape[1] // tile_columns)
    if len(starts) != tiles or len(lengths) != tiles:
        return None
    inside = all(start >= 8 and length > 0 for start, length in zip(starts, lengths, strict=True))
    ordered = sorted(zip(starts, lengths, strict=True))
    ends = [start + length for start, length in ordered]
    apart = all(end <= start for end, (start, _) in zip(ends, ordered[1:], strict=False))
    return (tile_rows, tile_columns, starts, lengths) if inside and apart and ends[-1] <= layout.file_bytes else None


def _tile(stream: FileIO, decode: Any, start: int, length: int, shape: tuple[int, int]) -> NDArray[np.uint16] | None:
    """Return the samples of one tile, None where its header, its end or its samples are unusual."""
    data = bytearray(length)
    stream.seek(start)
    if stream.readinto(data) != length or not data.endswith((_END, _END + b"\0")):
        return None
    header = _header(data, shape)
    if header is None:
        return None
    rows, columns = shape[0], shape[1] // header.components
    struct.pack_into(">H", data, header.rows_at, rows + 1)
    try:
        samples = decode(data)
    except Exception:  # whatever the decoder has against it, LibRaw has the last word
        return None
    expected = (rows + 1, columns, *([header.components] if header.components > 1 else []))
    if samples.dtype != np.uint16 or samples.shape != expected:
        return None
    if not _ends_with_its_data(samples[-2:].reshape(2, columns, -1), header):
        return None
    tile: NDArray[np.uint16] = samples[:-1].reshape(shape)
    if header.precision < 16 and int(tile.max()) >= 1 << header.precision:
        return None  # differences that do not belong together have carried the samples away
    return tile


def _ends_with_its_data(rows: NDArray[np.uint16], header: _Header) -> bool:
    """Tell from the last row and the one that was made up (row, column, component) whether the data end between them.

    No data are read as zeros: all differences of a component are the same then, but for the very first, which takes the
    bits that fill up the last byte. A row that begins after the end of the data is the middle of the range throughout.
    """
    above, row = rows.astype(np.int64)
    if bool((row == 1 << (header.precision - 1)).all()):
        return False
    left, up, corner = row[:-1], above[1:], above[:-1]
    # T.81, table H.1
    predicted = (
        left,
        up,
        corner,
        left + up - corner,
        left + ((up - corner) >> 1),
        up + ((left - corner) >> 1),
        (left + up) >> 1,
    )[header.predictor - 1]
    differences = (np.concatenate([row[:1] - above[:1], row[1:] - predicted]) & 0xFFFF).T
    return bool((differences[:, 2:] == differences[:, 1:2]).all() and (differences[1:, 0] == differences[1:, 1]).all())


def _header(data: bytearray, shape: tuple[int, int]) -> _Header | None:
    """Return the header of a tile if it says nothing but what is known here, else None."""
    if not data.startswith(_START):
        return None
    at, frame_at, frame = 2, 0, b""
    while at + 4 <= len(data):
        lead, marker, length = struct.unpack_from(">BBH", data, at)
        segment = bytes(data[at + 4 : at + 2 + length])
        if lead != 0xFF or length < 2 or len(segment) != length - 2:
            return None
        if marker == _LOSSLESS_FRAME and not frame:
            frame_at, frame = at + 4, segment
        elif marker == _SCAN:
            return _agreed(frame_at, frame, segment, shape)
        elif marker not in (_HUFFMAN_TABLE, _JFIF):
            return None
        at += 2 + length
    return None


def _agreed(frame_at: int, frame: bytes, scan: bytes, shape: tuple[int, int]) -> _Header | None:
    """Return the header where that of frame and of scan (T.81, B.2.2 and B.2.3) describe one whole tile."""
    if len(frame) < 6:
        return None
    precision, rows, columns, components = struct.unpack_from(">BHHB", frame)
    if components not in (1, 2) or len(frame) != 6 + 3 * components or len(scan) != 4 + 2 * components:
        return None
    names, predictor = frame[6::3], scan[-3]
    known = (
        9 <= precision <= 16
        and (rows, columns * components) == shape
        and rows < _MOST_ROWS
        and len(set(names)) == components
        and set(frame[7::3]) == {0x11}  # no component is coarser than the other
        and scan[0] == components
        and scan[1 : 1 + 2 * components : 2] == names
        and 1 <= predictor <= 7
        and scan[-2:] == b"\0\0"
    )
    return _Header(frame_at + 1, precision, components, predictor) if known else None
