"""A frame or a folder of frames reviewed, worst first. RAW and JPEG of one exposure are one picture."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from kitgauge.errors import FrameError, IngestError, KitgaugeError, UsageError
from kitgauge.frames.opening import RAW_SUFFIXES, RENDERED_SUFFIXES, frame_paths, pair_up
from kitgauge.review.kit import Kits
from kitgauge.review.one_frame import Review, Wishes, review_frame

SCHEMA = 1


@dataclass(frozen=True)
class Reviewed:
    """What came of a review: `frames` worst first; files that are named as frames but cannot be opened, and files that
    are no frames, each with the reason."""

    where: Path
    frames: tuple[Review, ...]
    not_opened: dict[str, str]
    not_frames: dict[str, str]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "schema": SCHEMA,
            "where": str(self.where),
            "frames": [frame.as_dict() for frame in self.frames],
            "not_opened": dict(self.not_opened),
            "not_frames": dict(self.not_frames),
        }


def review(
    path: Path | str,
    results: Path | str = "results",
    kit: str | None = None,
    *,
    limits: Path | str | None = None,
    technique: str | None = None,
    output_mp: float | None = None,
    keep: float | None = None,
    pitch_um: float | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Reviewed:
    """Return the review of a frame, or of all frames of a folder and its subfolders.

    `results` and `kit` as for plans, or `limits`, the path of a limits file; `progress(done, total)` is called per
    frame. A file of a folder that cannot be opened is listed with the reason; a single frame raises FrameError.
    Raises UsageError, PlanError, LimitsError or ResultsError where the limits do not serve.
    """
    path = Path(path)
    kits = Kits(Path(results), kit, None if limits is None else Path(limits))
    wishes = Wishes(technique, output_mp, keep, pitch_um)
    if not path.is_dir():
        return Reviewed(path, (_single(path, kits, wishes),), {}, {})
    listing = frame_paths(path)
    if not listing.frames:
        raise IngestError(
            "no frames in this folder",
            where=path,
            got=f"{len(listing.others)} other files" if listing.others else "nothing",
            needed="raw files, or JPEG, TIFF or PNG pictures",
            fix="name the folder that holds the frames",
        )
    found, failed = [], {}
    pairs = pair_up(listing.frames)
    for number, pair in enumerate(pairs, 1):
        name = pair.frame.relative_to(path).as_posix()
        try:
            found.append(review_frame(pair.frame, kits, wishes, companion=pair.companion, name=name))
        except FrameError as error:
            failed[name] = error.what if error.got is None else f"{error.what} ({error.got})"
        if progress is not None:
            progress(number, len(pairs))
    found.sort(
        key=lambda frame: (-frame.stops_wanting, -max((way.stops for way in frame.next), default=0.0), frame.file)
    )
    return Reviewed(path, tuple(found), failed, dict(listing.others))


def _single(path: Path, kits: Kits, wishes: Wishes) -> Review:
    """Return the review of one file, with the developed picture beside it if it is a raw file."""
    if not path.exists():
        raise UsageError("there is no such file or folder", where=path, fix="check the path")
    companion = None
    try:
        beside = [
            other
            for other in path.parent.iterdir()
            if other.stem.casefold() == path.stem.casefold()
            and other.suffix.lower() in {*RAW_SUFFIXES, *RENDERED_SUFFIXES}
        ]
        pairs = pair_up(sorted({*beside, path}))
        companion = next((pair.companion for pair in pairs if pair.frame == path), None)
    except (OSError, KitgaugeError):
        pass  # what else lies in the folder does not matter to this frame
    return review_frame(path, kits, wishes, companion=companion)
