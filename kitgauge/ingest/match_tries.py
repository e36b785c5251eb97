"""Frames of a protocol without a sweep: the tries at one subject, in the order of capture.

Frames in one folder are tries at one thing. The steps of the protocol take them one after the other; the last step
takes all that follow.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from pathlib import PurePosixPath

from kitgauge.ingest.record import FrameRecord, capture_order
from kitgauge.protocol.model import Protocol

_NEEDED = {"iso": "ISO", "shutter_s": "shutter speed"}


def match_tries(records: Sequence[FrameRecord], protocol: Protocol) -> tuple[FrameRecord, ...]:
    """Return the records with step and role; those whose ISO or shutter speed is not known become unmatched."""
    out: list[FrameRecord] = []
    folders: dict[PurePosixPath, list[FrameRecord]] = defaultdict(list)
    for record in sorted(records, key=capture_order):
        missing = [words for name, words in _NEEDED.items() if getattr(record, name) is None]
        if record.status == "rejected" or record.reason:
            out.append(record)
        elif missing:
            out.append(record.unmatched(f"no {' and no '.join(missing)} known: give it with --settings FILE.csv"))
        else:
            folders[PurePosixPath(record.file).parent].append(record)
    for tries in folders.values():
        for step in protocol.step:
            count = len(tries) if step is protocol.step[-1] else step.frames
            out += [record.used(step.role, step.label) for record in tries[:count]]
            tries = tries[count:]
    return tuple(sorted(out, key=capture_order))
