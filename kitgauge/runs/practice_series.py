"""One practice series: its frames in order, laid on each other, and what differs between them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.exposure import exact_f_number
from kitgauge.ingest.practice_blur import Boxes
from kitgauge.ingest.record import FrameRecord, capture_order
from kitgauge.measure.practice.changes import Movement, in_frame, map_shape, movement
from kitgauge.measure.practice.depth import ROUGH_RANGE_PX, Depth, depth_of_series, rough_blur
from kitgauge.measure.practice.flat_noise import SeriesNoise, noise_of_series
from kitgauge.measure.practice.tile_table import TileGrid, TileTable, tile_grid
from kitgauge.planner.depth_of_field import CIRCLE_OUTPUT_MP, circle_of_confusion_mm

Array = NDArray[np.float64]

_BOX = 8  # pixels of the map


def first_reference(records: Sequence[FrameRecord], setting: str | None) -> FrameRecord:
    """Return the frame that the others are laid on: likely to be sharp and to resemble all of them.

    Of a series of shutter times the fastest, of ISO values the lowest, of f-numbers the middle one; of single tries the
    first.
    """
    ordered = in_order(records, setting)
    return ordered[len(ordered) // 2] if setting == "f_number" else ordered[0]


def in_order(records: Sequence[FrameRecord], setting: str | None) -> list[FrameRecord]:
    """Return the frames by the setting that is stepped through, rising, equal ones by time; by time without one."""
    if setting is None:
        return sorted(records, key=capture_order)
    return sorted(records, key=lambda record: (getattr(record, setting) or math.inf, *capture_order(record)))


@dataclass(frozen=True)
class Series:
    """The frames of one series, in order, with what was measured of each (file -> measurement)."""

    setting: str | None
    records: tuple[FrameRecord, ...]
    measured: Mapping[str, Mapping[str, Any]]

    @cached_property
    def laid(self) -> tuple[FrameRecord, ...]:
        """The frames that show the common scene."""
        return tuple(r for r in self.records if (self.measured.get(r.file) or {}).get("tiles"))

    @cached_property
    def shape(self) -> tuple[int, int] | None:
        """Rows and columns of the frames that are laid on each other."""
        for record in self.laid:
            rows, columns = self.measured[record.file]["shape"]
            return int(rows), int(columns)
        return None

    @cached_property
    def grid(self) -> TileGrid | None:
        """The tiles of the series."""
        return None if self.shape is None else tile_grid(self.shape)

    @cached_property
    def tables(self) -> tuple[TileTable, ...]:
        """What each of `laid` shows in the tiles."""
        return tuple(TileTable.from_dict(self.measured[r.file]["tiles"]) for r in self.laid)

    def matrix(self, record: FrameRecord) -> Array:
        """Return the map from the common frame into `record`'s, that of a frame that was not moved where unknown."""
        found = (self.measured.get(record.file) or {}).get("matrix")
        return np.eye(2, 3) if found is None else np.array(found, dtype=np.float64)

    @property
    def sharp_px(self) -> float:
        """The blur up to which a place counts as sharp [px]: as the planner has it, for a picture of 8 megapixels, or
        of all that the frame has where that is less."""
        if self.shape is None:
            return math.nan
        megapixels = self.shape[0] * self.shape[1] / 1e6
        return circle_of_confusion_mm(math.hypot(*self.shape), min(megapixels, CIRCLE_OUTPUT_MP))  # in pixels here

    @cached_property
    def movement(self) -> Movement | None:
        """What moves, in a series of shutter times or between tries; places are those of `laid`."""
        if self.setting not in ("shutter_s", None):
            return None
        maps = [self.measured[record.file]["map"] for record in self.laid]
        return movement([np.array(one["values"], dtype=np.float32).reshape(one["rows"], -1) for one in maps])

    @cached_property
    def depth(self) -> Depth | None:
        """Where each of `laid` is sharp, in a series of f-numbers."""
        if self.setting != "f_number" or len(self.laid) < 2:
            return None
        f_numbers = [exact_f_number(record.f_number or math.nan) for record in self.laid]
        return depth_of_series(self.tables, f_numbers, self.sharp_px)

    @cached_property
    def noise(self) -> SeriesNoise | None:
        """Noise of `laid` against the first of them."""
        return noise_of_series(self.tables) if len(self.laid) > 1 else None

    @cached_property
    def brightness_stops(self) -> Array:
        """Brightness of `laid` against the first of them [stops]: the median over the tiles that both show."""
        levels = np.stack([np.where(table.clipped < 0.02, table.level, np.nan) for table in self.tables])
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = np.log2(levels / levels[0])
        known = np.isfinite(ratio)
        return np.array(
            [float(np.median(row[ok])) if ok.any() else math.nan for row, ok in zip(ratio, known, strict=True)]
        )

    @cached_property
    def rough_streak_px(self) -> Array | None:
        """Blur of `laid` against the sharpest of them [px], as roughly as their detail tells."""
        return rough_blur(self.tables) if len(self.laid) > 1 else None

    @cached_property
    def compared_with(self) -> FrameRecord | None:
        """The frame that the blur of the others is measured against: of those that are about as sharp as the sharpest
        the one with the least noise. None in a series of f-numbers, whose blur is not one thing for a whole frame."""
        if self.setting == "f_number" or len(self.laid) < 2:
            return None
        rough = self.rough_streak_px
        sharp = [k for k in range(len(self.laid)) if rough is None or rough[k] <= ROUGH_RANGE_PX[0]]
        stops = self.noise.all_stops if self.noise is not None else np.zeros(len(self.laid))
        known = [k for k in sharp if math.isfinite(stops[k])]
        if known:
            return self.laid[min(known, key=lambda k: float(stops[k]))]
        return min((self.laid[k] for k in sharp), key=lambda r: (r.iso or math.inf, r.shutter_s or math.inf))

    def moving_parts(self, record: FrameRecord) -> Boxes:
        """Return the parts of one frame [px] in which something moves at some time."""
        if self.movement is None or self.shape is None:
            return ()
        rows, columns = map_shape(self.shape)
        matrix = self.matrix(record)
        boxes = []
        for top in range(0, rows, _BOX):
            for left in range(0, columns, _BOX):
                if self.movement.area[top : top + _BOX, left : left + _BOX].any():
                    ends = ((left - 0.5, top - 0.5), (left + _BOX - 0.5, top + _BOX - 0.5))
                    (x0, y0), (x1, y1) = (matrix @ [*in_frame(x, y, self.shape), 1.0] for x, y in ends)
                    boxes.append((math.floor(min(x0, x1)), math.floor(min(y0, y1)), math.ceil(max(x0, x1)),
                                  math.ceil(max(y0, y1))))  # fmt: skip
        return tuple(boxes)
