"""The shot list against frames: what counts, what is next, what is said of the interval."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_kits import shots_of, small_kit

from kitgauge.ingest.record import FrameRecord
from kitgauge.limits.model import Limit
from kitgauge.live.enough import estimate_of
from kitgauge.live.shot_states import ShotBook, next_shot, settings_text
from kitgauge.protocol.loading import load_protocol


def book(protocol: str, **ranges: float) -> ShotBook:
    kit = small_kit()
    return ShotBook(load_protocol(protocol).protocol, shots_of(protocol, kit, None, **ranges))


def frame(file: str, role: str, step: str, **settings: float) -> FrameRecord:
    return FrameRecord(file=file, path=Path(file), role=role, step=step, status="used", **settings)


def test_frames_count_for_their_shot_whatever_way_the_camera_writes_the_setting():
    found = book("handheld-shutter")
    frames = [
        frame("1", "tripod", "tripod 1/60", shutter_s=1 / 60),
        frame("2", "tripod", "tripod 1/60", shutter_s=1 / 64),
        frame("3", "handheld", "handheld 1/60", shutter_s=0.0166667),
    ]
    states = {state.shot.step: state for state in found.states(frames, {})}
    assert (states["tripod 1/60"].done, states["tripod 1/60"].lacking) == (2, 0)
    assert (states["handheld 1/60"].done, states["handheld 1/60"].lacking) == (1, 9)
    assert states["tripod 1/60"].complete and not states["handheld 1/60"].complete


def test_failed_and_waiting_frames_do_not_complete_a_shot():
    found = book("noise-ladder", iso_max=200.0)
    frames = [
        frame("1", "flat", "flat ISO 100", iso=100.0).with_flags(["clipped"]),
        frame("2", "flat", "flat ISO 100", iso=100.0),
        frame("3", "flat", "flat ISO 100", iso=100.0),
    ]
    state = found.states(frames, {"3": "waiting for its partner"})[0]
    assert (state.done, state.open, state.lacking, state.complete) == (1, 1, 0, False)
    (failed,) = state.failed
    assert (failed.file, failed.why, failed.advice) == ("1", "highlights are clipped", "expose less")


def test_a_setting_that_is_not_on_the_list_is_besides_it():
    found = book("noise-ladder", iso_max=200.0)
    assert found.shot_of(frame("1", "flat", "flat ISO 640", iso=640.0)) is None
    assert found.shot_of(frame("1", "flat", "flat ISO 200", iso=200.0)).step == "flat ISO 200"


def test_next_goes_on_from_the_last_shot_and_then_back_to_what_was_left_out():
    found = book("noise-ladder", iso_max=400.0)
    states = found.states([], {})
    assert next_shot(states, None).shot.step == "flat ISO 100"
    at_200 = next(shot for shot in found.shots if shot.step == "flat ISO 200")
    assert next_shot(states, at_200).shot.step == "flat ISO 200"
    done = [
        frame(f"{shot.number} {n}", shot.role, shot.step, iso=shot.iso)
        for shot in found.shots[1:]
        for n in range(shot.frames)
    ]
    assert next_shot(found.states(done, {}), found.shots[-1]).shot.step == "flat ISO 100"
    assert next_shot([], None) is None


def test_settings_are_told_exactly():
    found = {shot.step: shot for shot in book("handheld-shutter").shots}
    assert settings_text(found["handheld 1/60"]).startswith("1/60, f/8")
    dark = {shot.step: shot for shot in book("noise-ladder", iso_max=200.0).shots}["dark ISO 200"]
    assert settings_text(dark).endswith("ISO 200; lens cap on")


def test_only_order_sets_tripod_frames_apart_from_handheld_ones():
    found = book("handheld-shutter")
    steps = {shot.step: shot for shot in found.shots}
    assert found.by_order(steps["tripod 1/60"]) and not found.by_order(steps["handheld 1/60"])
    noise = book("noise-ladder", iso_max=200.0)
    assert not any(noise.by_order(shot) for shot in noise.shots)


def limit(**changes) -> Limit:
    values = {
        "kind": "shutter", "value": {}, "dial": {}, "ci_low": 1 / 128, "ci_high": 1 / 64, "criterion": {}, "text": "T",
    }  # fmt: skip
    return Limit(**{**values, **changes})


def test_enough_is_a_width_in_stops():
    one_stop = estimate_of([limit()])
    assert one_stop.width == pytest.approx(1.0) and not one_stop.enough
    assert estimate_of([limit()], wanted=1.0).enough
    assert estimate_of([limit(ci_high=2**0.4 / 128)]).enough
    assert not estimate_of([limit(ci_high=2**0.4 / 128, kind="iso")]).enough  # a third there
    assert estimate_of([]) is None


def test_an_unknown_or_open_end_is_never_enough():
    assert not estimate_of([limit(ci_high=float("nan"))]).enough
    assert not estimate_of([limit(ci_high=2**0.1 / 128, flags=("tripod-unsteady",))]).enough
