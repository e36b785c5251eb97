"""One developed picture (JPEG, PNG, TIFF; 8 or 16 bits) -> linear light of its colours, and linear luminance.

A developed picture holds the camera's or a program's tone curve, noise reduction and sharpening; only its
colour encoding can be undone. The result is marked `rendered`.

Sources: sRGB transfer, IEC 61966-2-1: L = V/12.92 for V <= 0.04045, else ((V + 0.055)/1.055)^2.4; luminance
of sRGB primaries Y = 0.2126 R + 0.7152 G + 0.0722 B (ITU-R BT.709-6, item 3.2).
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from kitgauge.errors import FrameError
from kitgauge.flags import describe
from kitgauge.frames.colour_profile import Encoding, encoding_of
from kitgauge.frames.exif_source import container, picture_size
from kitgauge.frames.kept_frames import kept_or
from kitgauge.frames.mosaic import Mosaic
from kitgauge.frames.readable import cannot_read, check_readable
from kitgauge.frames.tiff_layout import BITS_PER_SAMPLE, read_layout

WHITE = 65535
_BAND_ROWS = 256


@dataclass(frozen=True)
class DevelopedPicture:
    """A developed picture as stored, with what its codes mean.

    `codes` is (row, column) for a grey picture, else (row, column, red green blue), uint8 or uint16. `tables`
    (3, number of codes) float32 holds the light 0..1 of each code of red, green and blue, `weights` the share of
    each in luminance. Codes are kept instead of light: they take a quarter of the memory, and how coarse they are
    must be known where noise is measured.
    """

    path: Path
    codes: NDArray[np.uint8] | NDArray[np.uint16]
    encoding: Encoding
    tables: NDArray[np.float32]

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return int(self.codes.shape[0]), int(self.codes.shape[1])

    @property
    def bits(self) -> int:
        """Bits per colour, 8 or 16."""
        return 8 * self.codes.dtype.itemsize

    @property
    def weights(self) -> tuple[float, float, float]:
        """Share of red, green and blue in luminance; they add to 1."""
        return self.encoding.weights

    def light(self, rows: slice = slice(None), columns: slice = slice(None)) -> NDArray[np.float32]:
        """Return linear light 0..1 (row, column, red green blue) of a part of the picture."""
        part = self.codes[rows, columns]
        channels = [part] * 3 if part.ndim == 2 else [part[..., channel] for channel in range(3)]
        return np.stack([table[codes] for table, codes in zip(self.tables, channels, strict=True)], axis=-1)

    def luminance(self) -> Mosaic:
        """Return the linear luminance as samples: uint16 0..65535, one green plane, black 0."""
        samples = luminance(self.codes, self.encoding)
        if int(samples.min()) == int(samples.max()):
            raise _empty(self.path)
        # the encoding itself defines code 0 as black
        notes = (self.encoding.text,)
        return Mosaic(
            self.path, samples, (("G",),), np.zeros((1, 1)), float(WHITE), "metadata", rendered=True, notes=notes
        )


def open_rendered(path: str | Path) -> Mosaic:
    """Return the linear luminance of a developed picture: uint16 0..65535, one green plane, black 0, as
    stored. Everything else is as `open_developed` has it.
    """
    return open_developed(path).luminance()


def open_developed(path: str | Path) -> DevelopedPicture:
    """Return a developed picture, decoded once: its codes, and the linear light that they stand for.

    The colour profile inside the file is used where it has a curve per channel; otherwise sRGB is taken, and
    `encoding.text` says so. The Exif orientation is not applied.

    Raises
    ------
    FrameError : the file cannot be read or decoded, is too large, is in colours that have no luminance rule
    here, or has the same value everywhere
    """
    path = Path(path)
    check_readable(path)
    try:
        codes, profile = kept_or(path, "codes", lambda: _decode(path))
    except (FrameError, KeyboardInterrupt):
        raise
    except MemoryError as error:
        raise _broken(path, "more pixels than fit into memory") from error
    except OSError as error:
        if error.errno is not None:
            raise cannot_read(path, error) from error
        raise _broken(path, str(error)) from error
    except Exception as error:  # a damaged file may break a decoder anywhere
        raise _broken(path, f"{type(error).__name__}: {error}") from error
    # a few samples tell most pictures, without another pass over all of them
    if codes.size == 0 or all(bool((part == codes[0, 0]).all()) for part in (codes[::64, ::64], codes)):
        raise _empty(path)
    encoding = encoding_of(profile)
    fractions = np.linspace(0.0, 1.0, 256 if codes.dtype == np.uint8 else 65536)
    tables = np.stack([np.clip(curve(fractions), 0.0, 1.0) for curve in encoding.curves]).astype(np.float32)
    return DevelopedPicture(path, codes, encoding, tables)


def luminance(codes: NDArray[np.uint8] | NDArray[np.uint16], encoding: Encoding) -> NDArray[np.uint16]:
    """Return linear luminance 0..65535 (row, column) of codes (row, column) or (row, column, 3 colours)."""
    levels = 256 if codes.dtype == np.uint8 else 65536
    curves = [curve(np.linspace(0.0, 1.0, levels)).astype(np.float32) for curve in encoding.curves]
    if codes.ndim == 2:
        table = np.round(np.clip(curves[1], 0, 1) * WHITE).astype(np.uint16)
        return table[codes]
    tables = [curve * np.float32(weight * WHITE) for curve, weight in zip(curves, encoding.weights, strict=True)]
    rows, columns = codes.shape[:2]
    result = np.empty((rows, columns), dtype=np.uint16)
    for top in range(0, rows, _BAND_ROWS):
        band = codes[top : top + _BAND_ROWS]
        total = tables[0][band[..., 0]] + tables[1][band[..., 1]] + tables[2][band[..., 2]]
        result[top : top + _BAND_ROWS] = np.clip(np.rint(total), 0, WHITE)
    return result


def _empty(path: Path) -> FrameError:
    entry = describe("empty-picture")
    return FrameError(entry.text, flag=entry.name, where=path, fix=entry.advice)


def _broken(path: Path, got: str) -> FrameError:
    entry = describe("unreadable")
    return FrameError(entry.text, flag=entry.name, where=path, got=got, fix=entry.advice)


def _decode(path: Path) -> tuple[NDArray[np.uint8] | NDArray[np.uint16], bytes | None]:
    """Return codes (row, column) or (row, column, 3) and the file's colour profile."""
    with path.open("rb") as stream:
        kind = container(stream.read(32))
        stream.seek(24)
        png_bits = stream.read(1)
    if kind == "tiff":
        layout = read_layout(path)
        bits = int(layout.number(layout.directories[0], BITS_PER_SAMPLE, 8)) if layout and layout.directories else 8
        if bits != 8:
            return _decode_tiff(path)
    elif kind == "png" and png_bits == b"\x10":
        return _decode_wide(path), _pillow_profile(path)
    elif kind not in ("jpeg", "png"):
        raise FrameError(
            "the file is no picture that can be opened",
            flag="unreadable",
            where=path,
            needed="JPEG, PNG or TIFF, or a camera's raw file",
            fix="export the picture as 16-bit TIFF, or JPEG",
        )
    return _decode_pillow(path)


def _decode_pillow(path: Path) -> tuple[NDArray[np.uint8], bytes | None]:
    from PIL import Image

    _check_size(path)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of odd tags and large pictures; the limit proper is checked above
        with Image.open(path) as picture:
            profile = picture.info.get("icc_profile")
            if picture.mode in ("CMYK", "LAB", "HSV", "F", "I"):
                raise _colours_refused(path, picture.mode)
            wanted = "L" if picture.mode in ("L", "LA", "1", "La") else "RGB"
            codes = np.asarray(picture if picture.mode == wanted else picture.convert(wanted))
    return codes, profile if isinstance(profile, bytes) else None


def _check_size(path: Path) -> None:
    from PIL import Image

    size = picture_size(path)
    limit = 2 * (Image.MAX_IMAGE_PIXELS or 0)
    if size is not None and limit and size[0] * size[1] > limit:
        raise _broken(path, f"{size[0]} x {size[1]} pixels, more than the {limit} that a developed picture may have")


def _pillow_profile(path: Path) -> bytes | None:
    from PIL import Image

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with Image.open(path) as picture:
            profile = picture.info.get("icc_profile")
    return profile if isinstance(profile, bytes) else None


def _decode_tiff(path: Path) -> tuple[NDArray[np.uint8] | NDArray[np.uint16], bytes | None]:
    import tifffile

    with tifffile.TiffFile(path) as file:
        page = file.pages.first
        tag = page.tags.get(34675)  # InterColorProfile
        profile = bytes(tag.value) if tag is not None else None
        photometric = int(page.photometric)
        bits = int(page.bitspersample)
        if page.dtype != np.uint16 or bits != 16 or photometric not in (1, 2):
            raise _colours_refused(path, f"{bits}-bit {page.dtype} samples, colour model {photometric}")
        _check_count(path, int(page.imagewidth), int(page.imagelength))
        try:
            codes = page.asarray()
        except ValueError:  # a compression that tifffile needs a codec package for, such as LZW
            codes = _decode_wide(path)
        if int(page.planarconfig) == 2 and codes.ndim == 3 and codes.shape[0] in (3, 4):
            codes = np.moveaxis(codes, 0, -1)
    if codes.ndim == 3 and codes.shape[2] in (1, 2):
        codes = codes[..., 0]
    return (codes if codes.ndim == 2 else codes[..., :3]), profile


def _decode_wide(path: Path) -> NDArray[np.uint16]:
    """Return the 16-bit codes of a PNG or TIFF as (row, column) or (row, column, red green blue)."""
    import cv2

    codes = cv2.imdecode(np.fromfile(path, dtype=np.uint8), cv2.IMREAD_UNCHANGED)
    if codes is None or codes.dtype != np.uint16:
        raise _broken(path, "the decoder gave no 16-bit picture")
    if codes.ndim == 3 and codes.shape[2] in (1, 2):
        codes = codes[..., 0]
    return np.asarray(codes if codes.ndim == 2 else codes[..., 2::-1])


def _check_count(path: Path, width: int, height: int) -> None:
    from PIL import Image

    limit = 2 * (Image.MAX_IMAGE_PIXELS or 0)
    if limit and width * height > limit:
        raise _broken(path, f"{width} x {height} pixels, more than the {limit} that a developed picture may have")


def _colours_refused(path: Path, got: str) -> FrameError:
    return FrameError(
        "the picture's colours have no luminance rule here",
        flag="unreadable",
        where=path,
        got=got,
        needed="grey or RGB of 8 or 16 bits",
        fix="export the picture as RGB TIFF or JPEG in sRGB",
    )
