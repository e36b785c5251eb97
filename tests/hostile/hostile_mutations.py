"""Seeded damage to files: what a bad card, a bad cable, a bad editor or a bad person does to them."""

from __future__ import annotations

import random
import re
import struct
from dataclasses import dataclass

MARK = "<img src=x onerror=kg()>"  # must never reach a page as it stands
_HEAD_BYTES = 1024
_EXTREMES = (0, 1, 2, 3, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x10000, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)
_WORDS = (
    "", "0", "-1", "1e308", "-1e308", "1e-308", "5e-324", "nan", "inf", "-inf", "NaN", "Infinity", "1" + "0" * 400,
    "9" * 5000, "0x" + "f" * 6000, "true", "null", "[]", "{}", "[" * 3000, "[" * 60 + "]" * 60, '{"a":' * 60, "1/0",
    "1/60", "2026-13-45", "0001-01-01", f'"{MARK}"', MARK, "'\"><script>kg()</script>", '"../../../etc/passwd"',
    '"/dev/zero"', "\\u0000", "\x00", "\ufeff", "\u202e\u05d0", "\ud800", "=1+1", '"' + "x" * 20_000 + '"',
    "{{7*7}}", "%s%n", "\r\n", "\x1b[31m",
)  # fmt: skip


@dataclass(frozen=True)
class Damage:
    """What was done to a file: the kind, and the range of bytes of the original that it touched."""

    kind: str
    start: int
    stop: int


def damage_bytes(content: bytes, draw: random.Random) -> tuple[bytes, list[Damage]]:
    """Return a damaged copy of a binary file and what was done, in order; places are those before each step."""
    done: list[Damage] = []
    for _ in range(draw.choice((1, 1, 1, 2, 3))):
        content, one = draw.choice(_OF_BYTES)(content, draw)
        done.append(one)
    return content, done


def damage_text(content: bytes, draw: random.Random) -> tuple[bytes, list[Damage]]:
    """Return a damaged copy of a text file and what was done: values, lines and structure, at times the bytes."""
    done: list[Damage] = []
    for _ in range(draw.choice((1, 1, 1, 2, 3, 6))):
        kinds = _OF_BYTES if draw.random() < 0.15 else _OF_TEXT
        content, one = draw.choice(kinds)(content, draw)
        done.append(one)
    return content, done


def _place(content: bytes, draw: random.Random) -> int:
    """Return a place, half the time near the beginning, where the structure of most files is told."""
    if not content:
        return 0
    return draw.randrange(min(len(content), _HEAD_BYTES) if draw.random() < 0.5 else len(content))


def _block(content: bytes, draw: random.Random) -> tuple[int, int]:
    start = _place(content, draw)
    length = int(2 ** draw.uniform(0, 16))
    return start, min(len(content), start + length)


def _flip_bits(content: bytes, draw: random.Random) -> tuple[bytes, Damage]:
    changed = bytearray(content)
    places = [_place(content, draw) for _ in range(draw.choice((1, 1, 2, 8, 40)))] if content else []
    for place in places:
        changed[place] ^= 1 << draw.randrange(8)
    return bytes(changed), Damage("bits flipped", min(places, default=0), max(places, default=-1) + 1)


def _truncate(content: bytes, draw: random.Random) -> tuple[bytes, Damage]:
    length = draw.choice((_place(content, draw), max(0, len(content) - draw.randrange(1, 64)), len(content) // 2))
    return content[:length], Damage("cut off", length, len(content))


def _delete(content: bytes, draw: random.Random) -> tuple[bytes, Damage]:
    start, stop = _block(content, draw)
    return content[:start] + content[stop:], Damage("block deleted", start, stop)


def _duplicate(content: bytes, draw: random.Random) -> tuple[bytes, Damage]:
    start, stop = _block(content, draw)
    times = draw.choice((1, 1, 2, 5))
    return content[:stop] + content[start:stop] * times + content[stop:], Damage("block doubled", stop, stop)


def _fill(content: bytes, draw: random.Random) -> tuple[bytes, Damage]:
    start, stop = _block(content, draw)
    value = draw.choice((b"\0", b"\0", b"\xff", b"A"))
    return content[:start] + value * (stop - start) + content[stop:], Damage("block filled", start, stop)


def _randomise(content: bytes, draw: random.Random) -> tuple[bytes, Damage]:
    start, stop = _block(content, draw)
    return content[:start] + draw.randbytes(stop - start) + content[stop:], Damage("block random", start, stop)


def _swap(content: bytes, draw: random.Random) -> tuple[bytes, Damage]:
    a, b = sorted((_block(content, draw), _block(content, draw)))
    if a[1] > b[0]:
        return content, Damage("nothing", 0, 0)
    swapped = content[: a[0]] + content[b[0] : b[1]] + content[a[1] : b[0]] + content[a[0] : a[1]] + content[b[1] :]
    return swapped, Damage("blocks swapped", a[0], b[1])


def _blow_up(content: bytes, draw: random.Random) -> tuple[bytes, Damage]:
    """Write an extreme number where a length or count may stand."""
    form = draw.choice(("<H", ">H", "<I", ">I"))
    size = struct.calcsize(form)
    if len(content) < size:
        return content, Damage("nothing", 0, 0)
    start = min(_place(content, draw) // 2 * 2, len(content) - size)
    value = draw.choice((*_EXTREMES, len(content), len(content) - 1, len(content) // 2, draw.randrange(1 << 16)))
    changed = content[:start] + struct.pack(form, value & ((1 << 8 * size) - 1)) + content[start + size :]
    return changed, Damage("number blown up", start, start + size)


def _markup(content: bytes, draw: random.Random) -> tuple[bytes, Damage]:
    """Write markup, or bytes that are no text, over a run of letters (a body's name, a date)."""
    runs = [match.span() for match in re.finditer(rb"[ -~]{6,}", content[:_HEAD_BYTES])]
    if not runs:
        return content, Damage("nothing", 0, 0)
    start, stop = draw.choice(runs)
    text = draw.choice(
        (MARK.encode(), b"\xff\xfe\x80" * 9, "\u202e\u05d0".encode() * 6, b"9" * 40, b"2026:13:45 99:99")
    )
    text = (text * 9)[: stop - start]
    return content[:start] + text + content[stop:], Damage("text replaced", start, stop)


def _value(content: bytes, draw: random.Random) -> tuple[bytes, Damage]:
    """Put something else in place of one number or text."""
    found = [match.span() for match in re.finditer(rb'"[^"\n]*"|-?\d[\d.eE+/-]*|\b(?:true|false|null)\b', content)]
    if not found:
        return content, Damage("nothing", 0, 0)
    start, stop = draw.choice(found)
    word = draw.choice(_WORDS)
    number = content[start:stop]
    if draw.random() < 0.4 and re.fullmatch(rb"-?\d+(\.\d+)?", number):  # one that may be
        new = b"%.6g" % (float(number[:300]) * 10 ** draw.uniform(-1.5, 1.5))
    elif draw.random() < 0.3:  # another value of the same file: it has a right form
        a, b = draw.choice(found)
        new = content[a:b]
    else:
        new = word.encode("utf-8", "surrogatepass")
        if draw.random() < 0.5 and content[start : start + 1] == b'"' and not word.startswith('"'):
            new = b'"' + new.replace(b'"', b"'") + b'"'
    return content[:start] + new + content[stop:], Damage("value replaced", start, stop)


def _word(content: bytes, draw: random.Random) -> tuple[bytes, Damage]:
    start = _place(content, draw)
    new = draw.choice(_WORDS).encode("utf-8", "surrogatepass")
    return content[:start] + new + content[start:], Damage("text put in", start, start)


def _lines(content: bytes, draw: random.Random) -> tuple[bytes, Damage]:
    """Delete, double, move or nest lines."""
    lines = content.split(b"\n")
    where = draw.randrange(len(lines))
    how = draw.choice(("delete", "double", "move", "many"))
    if how == "delete":
        lines.pop(where)
    elif how == "double":
        lines.insert(where, lines[where])
    elif how == "move":
        lines.insert(draw.randrange(len(lines)), lines.pop(where))
    else:
        lines[where:where] = [lines[where]] * 300
    return b"\n".join(lines), Damage(f"line: {how}", 0, len(content))


_OF_BYTES = (_flip_bits, _truncate, _delete, _duplicate, _fill, _randomise, _swap, _blow_up, _blow_up, _markup)
_OF_TEXT = (_value, _value, _value, _value, _word, _lines)
