"""Entries and directories of a little-endian TIFF file (TIFF 6.0, section 2; layout from memory)."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

_BYTE, _ASCII, _SHORT, _LONG, _RATIONAL, _UNDEFINED, _SIGNED_RATIONAL = 1, 2, 3, 4, 5, 7, 10


@dataclass(frozen=True)
class Entry:
    """One entry of a directory: tag number, TIFF type, number of values, values as bytes."""

    tag: int
    kind: int
    count: int
    payload: bytes


def ascii_entry(tag: int, text: str) -> Entry:
    """Return an entry of text; characters outside ASCII become question marks."""
    payload = text.encode("ascii", "replace") + b"\0"
    return Entry(tag, _ASCII, len(payload), payload)


def short_entry(tag: int, *values: int) -> Entry:
    """Return an entry of 16-bit numbers."""
    return Entry(tag, _SHORT, len(values), struct.pack(f"<{len(values)}H", *values))


def long_entry(tag: int, *values: int) -> Entry:
    """Return an entry of 32-bit numbers."""
    return Entry(tag, _LONG, len(values), struct.pack(f"<{len(values)}I", *values))


def byte_entry(tag: int, values: bytes, *, undefined: bool = False) -> Entry:
    """Return an entry of bytes, of the type "undefined" where the tag asks for that."""
    return Entry(tag, _UNDEFINED if undefined else _BYTE, len(values), values)


def rational_entry(tag: int, ratios: Sequence[tuple[int, int]], *, signed: bool = False) -> Entry:
    """Return an entry of (numerator, denominator) pairs."""
    payload = b"".join(struct.pack("<ii" if signed else "<II", *ratio) for ratio in ratios)
    return Entry(tag, _SIGNED_RATIONAL if signed else _RATIONAL, len(ratios), payload)


def ratio(value: float, largest_denominator: int = 10_000) -> tuple[int, int]:
    """Return the nearest fraction with a denominator up to `largest_denominator`."""
    fraction = Fraction(value).limit_denominator(largest_denominator)
    return fraction.numerator, fraction.denominator


def directory(entries: list[Entry], offset: int) -> bytes:
    """Return the IFD that starts at byte `offset`, its long values behind it (TIFF 6.0, section 2)."""
    entries = sorted(entries, key=lambda entry: entry.tag)
    heap_start = offset + 2 + 12 * len(entries) + 4
    table, heap = struct.pack("<H", len(entries)), b""
    for entry in entries:
        if len(entry.payload) <= 4:
            value = entry.payload.ljust(4, b"\0")
        else:
            value = struct.pack("<I", heap_start + len(heap))
            heap += entry.payload + b"\0" * (len(entry.payload) % 2)
        table += struct.pack("<HHI", entry.tag, entry.kind, entry.count) + value
    return table + struct.pack("<I", 0) + heap
