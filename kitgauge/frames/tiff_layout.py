"""Where a TIFF-based file (TIFF, DNG and many makers' raw formats) keeps its pictures.

Reads image file directories only, never pixels, so that a file can be checked before anything is decoded.
Source: TIFF 6.0 (image file directories, strips, tiles); TIFF/EP (ISO 12234-2) and DNG 1.7 for SubIFDs,
colour filter array and level tags.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

# Tags by number (TIFF 6.0, DNG 1.7)
NEW_SUBFILE_TYPE = 254
IMAGE_WIDTH, IMAGE_LENGTH = 256, 257
BITS_PER_SAMPLE, COMPRESSION, PHOTOMETRIC, SAMPLES_PER_PIXEL, SAMPLE_FORMAT = 258, 259, 262, 277, 339
FILL_ORDER, PLANAR_CONFIGURATION = 266, 284
STRIP_OFFSETS, ROWS_PER_STRIP, STRIP_BYTE_COUNTS, TILE_OFFSETS, TILE_BYTE_COUNTS = 273, 278, 279, 324, 325
TILE_WIDTH, TILE_LENGTH = 322, 323
SUB_IFDS, EXIF_IFD, MAKER_NOTE = 330, 34665, 37500
CFA_REPEAT, CFA_PATTERN, CFA_PLANE_COLOUR, CFA_LAYOUT = 33421, 33422, 50710, 50711
DNG_VERSION, LINEARIZATION_TABLE = 50706, 50712
BLACK_REPEAT, BLACK_LEVEL, BLACK_DELTA_H, BLACK_DELTA_V, WHITE_LEVEL = 50713, 50714, 50715, 50716, 50717
ACTIVE_AREA, MASKED_AREAS = 50829, 50830
OPCODE_LIST_1, OPCODE_LIST_2 = 51008, 51009
SUB_TILE_BLOCK, ROW_INTERLEAVE, COLUMN_INTERLEAVE = 50974, 50975, 52547

PHOTOMETRIC_CFA = 32803
PHOTOMETRIC_LINEAR_RAW = 34892
SAMPLE_FORMAT_FLOAT = 3
COMPRESSION_NONE, COMPRESSION_JPEG = 1, 7

# First four bytes: TIFF, Olympus ORF (two forms) and Panasonic RW2 differ in the number after the byte order.
_MAGIC = {b"II*\0": "<", b"MM\0*": ">", b"IIRO": "<", b"IIRS": "<", b"MMOR": ">", b"IIU\0": "<"}
_STANDARD_MAGIC = (b"II*\0", b"MM\0*")

_MAX_DIRECTORIES = 64
_MAX_ENTRIES = 4096
_MAX_VALUE_BYTES = 64 << 20

# field type -> (bytes each, struct letter); rationals are read as pairs
_TYPES = {
    1: (1, "B"), 2: (1, "s"), 3: (2, "H"), 4: (4, "I"), 5: (8, "II"), 6: (1, "b"), 7: (1, "B"), 8: (2, "h"),
    9: (4, "i"), 10: (8, "ii"), 11: (4, "f"), 12: (8, "d"), 13: (4, "I"),
}  # fmt: skip

Number = int | float


@dataclass(frozen=True)
class Directory:
    """One image file directory: where it was found ("0", "0/sub0", "0/exif") and its entries.

    `entries` maps a tag to (field type, count, position of the value in the file). `ambiguous` where a tag stands in it
    twice or is of an unknown type: readers differ in what they make of it.
    """

    name: str
    entries: dict[int, tuple[int, int, int]]
    ambiguous: bool = False


@dataclass(frozen=True)
class TiffLayout:
    """The directories of one TIFF-based file."""

    path: Path
    file_bytes: int
    order: str  # struct byte order, "<" or ">"
    standard: bool  # True where the file carries TIFF's own magic number
    directories: tuple[Directory, ...]

    def numbers(self, directory: Directory, tag: int) -> tuple[Number, ...] | None:
        """Return a tag's numbers (rationals divided, NaN for x/0), None if absent or not readable."""
        entry = directory.entries.get(tag)
        if entry is None:
            return None
        with self.path.open("rb") as stream:
            return _numbers(stream, self.order, self.file_bytes, entry)

    def number(self, directory: Directory, tag: int, default: Number) -> Number:
        """Return a tag's first value, or `default` if it is absent or not readable."""
        values = self.numbers(directory, tag)
        return values[0] if values else default

    @property
    def is_dng(self) -> bool:
        """Tell whether the first directory carries a DNG version."""
        return bool(self.directories) and DNG_VERSION in self.directories[0].entries

    def sensor_pictures(self) -> list[Directory]:
        """Return the full-size directories of sensor samples: colour filter array, or a DNG's linear raw."""
        found = []
        for directory in self.directories:
            photometric = self.number(directory, PHOTOMETRIC, -1)
            full_size = self.number(directory, NEW_SUBFILE_TYPE, 0) == 0
            if full_size and (
                photometric == PHOTOMETRIC_CFA or (self.is_dng and photometric == PHOTOMETRIC_LINEAR_RAW)
            ):
                found.append(directory)
        return found

    def largest_picture(self) -> tuple[int, int] | None:
        """Return (width, height) [px] of the largest picture in the file, None if no directory tells."""
        best: tuple[int, int] | None = None
        for directory in self.directories:
            width = int(self.number(directory, IMAGE_WIDTH, 0))
            height = int(self.number(directory, IMAGE_LENGTH, 0))
            if width > 0 and height > 0 and (best is None or width * height > best[0] * best[1]):
                best = (width, height)
        return best


def read_layout(path: Path) -> TiffLayout | None:
    """Return the directories of `path`, None if it does not begin like a TIFF-based file.

    Raises
    ------
    OSError : the file cannot be read
    """
    with path.open("rb") as stream:
        magic = stream.read(4)
        order = _MAGIC.get(magic)
        if order is None:
            return None
        file_bytes = stream.seek(0, 2)
        directories = tuple(_walk(stream, order, file_bytes))
    return TiffLayout(path, file_bytes, order, magic in _STANDARD_MAGIC, directories)


def _walk(stream: BinaryIO, order: str, file_bytes: int) -> Iterator[Directory]:
    """Yield the chained directories and, after each, its sub-directories; damaged links end the walk."""
    stream.seek(4)
    first = stream.read(4)
    if len(first) < 4:
        return
    waiting: list[tuple[str, int]] = [("0", struct.unpack(order + "I", first)[0])]
    seen: set[int] = set()
    while waiting and len(seen) < _MAX_DIRECTORIES:
        name, offset = waiting.pop(0)
        if offset in seen or not 8 <= offset < file_bytes - 2:
            continue
        seen.add(offset)
        entries, ambiguous, following = _read_directory(stream, order, offset)
        yield Directory(name, entries, ambiguous)
        if SUB_IFDS in entries:
            for index, target in enumerate(_numbers(stream, order, file_bytes, entries[SUB_IFDS]) or ()):
                waiting.append((f"{name}/sub{index}", int(target)))
        if EXIF_IFD in entries:
            for target in _numbers(stream, order, file_bytes, entries[EXIF_IFD]) or ():
                waiting.append((f"{name}/exif", int(target)))
        if following and "/" not in name:
            waiting.append((str(int(name) + 1), following))


def _read_directory(stream: BinaryIO, order: str, offset: int) -> tuple[dict[int, tuple[int, int, int]], bool, int]:
    """Return the entries of the directory at `offset`, whether they are ambiguous, and the offset of the one that
    follows (0 = none)."""
    stream.seek(offset)
    head = stream.read(2)
    if len(head) < 2:
        return {}, False, 0
    count = struct.unpack(order + "H", head)[0]
    if count > _MAX_ENTRIES:
        return {}, False, 0
    block = stream.read(12 * count + 4)
    entries: dict[int, tuple[int, int, int]] = {}
    ambiguous = False
    for index in range(min(count, len(block) // 12)):
        tag, kind, number = struct.unpack_from(order + "HHI", block, 12 * index)
        if kind not in _TYPES or tag in entries:
            ambiguous = True
            continue
        if number * _TYPES[kind][0] <= 4:
            position = offset + 2 + 12 * index + 8
        else:
            position = struct.unpack_from(order + "I", block, 12 * index + 8)[0]
        entries[tag] = (kind, number, position)
    following = struct.unpack_from(order + "I", block, 12 * count)[0] if len(block) == 12 * count + 4 else 0
    return entries, ambiguous, following


def _numbers(stream: BinaryIO, order: str, file_bytes: int, entry: tuple[int, int, int]) -> tuple[Number, ...] | None:
    kind, count, position = entry
    size, letters = _TYPES[kind]
    length = count * size
    if kind == 2 or count == 0 or length > _MAX_VALUE_BYTES or position + length > file_bytes:
        return None
    stream.seek(position)
    block = stream.read(length)
    if len(block) != length:
        return None
    if len(letters) == 2:
        flat = struct.unpack(f"{order}{2 * count}{letters[0]}", block)
        return tuple(
            top / bottom if bottom else float("nan") for top, bottom in zip(flat[::2], flat[1::2], strict=True)
        )
    return struct.unpack(f"{order}{count}{letters}", block)
