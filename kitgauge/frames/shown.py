"""A frame as a picture to look at: colours for the screen, nothing sharpened, nothing brightened.

A developed picture is shown as it is. Undeveloped samples are developed plainly by LibRaw: white balance of the camera,
colours between samples interpolated linearly, sRGB, no automatic brightness, so that frames of one series can be
compared in brightness as well.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from kitgauge.errors import FrameError
from kitgauge.frames.opening import is_raw, open_frame
from kitgauge.frames.rendered import open_developed
from kitgauge.srgb import linear_to_srgb

Picture = NDArray[np.uint8]

# Exif orientation -> turns by 90 degrees against the clock (after a flip from left to right where the value is even
# up to 4, or 5 and 7); Exif 3.0 (CIPA DC-008), tag 274
_TURNS = {1: (0, False), 2: (0, True), 3: (2, False), 4: (2, True), 5: (1, True), 6: (3, False), 7: (3, True),
          8: (1, False)}  # fmt: skip


def shown_picture(path: str | Path, shape: tuple[int, int]) -> Picture:
    """Return a frame as (row, column, red green blue) uint8, as stored: its orientation is not applied.

    `shape` (rows, columns) is that of its samples, as `open_frame` told it. Raises FrameError where it cannot be
    opened.
    """
    path = Path(path)
    if not is_raw(path):
        codes = open_developed(path).codes
        if codes.dtype != np.uint8:
            codes = (codes >> 8).astype(np.uint8)
        return np.asarray(codes if codes.ndim == 3 else np.repeat(codes[..., None], 3, axis=2), dtype=np.uint8)
    developed = _developed(path)
    if developed is not None and developed.shape[:2] == shape:
        return developed
    mosaic = open_frame(path)
    # what LibRaw cannot develop is shown in grey: the mean of each two neighbours both ways, whatever their colour
    signal = mosaic.signal()
    smooth = signal.copy()
    smooth[:-1, :-1] = 0.25 * (signal[:-1, :-1] + signal[1:, :-1] + signal[:-1, 1:] + signal[1:, 1:])
    light = np.clip(smooth / (mosaic.white_dn - float(mosaic.black_dn.mean())), 0.0, 1.0)
    grey = np.rint(255.0 * linear_to_srgb(light)).astype(np.uint8)
    return np.repeat(grey[..., None], 3, axis=2)


def _developed(path: Path) -> Picture | None:
    import rawpy

    from kitgauge.frames.raw import library_file

    try:
        with library_file(rawpy, path) as raw:
            return np.asarray(
                raw.postprocess(
                    demosaic_algorithm=rawpy.DemosaicAlgorithm.LINEAR,
                    use_camera_wb=True,
                    no_auto_bright=True,
                    output_bps=8,
                    user_flip=0,
                ),
                dtype=np.uint8,
            )
    except (rawpy.LibRawError, FrameError, ValueError, MemoryError):
        return None


def upright(picture: NDArray[np.uint8], orientation: int | None) -> Picture:
    """Return a picture turned as its Exif orientation says (1 to 8; anything else: as it is)."""
    turns, flipped = _TURNS.get(orientation or 1, (0, False))
    seen = picture[:, ::-1] if flipped else picture
    return np.ascontiguousarray(np.rot90(seen, turns))


def upright_place(x: float, y: float, orientation: int | None) -> tuple[float, float]:
    """Return where a place (x, y as shares of width and height, 0 to 1) lies in the picture that `upright` returns."""
    turns, flipped = _TURNS.get(orientation or 1, (0, False))
    x = 1.0 - x if flipped else x
    for _ in range(turns):
        x, y = y, 1.0 - x
    return x, y
