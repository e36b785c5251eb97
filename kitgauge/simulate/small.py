"""Small simulated frames, made and measured in seconds: for examples, tests and first looks at a cost."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from kitgauge.protocol.loading import load_protocol
from kitgauge.protocol.shot_list import Shot, shot_list
from kitgauge.simulate.model import SimulatedKit
from kitgauge.simulate.shooting import shoot_protocol


def small_kit(**changes: Any) -> SimulatedKit:
    """Return a kit with frames of 0.35 megapixels, three squares in a row, and ISO 100 to 1600.

    `changes` are fields of SimulatedKit. Too small for the accuracy that full frames give, whole in all else.
    """
    return replace(SimulatedKit(), **{"shape": (480, 720), "cells": (1, 3), "iso_range": (100.0, 1600.0), **changes})


def shots_of(protocol: str, kit: SimulatedKit, frames: int | None = None, **ranges: Any) -> list[Shot]:
    """Return the shots of a shipped protocol for a kit, at most `frames` per setting.

    `ranges` narrow the kit's dials: fields of CameraRange, such as `iso_max` or `f_min`.
    """
    shots = shot_list(load_protocol(protocol).protocol, replace(kit.camera_range, **ranges)).shots
    return [shot if frames is None else replace(shot, frames=min(frames, shot.frames)) for shot in shots]


def simulated_frames(
    protocol: str,
    folder: Path | str,
    *,
    seed: int = 1,
    kit: SimulatedKit | None = None,
    frames: int | None = None,
    **ranges: Any,
) -> Path:
    """Photograph a shipped protocol with a simulated kit (default: `small_kit()`) and return the folder of DNG files.

    `frames` is the most per setting, `ranges` narrow the kit's dials: fields of CameraRange. Raises UsageError for an
    unknown protocol, ResultsError where the folder cannot be written.
    """
    kit = kit or small_kit()
    shoot_protocol(kit, shots_of(protocol, kit, frames, **ranges), folder, seed=seed)
    return Path(folder)
