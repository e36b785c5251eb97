"""A TIFF/DNG writer for the tests of `frames`: bytes by hand, nothing from the package under test."""

from __future__ import annotations

import struct

_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 9: 4, 10: 8, 11: 4, 12: 8}
_LETTERS = {1: "B", 3: "H", 4: "I", 9: "i", 11: "f", 12: "d"}


def _packed(kind, values):
    """Return (count, bytes) of a field's values: text, bytes, numbers, or (numerator, denominator) pairs."""
    if kind == 2:
        data = values.encode() if isinstance(values, str) else values
        data += b"\0"
        return len(data), data
    if kind == 7:
        return len(values), bytes(values)
    values = (
        values if isinstance(values, list | tuple) and not (kind in (5, 10) and isinstance(values, tuple)) else [values]
    )
    if kind in (5, 10):
        letter = "I" if kind == 5 else "i"
        flat = [part for pair in values for part in pair]
        return len(values), struct.pack(f"<{len(flat)}{letter}", *flat)
    return len(values), struct.pack(f"<{len(values)}{_LETTERS[kind]}", *values)


def tiff_bytes(entries, exif=None, pixels=b"", pixel_tags=(273, 279), first=b"II*\0"):
    """Return a little-endian TIFF: one directory, an optional Exif directory, and one strip of pixels.

    `entries` and `exif` map a tag to (field type, values); the strip's offset and length are filled in by
    themselves where `pixels` is not empty, unless `entries` holds the tag already.
    """
    entries = dict(entries)
    if pixels:
        entries.setdefault(pixel_tags[0], (4, 0xFEEDFACE))
        entries.setdefault(pixel_tags[1], (4, len(pixels)))
    if exif:
        entries[34665] = (4, 0xFEEDBEEF)

    def directory(fields, start):
        head_size = 2 + 12 * len(fields) + 4
        rows, extra = b"", b""
        for tag in sorted(fields):
            kind, values = fields[tag]
            count, data = _packed(kind, values)
            if len(data) > 4:
                place = struct.pack("<I", start + head_size + len(extra))
                extra += data + b"\0" * (len(data) % 2)
            else:
                place = data.ljust(4, b"\0")
            rows += struct.pack("<HHI", tag, kind, count) + place
        return struct.pack("<H", len(fields)) + rows + b"\0\0\0\0" + extra

    main = directory(entries, 8)
    second_at = 8 + len(main)
    second = directory(exif, second_at) if exif else b""
    pixels_at = second_at + len(second)
    main = main.replace(struct.pack("<I", 0xFEEDBEEF), struct.pack("<I", second_at))
    main = main.replace(struct.pack("<I", 0xFEEDFACE), struct.pack("<I", pixels_at))
    return first + struct.pack("<I", 8) + main + second + pixels


def dng_entries(samples, *, cfa=(0, 1, 1, 2), black=None, white=None, active=None, more=None):
    """Return the tags of an uncompressed DNG of (row, column) samples; `cfa` lists 4 or 36 colours."""
    rows, columns = samples.shape[:2]
    bits = samples.dtype.itemsize * 8
    entries = {
        254: (4, 0), 256: (4, columns), 257: (4, rows), 258: (3, bits), 259: (3, 1), 262: (3, 32803),
        274: (3, 1), 277: (3, 1), 278: (4, rows), 284: (3, 1), 271: (2, "Northlight"),
        272: (2, "Northlight One"),
        50706: (1, [1, 4, 0, 0]), 50707: (1, [1, 1, 0, 0]), 50708: (2, "Northlight One"),
        50721: (10, [(1, 1), (0, 1), (0, 1), (0, 1), (1, 1), (0, 1), (0, 1), (0, 1), (1, 1)]), 50778: (3, 21),
    }  # fmt: skip
    if cfa is None:
        entries[262] = (3, 34892)
    else:
        side = int(len(cfa) ** 0.5)
        entries[33421] = (3, [side, side])
        entries[33422] = (1, list(cfa))
        entries[50710] = (1, [0, 1, 2])
        entries[50711] = (3, 1)
    if black is not None:
        values = black if isinstance(black, list) else [black]
        side = int(len(values) ** 0.5)
        entries[50713] = (3, [side, side])
        entries[50714] = (5, [value if isinstance(value, tuple) else (value, 1) for value in values])
    if white is not None:
        entries[50717] = (4, white)
    if active is not None:
        entries[50829] = (4, list(active))
    entries.update(more or {})
    return entries
