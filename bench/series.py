"""Folders of simulated frames for the benches."""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from kitgauge.protocol.loading import load_protocol
from kitgauge.protocol.shot_list import Shot, shot_list
from kitgauge.simulate.model import SimulatedKit
from kitgauge.simulate.shooting import shoot_protocol


def shots_of(protocol: str, kit: SimulatedKit, most: int | None = None) -> list[Shot]:
    """Return the shots of a protocol for a kit, at most so many frames per setting; all steps of a focus bracket."""
    loaded = load_protocol(protocol).protocol
    shots = shot_list(loaded, kit.camera_range).shots
    if most is None or loaded.focus_stepped:
        return list(shots)
    return [replace(shot, frames=min(shot.frames, most)) for shot in shots]


def simulated(folder: Path, kit: SimulatedKit, shots: Sequence[Shot]) -> Path:
    """Return the folder, with its frames simulated if it is not there yet."""
    if not folder.exists():
        begin = time.perf_counter()
        shoot_protocol(kit, shots, folder, seed=1)
        print(f"simulated {folder.name} in {time.perf_counter() - begin:.0f} s", file=sys.stderr)
    return folder


def frame_mib(kit: SimulatedKit) -> float:
    """Return the memory of one frame's samples [MiB]."""
    rows, columns = kit.shape
    return float(2 * rows * columns / 2**20)
