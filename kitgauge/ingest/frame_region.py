"""Parts of a frame that the user points out for the search of edges (`--region x,y,w,h`)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from kitgauge.errors import UsageError
from kitgauge.frames.metadata import FrameSettings

_NEEDED = 'four numbers "x,y,width,height" from the top left of the frame as shown: pixels, or percent with %'
SMALLEST_PX = 40  # each way: an edge of 30 px with some ground beside it

# Exif orientation: whether rows and columns change places, then whether the shown x and y run against the sensor's
# (Exif 2.32, tag 0x0112: the side of the picture at which row 0 and column 0 of the samples are shown)
_ORIENTATIONS = {
    1: (False, False, False),
    2: (False, True, False),
    3: (False, True, True),
    4: (False, False, True),
    5: (True, False, False),
    6: (True, True, False),
    7: (True, True, True),
    8: (True, False, True),
}


@dataclass(frozen=True)
class Extent:
    """One number of a region: pixels, or percent of the frame's width or height."""

    value: float
    percent: bool = False

    def pixels(self, size: int) -> float:
        """Return the number in pixels of a frame that is `size` wide or high."""
        return self.value * size / 100.0 if self.percent else self.value

    def __str__(self) -> str:
        return f"{self.value:g}%" if self.percent else f"{self.value:g}"


@dataclass(frozen=True)
class FrameRegion:
    """A rectangle of the frame as shown: left, top, width and height."""

    x: Extent
    y: Extent
    width: Extent
    height: Extent

    def __str__(self) -> str:
        return f"{self.x},{self.y},{self.width},{self.height}"

    def on_sensor(self, shape: tuple[int, int], orientation: int | None = None) -> tuple[int, int, int, int]:
        """Return left, top, right and bottom [px] on the samples (rows, columns) of `shape`.

        `orientation` is the frame's Exif orientation (1 to 8; None is 1, shown as it is). Raises UsageError where the
        region reaches out of the frame or is too small for an edge.
        """
        swapped, x_reversed, y_reversed = _ORIENTATIONS[orientation or 1]
        rows, columns = shape
        shown_width, shown_height = (rows, columns) if swapped else (columns, rows)
        left, top = self.x.pixels(shown_width), self.y.pixels(shown_height)
        right, bottom = left + self.width.pixels(shown_width), top + self.height.pixels(shown_height)
        if right > shown_width + 0.5 or bottom > shown_height + 0.5:
            raise UsageError(
                "this region reaches out of the frame",
                where="--region",
                got=f"{self}: to column {right:.0f} and row {bottom:.0f}",
                needed=f"within {shown_width} x {shown_height} px, the frame as shown",
                fix="measure it again on the picture, or give percent: 10%,20%,15%,15%",
            )
        if min(right - left, bottom - top) < SMALLEST_PX:
            raise UsageError(
                "this region is too small for an edge",
                where="--region",
                got=f"{self}: {right - left:.0f} x {bottom - top:.0f} px",
                needed=f"{SMALLEST_PX} px or more each way, better 150",
                fix="take in more of the edge, and clear ground on both sides of it",
            )
        if x_reversed:
            left, right = shown_width - right, shown_width - left
        if y_reversed:
            top, bottom = shown_height - bottom, shown_height - top
        if swapped:
            left, top, right, bottom = top, left, bottom, right
        return max(0, round(left)), max(0, round(top)), min(columns, round(right)), min(rows, round(bottom))


def parse_regions(texts: Sequence[str]) -> tuple[FrameRegion, ...]:
    """Return the regions given as "x,y,width,height"; UsageError for anything else."""
    return tuple(_parsed(text) for text in texts)


def check_regions(frames: Iterable[FrameSettings], regions: Sequence[FrameRegion]) -> None:
    """Raise UsageError where a region reaches out of a frame whose metadata tell its size."""
    for settings in frames if regions else ():
        if settings.width_px and settings.height_px:
            for region in regions:
                region.on_sensor((settings.height_px, settings.width_px), settings.orientation)


def _parsed(text: str) -> FrameRegion:
    parts = [part.strip() for part in text.split(",")]
    try:
        x, y, width, height = (
            Extent(float(part.removesuffix("%").removesuffix("px")), part.endswith("%")) for part in parts
        )
    except ValueError:
        raise _unfit(text) from None
    extents = (x, y, width, height)
    fits = all(math.isfinite(extent.value) and extent.value >= 0 for extent in extents)
    if not (fits and width.value > 0 and height.value > 0):
        raise _unfit(text)
    for start, size, name in ((x, width, "wide"), (y, height, "high")):
        if start.percent and size.percent and start.value + size.value > 100.0 + 1e-9:
            raise UsageError(
                "this region reaches out of the frame",
                where="--region",
                got=f"{text}: {start.value + size.value:g} % {name}",
                needed="start and size that add up to 100 % or less",
                fix="make it smaller, or begin nearer to the top left",
            )
    return FrameRegion(x, y, width, height)


def _unfit(text: str) -> UsageError:
    return UsageError(
        "this is no region",
        where="--region",
        got=text,
        needed=_NEEDED,
        fix="for example --region 1200,800,400,300 or --region 10%,20%,15%,15%",
    )
