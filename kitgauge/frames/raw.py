"""One raw file -> its undeveloped samples, checked before and after decoding.

Decoding alone proves little: a damaged file may decode to zeros, to a repeat of its rows, or to another
frame's pixels without an error. What can be seen cheaply is checked: sizes and offsets before any pixel
work, empty, repeated and blank parts afterwards. Rows of an earlier frame left in memory cannot be told from
a picture.

Facts about LibRaw measured with rawpy 0.28 (LibRaw 0.22): the Bayer pattern and its per-colour black are
given for the whole frame; float and linear-RGB samples are truncated or demosaiced without an error; DNG
black levels are truncated to integers. Levels of a DNG are therefore read from its own tags (DNG 1.7:
BlackLevel, WhiteLevel, MaskedAreas).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.errors import FrameError
from kitgauge.flags import describe
from kitgauge.frames import frame_memory
from kitgauge.frames.decoded_checks import find_fault
from kitgauge.frames.dng_samples import PlainSamples, read_plain_samples
from kitgauge.frames.levels import (
    VisibleArea,
    dng_black,
    dng_masked_areas,
    dng_white,
    masked_black,
    masked_rectangles,
)
from kitgauge.frames.mosaic import Mosaic, put_together
from kitgauge.frames.readable import cannot_read, check_readable
from kitgauge.frames.tiff_layout import (
    BITS_PER_SAMPLE,
    COMPRESSION,
    COMPRESSION_JPEG,
    IMAGE_LENGTH,
    IMAGE_WIDTH,
    PHOTOMETRIC,
    PHOTOMETRIC_LINEAR_RAW,
    SAMPLE_FORMAT,
    SAMPLE_FORMAT_FLOAT,
    SAMPLES_PER_PIXEL,
    STRIP_BYTE_COUNTS,
    STRIP_OFFSETS,
    TILE_BYTE_COUNTS,
    TILE_OFFSETS,
    Directory,
    TiffLayout,
    read_layout,
)

# A lossless frame of a real sensor needs more than one bit per pixel (its noise alone); far less is a
# damaged or hostile file that would ask for gigabytes.
_MIN_BITS_PER_PIXEL = 0.25
_MAX_PIXELS = 600_000_000
_MAX_MISSING_SHARE = 0.01  # some cameras state slightly too long a strip


def open_raw(path: str | Path, *, together: bool = False) -> Mosaic:
    """Return the undeveloped samples of a raw file, put together by colour if asked (see `Mosaic`).

    `samples` is a copy of the visible area, (row, column) uint16, black still in it. The pattern names each
    position by place: G1 is the green in rows with red, G2 the green in rows with blue; 6 x 6 patterns have
    R, G, B; a monochrome sensor is G. Black comes from masked pixels where there are some that look black,
    else from metadata.

    Raises
    ------
    FrameError : the file cannot be read or decoded, holds developed colours, or holds no picture (`flag`
    tells which)
    """
    import rawpy

    path = Path(path)
    file_bytes = check_readable(path)
    try:
        layout = read_layout(path)
    except OSError as error:
        raise cannot_read(path, error) from error
    if layout is not None:
        check_layout(layout)
    try:
        with library_file(rawpy, path) as raw:
            return _mosaic(rawpy, raw, path, file_bytes, layout, together)
    except rawpy.LibRawError as error:
        raise refused("unreadable", path, got=library_message(error), fix=describe("unreadable").advice) from error
    except MemoryError as error:
        raise refused("unreadable", path, got="more pixels than fit into memory") from error
    except NotImplementedError as error:  # rawpy, for a picture type or colour pattern that it does not know
        raise refused("not-raw-samples", path, got="a kind of picture that the decoder does not know") from error
    except OSError as error:
        raise cannot_read(path, error) from error


def check_raw_header(path: Path) -> None:
    """Raise FrameError where LibRaw does not know the file as a raw file; no pixels are unpacked."""
    import rawpy

    try:
        with library_file(rawpy, path):
            return
    except rawpy.LibRawError as error:
        raise refused("unreadable", path, got=library_message(error)) from error
    except OSError as error:
        raise cannot_read(path, error) from error


def refused(flag: str, path: Path, *, got: str, needed: str | None = None, fix: str | None = None) -> FrameError:
    """Return the error for a frame that a flag of the registry rejects."""
    entry = describe(flag)
    return FrameError(entry.text, flag=flag, where=path, got=got, needed=needed, fix=fix or entry.advice)


def library_message(error: Exception) -> str:
    """Return LibRaw's message as text; rawpy hands it over as bytes, or as their repr."""
    cause = error.args[0] if error.args else str(error)
    if isinstance(cause, bytes):
        return cause.decode("utf-8", "replace")
    text = str(cause)
    if len(text) > 2 and text[0] == "b" and text[1] in "'\"" and text[-1] == text[1]:
        text = text[2:-1]
    return text


def library_file(rawpy: Any, path: Path) -> Any:
    """Return LibRaw's open file, by its path.

    A name that is not valid UTF-8 cannot be passed on, so that file is read into memory.
    """
    try:
        name = str(path)
        name.encode("utf-8")
    except UnicodeEncodeError:
        with path.open("rb") as stream:
            return rawpy.imread(stream)
    return rawpy.imread(name)


def _mosaic(rawpy: Any, raw: Any, path: Path, file_bytes: int, layout: TiffLayout | None, together: bool) -> Mosaic:
    sizes = raw.sizes  # known without decoding
    check_pixels(path, int(sizes.raw_width), int(sizes.raw_height), file_bytes)
    area = VisibleArea(int(sizes.top_margin), int(sizes.left_margin), int(sizes.height), int(sizes.width))
    plain = _plain_samples(raw, layout, area, together)
    if plain is not None:
        whole = plain.whole
    else:
        if raw.raw_type != rawpy.RawType.Flat:  # decodes
            raise refused("not-raw-samples", path, got="several colours per pixel")
        whole = raw.raw_image
    if min(area.height, area.width) < 2 or (
        area.top + area.height > whole.shape[0] or area.left + area.width > whole.shape[1]
    ):
        raise refused("unreadable", path, got=f"a visible area of {area.width} x {area.height} pixels")
    indices: NDArray[np.intp] | None = None
    if plain is not None:
        names = position_names([list(row) for row in plain.letters])
    else:
        indices, names = _colours(raw, path, area)
    pattern_shape = (len(names), len(names[0]))
    picture = _dng_picture(layout, whole.shape)
    if layout is not None and picture is not None:
        stated = dng_black(layout, picture, area, pattern_shape)
        white = dng_white(layout, picture)
        marked = dng_masked_areas(layout, picture)
    else:
        stated, white, marked = _library_black(raw, indices), float(raw.white_level), None
    rectangles = masked_rectangles(whole.shape, area, marked)
    measured = masked_black(whole, area, pattern_shape, rectangles, stated, white) if rectangles else None
    if measured is not None:
        black, source = measured, "masked"
    elif stated is not None:
        black, source = stated, "metadata"
    else:
        black, source = np.zeros(pattern_shape), "unknown"
    if not white > float(np.max(black)):
        raise refused(
            "unreadable",
            path,
            got=f"white level {white:g}, black level {float(np.max(black)):g}",
            needed="white above black",
            fix="copy the file from the card again: its levels are damaged",
        )
    visible: NDArray[np.uint16] = whole[area.top : area.top + area.height, area.left : area.left + area.width]
    fault = find_fault(visible, float(np.min(black)), white)
    if fault is not None:
        raise refused(fault.flag, path, got=fault.text)
    step = pattern_shape[1] if together else 1
    samples: NDArray[np.uint16]
    if plain is not None and visible.shape == whole.shape:
        samples = whole
        if not plain.together:
            put_together(samples, step)
    else:  # LibRaw's memory goes with the open file; a frame's borders need not stay
        samples = frame_memory.empty(visible.shape)
        put_together(visible, step, samples)
    return Mosaic(path, samples, names, black, white, source, together=together)


def _plain_samples(raw: Any, layout: TiffLayout | None, area: VisibleArea, together: bool) -> PlainSamples | None:
    """Return the samples of a DNG so plain that they need no decoder, None for all others."""
    if layout is None or int(raw.num_colors) != 3 or raw.color_desc != b"RGBG":
        return None
    return read_plain_samples(layout, (int(raw.sizes.raw_height), int(raw.sizes.raw_width)), area, together=together)


def _colours(raw: Any, path: Path, area: VisibleArea) -> tuple[NDArray[np.intp], tuple[tuple[str, ...], ...]]:
    """Return colour index and name of each pattern position, counted from the visible area's corner."""
    found = raw.raw_pattern
    if found is None:
        raise refused("not-raw-samples", path, got="no colour pattern")
    if int(raw.num_colors) == 1:
        return np.zeros((1, 1), dtype=np.intp), (("G",),)
    whole = np.asarray(found, dtype=np.intp)
    indices = np.roll(whole, (-area.top, -area.left), axis=(0, 1))
    letters = raw.color_desc.decode("ascii", "replace")
    if any(index >= len(letters) or letters[index] not in "RGB" for index in np.unique(indices)):
        raise refused(
            "not-raw-samples",
            path,
            got=f"colour filters {letters}",
            needed="red, green and blue filters",
            fix="this sensor's colours are not handled: record JPEG or TIFF for a second best",
        )
    return indices, position_names([[letters[index] for index in row] for row in indices])


def position_names(letters: list[list[str]]) -> tuple[tuple[str, ...], ...]:
    """Return names by place: in a 2 x 2 pattern the green beside red is G1, the one beside blue G2."""
    bayer = sorted(letter for row in letters for letter in row) == ["B", "G", "G", "R"] and len(letters) == 2
    if not bayer:
        return tuple(tuple(row) for row in letters)
    return tuple(
        tuple(("G1" if "R" in row else "G2") if letter == "G" else letter for letter in row) for row in letters
    )


def _library_black(raw: Any, indices: NDArray[np.intp] | None) -> NDArray[np.float64] | None:
    """Return LibRaw's black per position; None where it knows none (all 0)."""
    if indices is None:
        return None
    levels = np.array(raw.black_level_per_channel, dtype=np.float64)
    return levels[indices] if np.any(levels > 0) else None


def _dng_picture(layout: TiffLayout | None, shape: tuple[int, ...]) -> Directory | None:
    """Return the directory of a DNG's decoded picture, by its size where there are several, else None."""
    if layout is None or not layout.is_dng:
        return None
    pictures = layout.sensor_pictures()
    for directory in pictures:
        if (layout.number(directory, IMAGE_LENGTH, 0), layout.number(directory, IMAGE_WIDTH, 0)) == shape:
            return directory
    return pictures[0] if len(pictures) == 1 else None


def check_pixels(path: Path, width: int, height: int, file_bytes: int) -> None:
    """Refuse a picture size that the file cannot hold, before memory is asked for.

    Raises
    ------
    FrameError : too many pixels, none, or fewer than 0.25 bits of file for each
    """
    pixels = width * height
    if pixels <= 0 or pixels > _MAX_PIXELS or 8.0 * file_bytes / pixels < _MIN_BITS_PER_PIXEL:
        raise refused(
            "unreadable",
            path,
            got=f"{width} x {height} pixels in a file of {file_bytes} bytes",
            needed=f"at least {_MIN_BITS_PER_PIXEL} bits per pixel, at most {_MAX_PIXELS} pixels",
        )


def check_layout(layout: TiffLayout) -> None:
    """Refuse what a TIFF-based file's directories already show to be undecodable.

    Raises
    ------
    FrameError : float or several colours per pixel in a DNG, impossible size, strips or tiles outside the
    file
    """
    for directory in layout.sensor_pictures():
        path = layout.path
        samples_per_pixel = int(layout.number(directory, SAMPLES_PER_PIXEL, 1))
        if layout.number(directory, PHOTOMETRIC, 0) == PHOTOMETRIC_LINEAR_RAW and samples_per_pixel > 1:
            raise refused("not-raw-samples", path, got=f"{samples_per_pixel} colours per pixel (linear raw)")
        bits = int(layout.number(directory, BITS_PER_SAMPLE, 16))
        if layout.number(directory, SAMPLE_FORMAT, 1) == SAMPLE_FORMAT_FLOAT or bits > 16:
            raise refused(
                "not-raw-samples",
                path,
                got=f"{bits}-bit floating point or wide samples",
                needed="integers of at most 16 bits, as sensors give them",
                fix="use the camera's own raw file, not a merged or converted one",
            )
        width = int(layout.number(directory, IMAGE_WIDTH, 0))
        height = int(layout.number(directory, IMAGE_LENGTH, 0))
        check_pixels(path, width, height, layout.file_bytes)
        if layout.standard:
            _check_places(layout, directory)


def _check_places(layout: TiffLayout, directory: Directory) -> None:
    """Refuse strips or tiles that lie at 0, outside the file, or (in a DNG) on top of one another."""
    offsets = layout.numbers(directory, TILE_OFFSETS) or layout.numbers(directory, STRIP_OFFSETS)
    counts = layout.numbers(directory, TILE_BYTE_COUNTS) or layout.numbers(directory, STRIP_BYTE_COUNTS)
    if not offsets or not counts or len(offsets) != len(counts):
        if layout.is_dng:
            raise refused("unreadable", layout.path, got="no list of where its picture data lie")
        return
    starts = np.array(offsets, dtype=np.float64)
    lengths = np.array(counts, dtype=np.float64)
    if np.all(starts >= layout.file_bytes):
        raise FrameError(
            "the file holds no picture: it is cut off before its samples",
            flag="empty-picture",
            where=layout.path,
            got=f"picture data from byte {starts.min():.0f} on, in a file of {layout.file_bytes} bytes",
            needed="the whole file",
            fix=describe("empty-picture").advice,
        )
    if np.any(starts < 8) or np.any(lengths <= 0):
        raise refused("unreadable", layout.path, got="picture data at an impossible place in the file")
    if layout.is_dng and np.unique(starts).size != starts.size:
        raise refused("unreadable", layout.path, got="two parts of the picture at the same place in the file")
    beyond = np.clip(starts + lengths - layout.file_bytes, 0, lengths).sum()
    if beyond > (0 if layout.is_dng else _MAX_MISSING_SHARE * lengths.sum()):
        raise refused(
            "unreadable",
            layout.path,
            got=f"picture data up to byte {(starts + lengths).max():.0f} of {layout.file_bytes} bytes",
            needed="the whole file",
            fix="copy the file from the card again: it is cut off",
        )
    if layout.is_dng and layout.number(directory, COMPRESSION, 1) == COMPRESSION_JPEG:
        _check_jpeg_parts(layout, starts)


def _check_jpeg_parts(layout: TiffLayout, starts: NDArray[np.float64]) -> None:
    """Refuse a part that does not begin as JPEG: the decoder would leave it and the rest undone."""
    with layout.path.open("rb") as stream:
        for start in starts:
            stream.seek(int(start))
            if stream.read(2) != b"\xff\xd8":
                raise refused("unreadable", layout.path, got=f"damaged compressed data at byte {start:.0f}")
