"""Which frame serves which step of the protocol.

In this order: what the user says (the settings file's `step`, else a subfolder named after a role or a step), then
the settings, then the order of capture where settings alone cannot tell. The role of a flat or a dark is seen only
from its content, so frames of a noise or dark-current protocol leave here without a role unless the user gave one.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from pathlib import PurePosixPath

from kitgauge.errors import IngestError
from kitgauge.ingest.lens_in_use import f_number_of_folder
from kitgauge.ingest.match_tries import match_tries
from kitgauge.ingest.record import FrameRecord, capture_order, same_setting_key
from kitgauge.protocol.marked import Setting
from kitgauge.protocol.model import Protocol, Step
from kitgauge.protocol.sweep_values import format_setting

SETTING_WORDS = {"iso": "ISO", "shutter_s": "shutter speed", "f_number": "f-number"}


def step_label(protocol: Protocol, step: Step, value: float | None) -> str:
    """Return the label of a step at a value of the sweep, as shot lists write it: 'flat ISO 400'."""
    if value is None:
        return step.label
    if protocol.setting is None:
        return step.label
    text = format_setting(protocol.setting, value)
    return text if len(protocol.step) == 1 else f"{step.label} {text}"


def match_frames(
    records: Sequence[FrameRecord], protocol: Protocol, *, listed: Sequence[float] = ()
) -> tuple[FrameRecord, ...]:
    """Return the records with step and role where those can be told without opening the pixels.

    The lowest, middle and highest value of the sweep are those of the frames, and of the values `listed` to come.
    Frames that cannot serve become unmatched with the reason; rejected and unmatched ones pass unchanged.
    """
    setting = protocol.setting
    if setting is None:
        return match_tries(records, protocol)
    ready: list[FrameRecord] = []
    for record in records:
        if record.status == "rejected" or record.reason:
            ready.append(record)
            continue
        if setting == "f_number" and record.f_number is None:
            record = _with_f_number_of_folder(record)
        if getattr(record, setting) is None:
            option = "no " + SETTING_WORDS[setting] + " is known"
            folders = ", or put the frames into folders f2.8, f4 ..." if setting == "f_number" else ""
            ready.append(record.unmatched(f"{option}: give it with --settings FILE.csv, column {setting}{folders}"))
            continue
        step = _said_step(record, protocol)
        ready.append(record if step is None else _into(record, step, protocol))
    if protocol.measures not in ("noise", "dark-current"):
        ready = _by_order(ready, protocol, setting, listed)
    return tuple(sorted(ready, key=capture_order))


def _with_f_number_of_folder(record: FrameRecord) -> FrameRecord:
    """Return a record without f-number with the one that its nearest folder of such a name says."""
    for part in reversed(PurePosixPath(record.file).parts[:-1]):
        if (f_number := f_number_of_folder(part)) is not None:
            return replace(record, f_number=f_number)
    return record


def _into(record: FrameRecord, step: Step, protocol: Protocol) -> FrameRecord:
    value = None if protocol.setting is None else getattr(record, protocol.setting)
    return record.used(step.role, step_label(protocol, step, value))


def _said_step(record: FrameRecord, protocol: Protocol) -> Step | None:
    """Return the step that the settings file or the subfolder names, None where neither does."""
    if record.said_step is not None:
        step = _step_called(record.said_step, protocol)
        if step is None:
            known = ", ".join(step.label for step in protocol.step)
            raise IngestError(
                "the settings file names a step that the protocol does not have",
                where=f"--settings, file {record.file}, column step",
                got=record.said_step,
                needed=f"a step or role of {protocol.id}: {known}",
                fix="correct the name, or leave the cell empty",
            )
        return step
    for part in reversed(PurePosixPath(record.file).parts[:-1]):
        if (step := _step_called(part, protocol)) is not None:
            return step
    return None


def _step_called(name: str, protocol: Protocol) -> Step | None:
    wanted = name.strip().casefold()
    for step in protocol.step:
        if step.label.casefold() == wanted:
            return step
    for step in protocol.step:
        if step.role == wanted:
            return step
    # "handheld 1/60", as shot lists write it: the label in front decides, the value comes from the frame
    for step in protocol.step:
        if wanted.startswith(f"{step.label.casefold()} "):
            return step
    return None


def _by_order(
    records: Sequence[FrameRecord], protocol: Protocol, setting: Setting, listed: Sequence[float]
) -> list[FrameRecord]:
    """Give the frames that nobody named to steps by setting and order: earlier steps take the earlier frames.

    A step takes, at each of its values, the first frames of that value until it has its number; the last step with
    that value takes all that follow. So a tripod reference gets the first frames at its speeds, and a repeated frame
    finds its place behind the one it repeats.
    """
    by_value: dict[float, list[FrameRecord]] = defaultdict(list)
    out: list[FrameRecord] = []
    for record in sorted(records, key=capture_order):
        if record.status == "rejected" or record.reason or record.role is not None:
            out.append(record)
        else:
            by_value[same_setting_key(setting, getattr(record, setting))].append(record)
    said: dict[tuple[float, str], int] = defaultdict(int)
    said_roles: set[str] = set()
    for record in out:
        if record.role is not None and record.status == "used":
            said[same_setting_key(setting, getattr(record, setting)), record.role] += 1
            said_roles.add(record.role)
    values = sorted(by_value.keys() | {same_setting_key(setting, value) for value in listed})
    for index, value in enumerate(values):
        if not (waiting := by_value.get(value, [])):
            continue
        steps = [step for step in protocol.step if _step_has_value(step, setting, value, index, len(values))]
        # a role that the user has sorted by hand is complete: order does not add to it
        open_steps = [step for step in steps if step.role not in said_roles] or steps
        if not open_steps:
            out += [
                record.unmatched(f"no step of {protocol.id} has this {SETTING_WORDS[setting]}") for record in waiting
            ]
            continue
        for step in open_steps:
            last = step is open_steps[-1]
            count = len(waiting) if last else max(0, step.frames - said[value, step.role])
            out += [_into(record, step, protocol) for record in waiting[:count]]
            waiting = waiting[count:]
    return out


def _step_has_value(step: Step, setting: str, value: float, index: int, count: int) -> bool:
    if step.at == "each-value":
        return True
    if step.at == "once":
        fixed = getattr(step.exposure, setting)
        return isinstance(fixed, float) and same_setting_key(setting, fixed) == value
    places = {"lowest": 0, "middle": (count - 1) // 2, "highest": count - 1}
    return index in {places[place] for place in step.at}


def missing_values(records: Sequence[FrameRecord], protocol: Protocol) -> list[str]:
    """Return the values of an explicitly listed sweep that no frame has, as text."""
    if protocol.sweep is None or isinstance(protocol.sweep.values, str):
        return []
    setting, listed = protocol.sweep.setting, protocol.sweep.values
    present = {
        same_setting_key(setting, value) for record in records if (value := getattr(record, setting)) is not None
    }
    return [format_setting(setting, value) for value in listed if same_setting_key(setting, value) not in present]


def prefer_raw(records: Sequence[FrameRecord]) -> tuple[FrameRecord, ...]:
    """Where raw and developed frames stand side by side, leave the developed ones out: they are never merged."""
    if not any(record.is_raw and record.status != "rejected" for record in records):
        return tuple(records)
    return tuple(
        record
        if record.is_raw or record.status == "rejected" or record.reason
        else replace(record, status="unmatched", reason="developed picture among raw frames: never mixed with them")
        for record in records
    )
