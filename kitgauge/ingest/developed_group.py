"""Open the developed flats of one ISO, and frames of a textured scene if there are some, and measure them in pairs.

Every picture is opened once. Each flat is compared with the next of the same settings, so that two pictures are in
memory at a time. Dark frames are not needed: what they would tell is in the flats, as the picture shows it. Frames in
a subfolder named `scene` or `texture` are the scene.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import PurePosixPath
from typing import Any

import numpy as np

from kitgauge.errors import FrameError, MeasurementError
from kitgauge.frames.rendered import DevelopedPicture, open_developed
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.opened import refusal
from kitgauge.ingest.record import FrameRecord, capture_order, same_setting_key
from kitgauge.ingest.tasks import Measurement, Task
from kitgauge.measure.developed.detail_kept import measure_scene_detail
from kitgauge.measure.developed.developed_noise import measure_developed_pair, mixed_light

DARK_BELOW = 0.008  # of white: code 20 of 255, four and a half stops below mid-grey
SCENE_FOLDERS = ("scene", "texture")
_LEVEL_STEP = 16


def is_scene(record: FrameRecord) -> bool:
    """Return whether a frame shows a textured scene: by its role, or by its subfolder."""
    folders = (part.strip().casefold() for part in PurePosixPath(record.file).parts[:-1])
    return record.role == "scene" or (record.role is None and any(part in SCENE_FOLDERS for part in folders))


def developed_task(iso: float, records: Sequence[FrameRecord], cache: MeasurementCache) -> Task:
    """Return the task that measures the developed pictures of one ISO."""
    ordered = sorted(
        records, key=lambda record: (record.shutter_s or 0.0, record.f_number or 0.0, *capture_order(record))
    )
    known = [[record.file, record.role, record.shutter_s, record.f_number] for record in ordered]
    return Task(
        label=f"ISO {iso:g}",
        key=cache.key("developed group", [record.sha256 for record in ordered], {"frames": known}),
        files=tuple(record.file for record in ordered),
        work=partial(measure_developed_group, ordered),
        without=lambda file: developed_task(iso, [record for record in records if record.file != file], cache),
    )


class _Group:
    """The pictures of one ISO as they come in."""

    def __init__(self) -> None:
        self.first: dict[str, DevelopedPicture] = {}  # of each role
        self.frames: dict[str, dict[str, Any]] = {}
        self.refused: dict[str, list[str]] = {}
        self.unusable: dict[str, str] = {}
        self.pairs: list[dict[str, Any]] = []
        self.scene: dict[str, Any] | None = None
        self.pending: dict[tuple[str, float, float], tuple[FrameRecord, DevelopedPicture]] = {}

    def add(self, record: FrameRecord, picture: DevelopedPicture) -> None:
        role = "scene" if is_scene(record) else record.role
        level = _level(picture)
        if role is None:
            role = "dark" if level < DARK_BELOW else "flat"
        if role == "dark":
            self.frames[record.file] = {"role": role, "level": level, "paired": False}
            return
        if why := _why_other(picture, self.first.setdefault(role, picture)):
            self.refused[record.file] = why
            return
        self.frames[record.file] = {"role": role, "level": level, "paired": False}
        setting = (
            role,
            0.0 if record.shutter_s is None else same_setting_key("shutter_s", record.shutter_s),
            0.0 if record.f_number is None else same_setting_key("f_number", record.f_number),
        )
        waiting = self.pending.get(setting)
        # frames come in the order of their settings: what waits for another setting waits in vain
        self.pending = {} if role != "scene" else {key: kept for key, kept in self.pending.items() if key[0] == role}
        self.pending[setting] = (record, picture)
        if waiting is None or (role == "scene" and self.scene is not None):
            return
        if self._measure(role, *waiting, record, picture):
            self.frames[waiting[0].file]["paired"] = self.frames[record.file]["paired"] = True

    def _measure(
        self, role: str, first: FrameRecord, a: DevelopedPicture, second: FrameRecord, b: DevelopedPicture
    ) -> bool:
        try:
            if role == "scene":
                detail = measure_scene_detail(a.codes, b.codes, a.tables, a.weights)
                self.scene = {"detail": detail.as_dict(), "files": [first.file, second.file]}
            else:
                pair = measure_developed_pair(a.codes, b.codes, a.tables, a.weights)
                self.pairs.append(
                    {
                        "pair": pair.as_dict(),
                        "files": [first.file, second.file],
                        "shutter_s": second.shutter_s,
                        "f_number": second.f_number,
                    }
                )
        except MeasurementError as error:
            reason = f"{error.what}: got {error.got}, needed {error.needed}"
            self.unusable |= {first.file: reason, second.file: reason}
            return False
        return True


def measure_developed_group(records: Sequence[FrameRecord]) -> Measurement:
    """Return the pairs of flats of one ISO, what its scene frames hold alike, and role and level of each frame.

    `bits` and `encoding` tell how the pictures are stored and were linearised; `unusable` gives the reason for
    pictures that open but cannot be measured.
    """
    group = _Group()
    for record in sorted(records, key=is_scene):
        try:
            picture = open_developed(record.path)
        except FrameError as error:
            group.refused |= refusal(record, error)["refused"]
            continue
        group.add(record, picture)
    first = group.first.get("flat") or group.first.get("scene")
    return {
        "shape": None if first is None else list(first.shape),
        "bits": None if first is None else first.bits,
        "encoding": None if first is None else first.encoding.text,
        "frames": group.frames,
        "pairs": group.pairs,
        "scene": group.scene,
        "refused": group.refused,
        "unusable": group.unusable,
    }


def _level(picture: DevelopedPicture) -> float:
    """Return the mean luminance as a share of white, from a few rows."""
    rows = picture.codes[:: max(1, min(_LEVEL_STEP, picture.shape[0] // 8))]
    return float(np.mean(mixed_light(rows, picture.tables, picture.weights)))


def _why_other(picture: DevelopedPicture, first: DevelopedPicture) -> list[str] | None:
    """Return flag and reason why a picture cannot be compared with the first one, None if it can."""
    if picture.shape != first.shape:
        sizes = [f"{rows_columns[1]} x {rows_columns[0]}" for rows_columns in (picture.shape, first.shape)]
        return ["different-size", f"{sizes[0]} pixels instead of {sizes[1]}"]
    if picture.codes.shape != first.codes.shape or picture.codes.dtype != first.codes.dtype:
        kinds = [f"{'grey' if one.codes.ndim == 2 else 'colour'}, {one.bits} bits" for one in (picture, first)]
        return ["different-profile", f"{kinds[0]} instead of {kinds[1]}"]
    if picture.weights != first.weights or not np.array_equal(picture.tables, first.tables):
        return ["different-profile", f"{picture.encoding.text}, the first one {first.encoding.text}"]
    return None
