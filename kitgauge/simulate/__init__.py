"""Cameras, lenses and hands with known truth, and the DNG files they write; for the demo, the tests and the
bench.

Needs NumPy only; `sheet_scene`, the printed target in perspective, needs OpenCV too.
"""

from kitgauge.simulate.dng import RecordedSettings, write_dng
from kitgauge.simulate.hands import Hands
from kitgauge.simulate.lens import Lens
from kitgauge.simulate.model import SimulatedKit, demo_kit, full_size_kit
from kitgauge.simulate.sensor import Sensor
from kitgauge.simulate.shooting import plan_frames, shoot_protocol, take_frame
from kitgauge.simulate.true_values import Truth, truth

__all__ = [
    "Hands",
    "Lens",
    "RecordedSettings",
    "Sensor",
    "SimulatedKit",
    "Truth",
    "demo_kit",
    "full_size_kit",
    "plan_frames",
    "shoot_protocol",
    "take_frame",
    "truth",
    "write_dng",
]
