"""Where a file keeps its Exif block, and the block's tags by number.

ExifRead reads TIFF-based files, JPEG and HEIC by itself. This module finds the block in the containers that
it does not read: RAF (a JPEG inside), CR3 (ISO base media boxes with one TIFF block per directory), PNG
(chunk eXIf) and MRW. Sources: Exif 3.0 (CIPA DC-008); PNG 1.5 extensions (eXIf); ISO/IEC 14496-12 (boxes);
layouts of RAF, CR3 and MRW from memory.
"""

from __future__ import annotations

import io
import logging
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO, cast

import exifread

# ExifRead warns of every odd tag on its own logger; odd tags are told through `FrameSettings.missing`
# instead.
_LOG = logging.getLogger("exifread")
_LOG.addHandler(logging.NullHandler())
_LOG.propagate = False

# (directory, tag number) -> values. Directory "exif" is the Exif directory, "image" the first one.
Tags = dict[tuple[str, int], Any]

_MAX_EMBEDDED_BYTES = 4 << 20  # an Exif block is at most 64 KiB in JPEG; larger ones are thumbnails
_MAX_READS = 500_000  # ExifRead reads a maker note byte by byte, as many bytes as its tag says
_MAX_PARTS = 10_000  # chunks, boxes, segments: more are a damaged file
_TIFF_MAGIC = (b"II*\0", b"MM\0*", b"IIRO", b"IIRS", b"MMOR", b"IIU\0")
_HEIF_BRANDS = (b"ftypheic", b"ftypavif", b"ftypmif1", b"ftypheix", b"ftypmsf1")
_CR3_UUID = bytes.fromhex("85c0b687820f11e08111f4ce462b6a48")
_PNG_MAGIC = b"\x89PNG\r\n\x1a\n"


_TIFF_HEADER_BYTES = 8  # TIFF 6.0, section 2: nothing else can lie there


class _Bounded(io.BufferedIOBase):
    """A binary stream that never reads past its end, so that a damaged length asks for no gigabytes, nor for hours."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self.end = stream.seek(0, io.SEEK_END)
        self._reads_left = _MAX_READS
        stream.seek(0)

    def read(self, size: int | None = -1, /) -> bytes:
        self._reads_left -= 1
        if self._reads_left < 0:
            raise ValueError("a tag says that it is longer than any is")
        left = max(self.end - self._stream.tell(), 0)
        return self._stream.read(left if size is None or size < 0 else min(size, left))

    def seek(self, offset: int, whence: int = io.SEEK_SET, /) -> int:
        return self._stream.seek(offset, whence)

    def tell(self) -> int:
        return self._stream.tell()


def container(head: bytes) -> str | None:
    """Return the kind of file that begins with `head` (16 bytes): "tiff", "jpeg", "png", ... or None."""
    if head[:4] in _TIFF_MAGIC:
        return "tiff"
    if head[:2] == b"\xff\xd8":
        return "jpeg"
    if head[:8] == _PNG_MAGIC:
        return "png"
    if head[:15] == b"FUJIFILMCCD-RAW":
        return "raf"
    if head[4:12] == b"ftypcrx ":
        return "cr3"
    if head[4:12] in _HEIF_BRANDS:
        return "heif"
    if head[:4] == b"\0MRM":
        return "mrw"
    return None


def read_tags(path: Path, *, maker_note: bool = False) -> tuple[Tags, str | None]:
    """Return the Exif tags of `path` and, where there are none, the reason in plain words.

    `maker_note` also reads the maker's own block (slower), under the directory "maker" by name.

    Raises
    ------
    OSError : the file cannot be read
    """
    with path.open("rb") as stream:
        kind = container(stream.read(32))
        if kind is None:
            return {}, "the file is of no kind whose metadata can be read"
        tags: Tags = {}
        try:
            for directory, block in _blocks(stream, kind):
                tags.update(_read_block(block, directory, maker_note))
        except OSError:
            raise
        except Exception as error:  # a damaged block may break ExifRead anywhere; what was read so far is kept
            return tags, None if tags else f"the metadata is damaged ({type(error).__name__}: {error})"
    return tags, None if tags else "the file holds no metadata"


def _read_block(block: BinaryIO, directory: str | None, maker_note: bool) -> Tags:
    """Return the tags of one Exif stream; `directory` renames the first directory of a CR3 block."""
    bounded = _Bounded(block)
    found = exifread.process_file(cast(BinaryIO, bounded), details=maker_note, extract_thumbnail=False)
    tags: Tags = {}
    for name, tag in found.items():
        number, values = getattr(tag, "tag", None), getattr(tag, "values", None)
        if number is None or values is None or (isinstance(values, list | tuple | str | bytes) and not values):
            continue
        group = name.split(" ", 1)[0]
        if group != "MakerNote" and isinstance(values, str) and not _whole(tag, bounded.end):
            continue
        if group == "MakerNote":
            tags[("maker:" + name.split(" ", 1)[1], number)] = values
        elif group == "Image":
            tags[(directory or "image", number)] = values
        elif group == "EXIF" and not name.startswith("EXIF SubIFD"):
            tags[("exif", number)] = values
    return tags


def _whole(tag: Any, end: int) -> bool:
    """Tell whether a text lies inside the block: of one in a file that was cut short, ExifRead returns the beginning,
    and half a serial number is another camera's."""
    start, length = int(tag.field_offset), int(tag.field_length)
    return start >= _TIFF_HEADER_BYTES and start + length <= end


def _blocks(stream: BinaryIO, kind: str) -> Iterator[tuple[str | None, BinaryIO]]:
    """Yield (name for the first directory or None, stream of a block that ExifRead can read)."""
    if kind in ("tiff", "jpeg", "heif"):
        yield None, stream
    elif kind == "raf":
        stream.seek(84)
        offset, length = struct.unpack(">II", stream.read(8))
        yield None, _embedded(stream, offset, length)
    elif kind == "cr3":
        for name, offset, length in _cr3_blocks(stream):
            yield {"CMT1": "image", "CMT2": "exif"}[name], _embedded(stream, offset, length)
    elif kind == "png":
        for chunk, offset, length in _png_chunks(stream):
            if chunk == b"eXIf":
                yield None, _embedded(stream, offset, length)
    else:
        for chunk, offset, length in _mrw_blocks(stream):
            if chunk == b"\0TTW":
                yield None, _embedded(stream, offset, length)


def _embedded(stream: BinaryIO, offset: int, length: int) -> BinaryIO:
    stream.seek(offset)
    return io.BytesIO(stream.read(min(length, _MAX_EMBEDDED_BYTES)))


def _boxes(stream: BinaryIO, start: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Yield (type, start of content, end) of the boxes between two positions."""
    for _ in range(_MAX_PARTS):
        if start + 8 > end:
            return
        stream.seek(start)
        head = stream.read(16)
        if len(head) < 8:
            return
        size, header = int.from_bytes(head[:4], "big"), 8
        if size == 1 and len(head) == 16:
            size, header = int.from_bytes(head[8:16], "big"), 16
        elif size == 0:
            size = end - start
        if size < header:
            return
        yield head[4:8], start + header, min(start + size, end)
        start += size


def _cr3_blocks(stream: BinaryIO) -> Iterator[tuple[str, int, int]]:
    end = stream.seek(0, io.SEEK_END)
    for kind, start, stop in _boxes(stream, 0, end):
        if kind != b"moov":
            continue
        for inner, inner_start, inner_stop in _boxes(stream, start, stop):
            stream.seek(inner_start)
            if inner != b"uuid" or stream.read(16) != _CR3_UUID:
                continue
            for name, at, until in _boxes(stream, inner_start + 16, inner_stop):
                if name in (b"CMT1", b"CMT2"):
                    yield name.decode("ascii"), at, until - at


def _png_chunks(stream: BinaryIO) -> Iterator[tuple[bytes, int, int]]:
    position = 8
    for _ in range(_MAX_PARTS):
        stream.seek(position)
        head = stream.read(8)
        if len(head) < 8:
            return
        length = int.from_bytes(head[:4], "big")
        yield head[4:8], position + 8, length
        position += 12 + length


def _mrw_blocks(stream: BinaryIO) -> Iterator[tuple[bytes, int, int]]:
    stream.seek(4)
    end = 8 + int.from_bytes(stream.read(4), "big")
    position = 8
    for _ in range(_MAX_PARTS):
        stream.seek(position)
        head = stream.read(8)
        if len(head) < 8 or position + 8 > end:
            return
        length = int.from_bytes(head[4:8], "big")
        yield head[:4], position + 8, length
        position += 8 + length


def picture_size(path: Path) -> tuple[int, int] | None:
    """Return (width, height) [px] of the picture of a JPEG or PNG from its header, None if it does not tell.

    Sources: ITU-T T.81 (JPEG frame header), PNG (IHDR).

    Raises
    ------
    OSError : the file cannot be read
    """
    with path.open("rb") as stream:
        kind = container(stream.read(32))
        if kind == "png":
            stream.seek(16)
            head = stream.read(8)
            size = struct.unpack(">II", head) if len(head) == 8 else (0, 0)
        elif kind == "jpeg":
            size = _jpeg_size(stream)
        else:
            return None
    return (size[0], size[1]) if size[0] > 0 and size[1] > 0 else None


def _jpeg_size(stream: BinaryIO) -> tuple[int, int]:
    position = 2
    for _ in range(_MAX_PARTS):
        stream.seek(position)
        head = stream.read(9)
        if len(head) < 9 or head[0] != 0xFF:
            return 0, 0
        marker = head[1]
        if marker == 0xFF:  # fill byte
            position += 1
        elif 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            height, width = struct.unpack(">HH", head[5:9])
            return width, height
        elif marker in (0xD9, 0xDA):
            return 0, 0
        elif marker == 0x01 or 0xD0 <= marker <= 0xD8:  # no length
            position += 2
        else:
            position += 2 + int.from_bytes(head[2:4], "big")
    return 0, 0
