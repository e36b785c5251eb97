"""One file of the folder, and what became of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Literal

from kitgauge.exposure import exact_f_number, exact_iso, exact_shutter_s
from kitgauge.flags import FLAGS, rejects

FrameStatus = Literal["used", "rejected", "unmatched"]


@dataclass(frozen=True, slots=True)
class FrameRecord:
    """One frame of a run.

    `file` is the path relative to the folder, with forward slashes; `path` where to open it. Settings are as recorded
    (marked values); None is unknown. `reason` says in words why a frame is unmatched or rejected.
    """

    file: str
    path: Path
    sha256: str | None = None
    is_raw: bool = True
    taken_at: datetime | None = None
    body: str | None = None
    body_serial: str | None = None
    lens: str | None = None
    iso: float | None = None
    shutter_s: float | None = None
    f_number: float | None = None
    focal_mm: float | None = None
    focal_35mm: float | None = None
    said_step: str | None = None  # what the settings file says
    step: str | None = None
    role: str | None = None
    status: FrameStatus = "unmatched"
    flags: tuple[str, ...] = ()
    reason: str = ""

    def with_flags(self, names: Iterable[str]) -> FrameRecord:
        """Return the record with `names` added; a flag that rejects makes the frame rejected."""
        flags = tuple(dict.fromkeys((*self.flags, *names)))
        if rejects(flags):
            first = next(name for name in flags if rejects([name]))
            return replace(self, flags=flags, status="rejected", reason=self.reason or FLAGS[first].text)
        return replace(self, flags=flags)

    def rejected(self, flag: str, reason: str) -> FrameRecord:
        """Return the record rejected for `flag`, with the reason in words."""
        return replace(self, flags=tuple(dict.fromkeys((*self.flags, flag))), status="rejected", reason=reason)

    def unmatched(self, reason: str) -> FrameRecord:
        """Return the record left out, with the reason in words."""
        return replace(self, status="unmatched", reason=reason)

    def used(self, role: str, step: str) -> FrameRecord:
        """Return the record taken into `step` with `role`."""
        return replace(self, status="used", role=role, step=step)


def capture_order(record: FrameRecord) -> tuple[float, str]:
    """Return the sort key of capture: by time, then by name (frames without a time sort by name alone)."""
    return (record.taken_at.timestamp() if record.taken_at else 0.0, record.file)


_EXACT = {"iso": exact_iso, "shutter_s": exact_shutter_s, "f_number": exact_f_number}


def same_setting_key(setting: str, value: float) -> float:
    """Return a key that is equal for values of one dial position (1/60 and 1/64 are one)."""
    return round(_EXACT[setting](value), 9)
