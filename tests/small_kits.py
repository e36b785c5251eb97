"""A small simulated kit, quick to photograph with."""

from __future__ import annotations

from dataclasses import replace

from kitgauge.protocol.loading import load_protocol
from kitgauge.protocol.shot_list import Shot, shot_list
from kitgauge.simulate.model import SimulatedKit


def small_kit(**changes) -> SimulatedKit:
    """Return a kit with frames of 0.35 megapixels: three squares."""
    return replace(SimulatedKit(), **{"shape": (480, 720), "cells": (1, 3), "iso_range": (100.0, 1600.0), **changes})


def shots_of(protocol: str, kit: SimulatedKit, frames: int | None = None, **ranges) -> list[Shot]:
    """Return the shots of a shipped protocol for a kit, at most `frames` per setting."""
    shots = shot_list(load_protocol(protocol).protocol, replace(kit.camera_range, **ranges)).shots
    return [shot if frames is None else replace(shot, frames=min(frames, shot.frames)) for shot in shots]
