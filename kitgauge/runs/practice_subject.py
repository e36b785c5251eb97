"""What a folder's name says of the subject in it: 'moving 3m', 'still 2-4m tripod the cat', 'fast 15 m'."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import PurePosixPath

from kitgauge.planner.request import TRIPOD, SubjectWord

SUBJECTS: tuple[SubjectWord, ...] = ("still", "moving", "fast")
_NUMBER = r"(\d+(?:[.,]\d+)?)"
_DISTANCE = re.compile(
    rf"(?<![\w.,]){_NUMBER}(?:\s*(?:m|cm)?\s*(?:-|to)\s*{_NUMBER})?\s*(cm|m)(?![a-z])", re.IGNORECASE
)
_NEAREST_M, _FARTHEST_M = 0.02, 100_000.0


@dataclass(frozen=True)
class SubjectAsked:
    """A subject as its folder names it. `subject` None: no word for it was found; distances [m] None: none given.

    `problem` says in words what cannot be used, "" where all is well.
    """

    folder: str
    subject: SubjectWord | None
    near_m: float | None = None
    far_m: float | None = None
    tripod: bool = False
    problem: str = ""


def subject_of_folder(folder: str) -> SubjectAsked:
    """Return what the last part of a folder's path says of the subject; underscores and hyphens count as blanks."""
    name = PurePosixPath(folder).name
    words = re.split(r"[^a-z0-9.,]+", name.lower())
    found = [word for word in SUBJECTS if word in words]
    tripod = TRIPOD in words
    near, far, problem = _distance(name.replace("_", " "))
    if len(found) > 1:
        problem = problem or f"two words for the subject: {' and '.join(found)}"
    subject = found[0] if len(found) == 1 else None
    return SubjectAsked(folder, subject, near, far, tripod, problem)


def _distance(name: str) -> tuple[float | None, float | None, str]:
    match = _DISTANCE.search(name)
    if match is None:
        return None, None, ""
    unit = 0.01 if match[3].lower() == "cm" else 1.0
    near = float(match[1].replace(",", ".")) * unit
    far = near if match[2] is None else float(match[2].replace(",", ".")) * unit
    if not (_NEAREST_M <= near <= _FARTHEST_M and _NEAREST_M <= far <= _FARTHEST_M):
        return None, None, f"the distance {match[0].strip()} is not possible"
    if far < near:
        return None, None, f"the distance {match[0].strip()} runs from far to near"
    return near, far, ""
