"""Where to look in a practice series: the places that tell most of what its setting does."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitgauge.ingest.record import FrameRecord
from kitgauge.measure.practice.changes import in_frame
from kitgauge.measure.practice.depth import SHARP, UNSHARP
from kitgauge.measure.practice.tile_table import TileTable
from kitgauge.runs.practice_series import Series

Array = NDArray[np.float64]

_FAR_OFF = 0.12  # of the diagonal, between a place that stands still and one that moves
_MOST_CLIPPED = 0.002
_LEAST_FRAMES = 3  # to tell which of them shows a moving thing where
_DARKEST, _DARK_QUANTILE = 0.003, 0.15


@dataclass(frozen=True)
class Place:
    """One place of the scene: what it shows ("moving", "still", "focus", "blurred", "detail", "dark"), and where it
    lies in each frame (file -> x and y [px])."""

    name: str
    at: dict[str, tuple[float, float]]
    tile: int | None = None  # of the series' grid, where it is the same in all frames


def telling_places(series: Series) -> list[Place]:
    """Return one or two places worth looking at, the most telling one first; the middle where nothing is known."""
    if series.grid is None or not series.tables:
        return [Place("detail", {record.file: _middle(series, record) for record in series.records})]
    if series.setting == "shutter_s":
        return _for_shutter(series)
    if series.setting == "f_number":
        return _for_depth(series)
    if series.setting == "iso":
        return [_at_tile(series, "detail", _best(series, _detail(series))), *_dark(series)]
    return [_at_tile(series, "detail", _best(series, _detail(series)))]


def _middle(series: Series, record: FrameRecord) -> tuple[float, float]:
    shape = (series.measured.get(record.file) or {}).get("shape") or [0, 0]
    return (shape[1] - 1) / 2.0, (shape[0] - 1) / 2.0


def _at_tile(series: Series, name: str, tile: int) -> Place:
    assert series.grid is not None
    x, y = series.grid.centres[tile]
    return Place(name, {record.file: _carried(series, record, x, y) for record in series.records}, tile)


def _carried(series: Series, record: FrameRecord, x: float, y: float) -> tuple[float, float]:
    at_x, at_y = series.matrix(record) @ np.array([x, y, 1.0])
    return float(at_x), float(at_y)


def _detail(series: Series) -> Array:
    """Return how much detail each tile shows in most of the frames; NaN where it is dark, clipped or outside."""
    return np.asarray(np.median(np.stack([_of_frame(table) for table in series.tables]), axis=0))


def _of_frame(table: TileTable) -> Array:
    """Return the detail of each tile of one frame: all over the tile, not just one edge through it."""
    with np.errstate(invalid="ignore"):
        good = (table.clipped <= _MOST_CLIPPED) & (table.level > _DARKEST)
        # contrast counts, and brightness as well: what is bright is what one looks at
        detail = np.median(table.block_variance, axis=1) / table.level**1.5
    return np.where(good, detail, np.nan)


def _best(series: Series, score: Array) -> int:
    assert series.grid is not None
    if np.isfinite(score).any():
        return int(np.nanargmax(score))
    middle = np.array([(series.grid.shape[1] - 1) / 2.0, (series.grid.shape[0] - 1) / 2.0])
    return int(np.argmin(np.hypot(*(series.grid.centres - middle).T)))


def _for_shutter(series: Series) -> list[Place]:
    assert series.grid is not None and series.shape is not None
    detail = _detail(series)
    moved = series.movement
    if moved is None or len(series.laid) < _LEAST_FRAMES:
        return [_at_tile(series, "still", _best(series, detail))]
    at = {}
    for record, (x, y) in zip(series.laid, moved.places, strict=True):
        at[record.file] = _carried(series, record, *in_frame(float(x), float(y), series.shape))
    rests = in_frame(*moved.rests, series.shape)
    moving = Place("moving", {r.file: at.get(r.file) or _carried(series, r, *rests) for r in series.records})
    area = np.argwhere(moved.area)
    away = _FAR_OFF * math.hypot(*series.shape)
    rows = np.array([in_frame(float(x), float(y), series.shape) for y, x in area])
    distance = np.array([np.min(np.hypot(*(rows - centre).T)) for centre in series.grid.centres])
    clear = np.where(distance > away, detail, np.nan)
    if not np.isfinite(clear).any():
        clear = np.where(distance > 0.5 * series.grid.size, detail, np.nan)
    return [moving, _at_tile(series, "still", _best(series, clear))]


def _for_depth(series: Series) -> list[Place]:
    depth = series.depth
    detail = _detail(series)
    if depth is None:
        return [_at_tile(series, "focus", _best(series, detail))]
    first = np.array(depth.state[0])
    sharp = np.where(first == SHARP, _of_frame(series.tables[0]), np.nan)
    places = [_at_tile(series, "focus", _best(series, sharp if np.isfinite(sharp).any() else detail))]
    # blurred at the lowest f-number, and clear to see at the highest
    last = _of_frame(series.tables[-1])
    change = np.where(first == UNSHARP, last, np.nan)
    if np.isfinite(change).any():
        places.append(_at_tile(series, "blurred", _best(series, change)))
    return places


def _dark(series: Series) -> list[Place]:
    """Return the place that is dark but not black."""
    levels = np.nanmin(np.stack([table.level for table in series.tables]), axis=0)
    whole = np.isfinite(np.stack([table.level for table in series.tables])).all(axis=0) & (levels > _DARKEST)
    if np.count_nonzero(whole) < 4:
        return []
    target = float(np.quantile(levels[whole], _DARK_QUANTILE))
    away = np.where(whole, np.abs(np.log(np.maximum(levels, 1e-9) / target)), np.inf)
    return [_at_tile(series, "dark", int(np.argmin(away)))]
