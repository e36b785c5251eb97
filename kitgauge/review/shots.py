"""The files of one shot, RAW and JPEG as a rule, reviewed as one piece of work for a worker process."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import cv2

from kitgauge.errors import FrameError, KitgaugeError
from kitgauge.frames.opening import pair_up
from kitgauge.ingest.tasks import Task
from kitgauge.review.kit import Kits
from kitgauge.review.one_frame import Review, Wishes, review_frame

MODULES = ("rawpy", __name__)  # what workers load before the first frame comes


@dataclass
class ShotReview:
    """What came of one shot: reviews, frames that cannot be opened, and what ends the review of all others too.

    `short_of_memory`: nothing came of it because other workers had memory that it needed.
    """

    reviews: list[Review] = field(default_factory=list)
    not_opened: dict[str, FrameError] = field(default_factory=dict)
    stop: KitgaugeError | None = None
    short_of_memory: bool = False


def by_name(files: Sequence[Path]) -> list[tuple[Path, ...]]:
    """Return the files grouped by folder and stem, whatever its capitals: those of one shot, in the order given."""
    groups: dict[tuple[Path, str], list[Path]] = {}
    for path in files:
        groups.setdefault((path.parent, path.stem.casefold()), []).append(path)
    return [tuple(group) for group in groups.values()]


def review_shot(files: Sequence[Path], folder: Path, kits: Kits, wishes: Wishes) -> ShotReview:
    """Return the review of `files` of one name below `folder`, RAW and JPEG of one exposure as one picture."""
    shot = ShotReview()
    for pair in pair_up(files):
        name = pair.frame.relative_to(folder).as_posix()
        try:
            shot.reviews.append(review_frame(pair.frame, kits, wishes, companion=pair.companion, name=name))
        except FrameError as error:
            shot.not_opened[name] = error
        except KitgaugeError as error:
            shot.stop = error
            break
    return shot


def review_one(path: Path, beside: Sequence[Path], kits: Kits, wishes: Wishes) -> Review:
    """Return the review of the frame at `path`; files `beside` it of the same name may be of the same exposure.

    Raises what `review_frame` does.
    """
    pairs = pair_up(sorted({*beside, path}))
    companion = next((pair.companion for pair in pairs if pair.frame == path), None)
    return review_frame(path, kits, wishes, companion=companion)


def shot_task(files: Sequence[Path], folder: Path, kits: Kits, wishes: Wishes, label: str | None = None) -> Task:
    """Return the task that reviews the files of one shot; its measurement is `{"shot": ShotReview}`."""
    names = {path.relative_to(folder).as_posix(): path for path in files}
    label = label or next(iter(names))

    def without(file: str) -> Task:
        return shot_task([path for name, path in names.items() if name != file], folder, kits, wishes, label)

    return Task(
        label=label,
        key="",  # reviews are not kept
        files=tuple(names),
        work=partial(_as_measurement, tuple(files), folder, kits, wishes),
        without=without,
    )


def _as_measurement(files: Sequence[Path], folder: Path, kits: Kits, wishes: Wishes) -> dict[str, Any]:
    try:
        return {"shot": review_shot(files, folder, kits, wishes)}
    except (MemoryError, cv2.error) as error:
        if isinstance(error, cv2.error) and error.code != cv2.Error.StsNoMem:
            raise
        return {"shot": ShotReview(short_of_memory=True)}
