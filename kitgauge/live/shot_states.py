"""The shot list against the frames that have come: what is done, what is next, what must be shot again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from kitgauge.flags import FLAGS, rejects
from kitgauge.ingest.record import FrameRecord, same_setting_key
from kitgauge.protocol.marked import Setting
from kitgauge.protocol.model import Protocol
from kitgauge.protocol.shot_list import Shot

_ORDER: tuple[Setting, ...] = ("shutter_s", "f_number", "iso")
_ONE_EACH = ("noise", "dark-current")  # roles are seen in the frames: their order tells nothing


@dataclass(frozen=True)
class FailedFrame:
    """A frame that does not serve: why, and what to do about it."""

    file: str
    why: str
    advice: str


@dataclass(frozen=True)
class ShotState:
    """One shot of the list: how many frames serve, how many are not judged yet, and which failed."""

    shot: Shot
    done: int = 0
    open: int = 0
    failed: tuple[FailedFrame, ...] = ()

    @property
    def complete(self) -> bool:
        """Tell whether no more frames are needed."""
        return self.done >= self.shot.frames

    @property
    def lacking(self) -> int:
        """How many frames are still to be shot, those not judged yet taken for good."""
        return max(0, self.shot.frames - self.done - self.open)


@dataclass
class _Count:
    done: int = 0
    open: int = 0
    failed: list[FailedFrame] = field(default_factory=list)


class ShotBook:
    """Finds the shot of the list that a frame is of."""

    def __init__(self, protocol: Protocol, shots: Sequence[Shot]) -> None:
        """Use these shots of `protocol`."""
        self.protocol, self.shots = protocol, tuple(shots)
        self._names = sorted((step.label for step in protocol.step), key=len, reverse=True)
        self._by_key = {self._key(shot.step_name, _value(shot, protocol.setting)): shot for shot in self.shots}

    @property
    def values(self) -> tuple[float, ...]:
        """The values of the sweep's setting on the list, rising."""
        setting = self.protocol.setting
        return tuple(sorted({value for shot in self.shots if (value := _value(shot, setting)) is not None}))

    def shot_of(self, record: FrameRecord) -> Shot | None:
        """Return the shot that a frame with a step is of, None for one besides the list."""
        if record.step is None:
            return None
        value = None if self.protocol.setting is None else getattr(record, self.protocol.setting)
        key = self._key(self._step_name(record.step), value)
        return self._by_key.get(key) or self._by_key.get((key[0], None))

    def _step_name(self, label: str) -> str:
        if len(self._names) == 1:
            return self._names[0]
        return next((name for name in self._names if label == name or label.startswith(f"{name} ")), label)

    def _key(self, name: str, value: float | None) -> tuple[str, float | None]:
        setting = self.protocol.setting
        return name, None if setting is None or value is None else same_setting_key(setting, value)

    def states(self, records: Iterable[FrameRecord], open_files: Mapping[str, str]) -> tuple[ShotState, ...]:
        """Return the state of each shot. `open_files` (file -> why) are frames that are not judged yet."""
        counts: dict[int, _Count] = {shot.number: _Count() for shot in self.shots}
        for record in records:
            shot = self.shot_of(record)
            if shot is None:
                continue
            count = counts[shot.number]
            if record.file in open_files:
                count.open += 1
            elif record.status == "used":
                count.done += 1
            elif record.status == "rejected":
                count.failed.append(failed_frame(record))
        return tuple(
            ShotState(shot, counts[shot.number].done, counts[shot.number].open, tuple(counts[shot.number].failed))
            for shot in self.shots
        )

    def by_order(self, shot: Shot) -> bool:
        """Tell whether nothing but the order of capture sets this shot's frames apart from a later step's."""
        if self.protocol.measures in _ONE_EACH or self.protocol.setting is None:
            return False
        value = _value(shot, self.protocol.setting)
        others = [one for one in self.shots if one.number > shot.number and one.step_name != shot.step_name]
        return value is not None and any(_value(one, self.protocol.setting) == value for one in others)


def next_shot(states: Sequence[ShotState], last: Shot | None) -> ShotState | None:
    """Return what to shoot next: the first shot that lacks frames from the `last` one on, else of all."""
    lacking = [state for state in states if state.lacking]
    later = [state for state in lacking if last is not None and state.shot.number >= last.number]
    return next(iter(later or lacking), None)


def settings_text(shot: Shot) -> str:
    """Return a shot's settings in words, as exact as the list has them, with its note."""
    settings = [text for setting in _ORDER if (text := shot.setting_text(setting))]
    return "; ".join(part for part in (", ".join(settings), shot.note) if part)


def failed_frame(record: FrameRecord) -> FailedFrame:
    """Return why a rejected frame does not serve, as the run says it, with the advice of its flag."""
    rejecting = [FLAGS[name] for name in record.flags if rejects([name])]
    flag = rejecting[0] if rejecting else None
    why = record.reason or (flag.text if flag else "it does not serve")
    return FailedFrame(record.file, why, flag.advice if flag else "")


def _value(shot: Shot, setting: Setting | None) -> float | None:
    return None if setting is None else getattr(shot, setting)
