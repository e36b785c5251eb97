"""Write undeveloped samples as a DNG file with the settings a camera records.

Little-endian TIFF 6.0 with the tags of the DNG specification 1.4 (chapter 4) and an Exif IFD (Exif 2.32,
section 4.6.5). Samples go out as they came in: 16-bit uncompressed strips, or lossless-JPEG tiles (DNG 1.4,
"Compression" 7; needs the optional package imagecodecs). Tag numbers from memory of those documents; files
are checked by opening them with LibRaw and ExifRead in the tests.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kitgauge.atomic import atomic_file
from kitgauge.errors import ResultsError
from kitgauge.simulate.tiff import (
    Entry,
    ascii_entry,
    byte_entry,
    directory,
    long_entry,
    ratio,
    rational_entry,
    short_entry,
)

Compression = Literal["none", "lossless"]
Pattern = tuple[tuple[str, ...], ...]

BAYER_RGGB: Pattern = (("R", "G1"), ("G2", "B"))
MONOCHROME: Pattern = (("G",),)
# The widespread 6 x 6 pattern: two greens of three, every row and column holds all colours (common practice,
# no source).
SIX_BY_SIX: Pattern = tuple(tuple(row) for row in ("GBGGRG", "RGRBGB", "GBGGRG", "GRGGBG", "BGBRGR", "GRGGBG"))

_COLOUR_CODE = {"R": 0, "G": 1, "G1": 1, "G2": 1, "B": 2}  # CFAPattern, TIFF/EP
# XYZ to camera: that of an sRGB camera (IEC 61966-2-1, D65), so that colours are neutral without a profile
_COLOUR_MATRIX = (3.2406, -1.5372, -0.4986, -0.9689, 1.8758, 0.0415, 0.0557, -0.2040, 1.0570)

_ISO_SHORT_MAX = 65535
_TILE_ROWS, _TILE_COLUMNS = 256, 256


@dataclass(frozen=True)
class RecordedSettings:
    """What the camera writes about a frame; None leaves the tag out, as a manual lens or a bare scanner does.

    Values are as marked on the dials (`shutter_s` 1/60, `f_number` 5.6). `utc_offset` reads "+01:00".
    `pixel_pitch_um` becomes the focal-plane resolution in pixels per centimetre. `orientation` is TIFF's 1 to
    8. `as_shot_neutral` is the camera's (R, G, B) of a neutral grey, relative to green.
    """

    make: str | None = None
    model: str | None = None
    body_serial: str | None = None
    lens: str | None = None
    iso: float | None = None
    shutter_s: float | None = None
    f_number: float | None = None
    focal_mm: float | None = None
    focal_35mm: float | None = None
    taken_at: datetime | None = None
    utc_offset: str | None = None
    pixel_pitch_um: float | None = None
    orientation: int = 1
    as_shot_neutral: tuple[float, float, float] = (1.0, 1.0, 1.0)


def shutter_rational(shutter_s: float) -> tuple[int, int]:
    """Return a marked shutter time as cameras write it: 1/60 -> (1, 60), 0.8 -> (8, 10), 30 -> (30, 1).

    Times that are on no dial are written to eight digits.
    """
    if not shutter_s > 0:
        raise ValueError(f"shutter time must be positive, got {shutter_s}")
    per_s = 1.0 / shutter_s
    if shutter_s < 0.29 and abs(per_s - round(per_s)) < 1e-6 * per_s:
        return 1, round(per_s)
    if abs(shutter_s - round(shutter_s)) < 1e-9:
        return round(shutter_s), 1
    if abs(10 * shutter_s - round(10 * shutter_s)) < 1e-9:
        return round(10 * shutter_s), 10
    return ratio(shutter_s, 10**8)


def _iso_entries(iso: float) -> list[Entry]:
    """Exif 2.3, section 4.6.5: 34855 holds 65535 where the value does not fit, LONG tags the value."""
    value = round(iso)
    entries = [short_entry(34855, min(value, _ISO_SHORT_MAX))]
    if value > _ISO_SHORT_MAX:
        # SensitivityType 7: output sensitivity, exposure index and ISO speed all given
        entries += [
            short_entry(34864, 7),
            long_entry(34865, value),
            long_entry(34866, value),
            long_entry(34867, value),
        ]
    return entries


def _exif_entries(settings: RecordedSettings) -> list[Entry]:
    entries = [byte_entry(36864, b"0232", undefined=True)]
    if settings.shutter_s is not None:
        entries.append(rational_entry(33434, [shutter_rational(settings.shutter_s)]))
    if settings.f_number is not None:
        entries.append(rational_entry(33437, [ratio(settings.f_number, 100)]))
    if settings.iso is not None:
        entries += _iso_entries(settings.iso)
    if settings.taken_at is not None:
        taken = settings.taken_at
        entries += [
            ascii_entry(36867, taken.strftime("%Y:%m:%d %H:%M:%S")),
            ascii_entry(37521, f"{taken.microsecond // 1000:03d}"),
        ]
        if settings.utc_offset is not None:
            entries.append(ascii_entry(36881, settings.utc_offset))
    if settings.focal_mm is not None:
        entries.append(rational_entry(37386, [ratio(settings.focal_mm, 100)]))
    if settings.focal_35mm is not None:
        entries.append(short_entry(41989, round(settings.focal_35mm)))
    if settings.pixel_pitch_um is not None:
        per_cm = [ratio(1e4 / settings.pixel_pitch_um)]
        entries += [rational_entry(41486, per_cm), rational_entry(41487, per_cm), short_entry(41488, 3)]
    if settings.body_serial is not None:
        entries.append(ascii_entry(42033, settings.body_serial))
    if settings.lens is not None:
        entries.append(ascii_entry(42036, settings.lens))
    return entries


def _black_entries(black: NDArray[np.float64]) -> list[Entry]:
    repeat = short_entry(50713, *black.shape)
    flat = [float(value) for value in black.ravel()]
    if all(value == round(value) for value in flat):
        return [repeat, long_entry(50714, *(round(value) for value in flat))]
    return [repeat, rational_entry(50714, [ratio(value) for value in flat])]


def _picture_entries(
    shape: tuple[int, int],
    pattern: Pattern,
    black: NDArray[np.float64],
    white: int,
    settings: RecordedSettings,
    active_area: tuple[int, int, int, int] | None,
    masked_areas: Sequence[tuple[int, int, int, int]],
) -> list[Entry]:
    rows, columns = shape
    monochrome = len(pattern) == 1 and len(pattern[0]) == 1
    entries = [
        long_entry(254, 0),
        long_entry(256, columns),
        long_entry(257, rows),
        short_entry(258, 16),
        short_entry(262, 34892 if monochrome else 32803),
        short_entry(274, settings.orientation),
        short_entry(277, 1),
        short_entry(284, 1),
        ascii_entry(305, "kitgauge simulated camera"),
        byte_entry(50706, bytes((1, 4, 0, 0))),
        byte_entry(50707, bytes((1, 1, 0, 0))),
        long_entry(50717, white),
        *_black_entries(black),
    ]
    if settings.make is not None:
        entries.append(ascii_entry(271, settings.make))
    if settings.model is not None:
        entries.append(ascii_entry(272, settings.model))
    names = [text for text in (settings.make, settings.model) if text]
    entries.append(ascii_entry(50708, " ".join(names) or "Unnamed"))
    if not monochrome:
        codes = bytes(_COLOUR_CODE[name] for row in pattern for name in row)
        entries += [
            short_entry(33421, len(pattern), len(pattern[0])),
            byte_entry(33422, codes),
            byte_entry(50710, bytes((0, 1, 2))),
            short_entry(50711, 1),
            rational_entry(50721, [ratio(value) for value in _COLOUR_MATRIX], signed=True),
            short_entry(50778, 21),
            rational_entry(50728, [ratio(value) for value in settings.as_shot_neutral]),
        ]
    if active_area is not None:
        entries.append(long_entry(50829, *active_area))
    if masked_areas:
        entries.append(long_entry(50830, *(value for area in masked_areas for value in area)))
    return entries


def _lossless_tiles(samples: NDArray[np.uint16]) -> tuple[list[Entry], list[bytes]]:
    """Return layout tags and the encoded tiles, row by row.

    Two interleaved components per tile, predictor 1, as raw files have it. No tile may be wider than the
    picture (LibRaw then decodes wrong without an error), so a small picture gets small tiles.
    """
    try:
        import imagecodecs
    except ImportError as error:
        raise ResultsError(
            "lossless DNG needs the package imagecodecs",
            fix="install imagecodecs, or write with compression 'none'",
        ) from error
    rows, columns = samples.shape
    tile_columns = min(_TILE_COLUMNS, columns // 16 * 16)
    if -(-columns // tile_columns) == 2:
        # exactly two tiles across: LibRaw leaves every second row 0, without an error
        tile_columns = max(16, -(-columns // 3) // 16 * 16)
    tile_rows = min(_TILE_ROWS, rows // 16 * 16)
    if not (tile_columns and tile_rows):
        raise ResultsError(
            "the picture is too small for lossless tiles",
            got=f"{rows} x {columns}",
            needed="16 x 16 or larger",
        )
    padded = np.pad(samples, ((0, -rows % tile_rows), (0, -columns % tile_columns)), mode="edge")
    bits = 14 if int(samples.max(initial=0)) < 1 << 14 else 16
    tiles = []
    for top in range(0, padded.shape[0], tile_rows):
        for left in range(0, padded.shape[1], tile_columns):
            tile = np.ascontiguousarray(padded[top : top + tile_rows, left : left + tile_columns])
            pairs = tile.reshape(tile_rows, tile_columns // 2, 2)
            tiles.append(bytes(imagecodecs.jpeg8_encode(pairs, lossless=True, predictor=1, bitspersample=bits)))
    return [short_entry(259, 7), long_entry(322, tile_columns), long_entry(323, tile_rows)], tiles


def _check(samples: NDArray[Any], pattern: Pattern, black: NDArray[np.float64], white: int, where: Path) -> None:
    rows, columns = len(pattern), len(pattern[0])
    if samples.ndim != 2 or samples.dtype != np.uint16 or not samples.size:
        raise ResultsError(
            "samples must be a filled (row, column) array of 16-bit unsigned integers",
            where=where,
            got=f"shape {samples.shape}, {samples.dtype}",
        )
    unknown = {name for row in pattern for name in row} - set(_COLOUR_CODE)
    if unknown or any(len(row) != columns for row in pattern):
        raise ResultsError("not a colour pattern", where=where, got=pattern, needed=f"colours {list(_COLOUR_CODE)}")
    if black.shape not in ((1, 1), (rows, columns)):
        raise ResultsError(
            "black levels do not fit the pattern",
            where=where,
            got=black.shape,
            needed=f"a number or {rows} x {columns}",
        )
    if not (black >= 0).all() or not float(black.max()) < white <= 65535:
        raise ResultsError("white must be above black, and both within 0..65535", where=where, got=f"{black}, {white}")


def write_dng(
    path: str | Path,
    samples: NDArray[np.uint16],
    pattern: Pattern,
    black: ArrayLike,
    white: int,
    settings: RecordedSettings | None = None,
    *,
    active_area: tuple[int, int, int, int] | None = None,
    masked_areas: Sequence[tuple[int, int, int, int]] = (),
    compression: Compression = "none",
) -> Path:
    """Write one frame as a DNG file, whole or not at all, and return its path.

    Parameters
    ----------
    samples : (row, column) uint16 DN, black not subtracted
    pattern : colour names of the repeating pattern: 2 x 2 of any phase, 6 x 6, or (("G",),) for monochrome
    black : DN, one number or one per pattern position; fractions are written as rationals (LibRaw truncates
        them)
    white : DN at which samples saturate
    settings : recorded settings; None writes none
    active_area : top, left, bottom, right [px] of the exposed part; None means the whole frame
    masked_areas : the same four numbers for each light-shielded area

    Raises
    ------
    ResultsError : the samples do not fit the format, imagecodecs is missing, or the file cannot be written
    """
    path = Path(path)
    settings = settings or RecordedSettings()
    black_dn = np.atleast_2d(np.asarray(black, dtype=np.float64))
    _check(samples, pattern, black_dn, white, path)
    black_dn = np.broadcast_to(black_dn, (len(pattern), len(pattern[0])))
    shape = (int(samples.shape[0]), int(samples.shape[1]))
    entries = _picture_entries(shape, pattern, black_dn, white, settings, active_area, masked_areas)
    parts: list[bytes] | list[memoryview]
    if compression == "lossless":
        layout, parts = _lossless_tiles(samples)
        offsets_tag, lengths_tag = 324, 325
    else:
        layout = [short_entry(259, 1), long_entry(278, shape[0])]
        parts = [np.ascontiguousarray(samples, dtype="<u2").data.cast("B")]
        offsets_tag, lengths_tag = 273, 279
    entries += layout
    lengths = [len(part) for part in parts]
    header = _header(entries, _exif_entries(settings), offsets_tag, lengths_tag, lengths)
    _write_whole(path, [header, *parts])
    return path


def _header(entries: list[Entry], exif: list[Entry], offsets_tag: int, lengths_tag: int, lengths: list[int]) -> bytes:
    """Return everything before the samples. Two passes: offsets do not change the directory's length."""

    def build(exif_offset: int, data_offset: int) -> tuple[bytes, int]:
        starts = [data_offset + sum(lengths[:index]) for index in range(len(lengths))]
        main = directory(
            [
                *entries,
                long_entry(34665, exif_offset),
                long_entry(offsets_tag, *starts),
                long_entry(lengths_tag, *lengths),
            ],
            8,
        )
        return main, 8 + len(main) + len(main) % 2

    main, exif_offset = build(0, 0)
    exif_table = directory(exif, exif_offset)
    data_offset = -(-(exif_offset + len(exif_table)) // 16) * 16
    main, _ = build(exif_offset, data_offset)
    head = struct.pack("<2sHI", b"II", 42, 8) + main
    return (head.ljust(exif_offset, b"\0") + exif_table).ljust(data_offset, b"\0")


def _write_whole(path: Path, parts: Sequence[bytes | memoryview]) -> None:
    with atomic_file(path, durable=False) as file:
        for part in parts:
            file.write(part)
