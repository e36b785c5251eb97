"""Which frames belong to one burst: taken one right after the other at one setting, without a new grip on the camera.

Less than two seconds from the start of one frame to the start of the next (with long exposures: less than a second
after its end) leave no time to lower the camera and take it up again (common practice, no source). Many cameras record
whole seconds only, so that up to a second of it is rounding.
"""

from __future__ import annotations

from collections.abc import Iterable

from kitgauge.exposure import exact_shutter_s
from kitgauge.ingest.record import FrameRecord, capture_order

_APART_S = 2.0  # from start to start
_AFTER_S = 1.0  # from the end of a long exposure


def bursts_of(records: Iterable[FrameRecord]) -> dict[str, str]:
    """Return the burst of each frame by its file, named after its first frame; frames alone are left out.

    A frame without a time or shutter time is alone; so are frames of another role or setting. A clock that gives all
    frames one time tells nothing.
    """
    found: dict[str, str] = {}
    before: FrameRecord | None = None
    known = [record for record in records if record.taken_at is not None and record.shutter_s]
    if len({record.taken_at for record in known}) < 2 and len({record.shutter_s for record in known}) > 1:
        return found
    for record in sorted(known, key=capture_order):
        if before is not None and _follows(before, record):
            found[record.file] = found.setdefault(before.file, before.file)
        before = record
    return found


def _follows(before: FrameRecord, record: FrameRecord) -> bool:
    if before.taken_at is None or record.taken_at is None or before.shutter_s is None:
        return False
    same = (before.role, before.shutter_s, before.f_number) == (record.role, record.shutter_s, record.f_number)
    apart_s = (record.taken_at - before.taken_at).total_seconds()
    return same and apart_s < max(_APART_S, exact_shutter_s(before.shutter_s) + _AFTER_S)
