"""A simulated kit: body, lens and hands that do not exist, with every true value known."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property
from types import MappingProxyType

from kitgauge.protocol.camera_range import CameraRange
from kitgauge.simulate.camera_motion import ShutterKnock, Stabiliser
from kitgauge.simulate.chart import Chart, grid_chart, group_chart
from kitgauge.simulate.dng import Compression
from kitgauge.simulate.hands import Hands
from kitgauge.simulate.lens import Lens
from kitgauge.simulate.sensor import Sensor

_FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)


@dataclass(frozen=True)
class SimulatedKit:
    """Everything that makes a frame. Dial ranges are exact values.

    Levels are shares of green saturation in the middle of the frame. `light_drift` is the standard deviation
    of the light from frame to frame; `framing_px` that of where a handheld frame lies, `framing_deg` of its
    tilt. `tungsten_response` is each colour's response to lamp light over that to daylight, for the same green.
    `focus_error_um` is the standard deviation of where the sensor lies when each frame is focused anew;
    `focus_step_um` one step of focus, from near to far, `focus_start_um` where the middle of the steps lies.
    `warming_per_hour` is by how much the dark current grows in an hour of the series, relative to its start.
    `stabiliser` acts on handheld frames, `shutter_knock` on tripod frames too; None: there is none.
    """

    make: str = "Simulated"
    model: str = "Sampler 8"
    body_serial: str = "SIM-0001"
    sensor: Sensor = field(default_factory=Sensor)
    lens: Lens = field(default_factory=Lens)
    hands: Hands = field(default_factory=Hands)
    technique: str = "standing"
    stabiliser: Stabiliser | None = None
    shutter_knock: ShutterKnock | None = None
    shape: tuple[int, int] = (1080, 1620)
    pitch_um: float = 6.0
    cells: tuple[int, int] = (3, 5)
    isolated_squares: bool = False
    iso_range: tuple[float, float] = (100.0, 12800.0)
    shutter_range_s: tuple[float, float] = (1.0 / 4096.0, 32.0)
    flat_level: float = 0.50
    chart_level: float = 0.65
    light_drift: float = 0.015
    tungsten_response: MappingProxyType[str, float] = field(
        default_factory=lambda: MappingProxyType({"R": 1.9, "G": 1.0, "G1": 1.0, "G2": 1.0, "B": 0.45})
    )
    warming_per_hour: float = 0.0
    focus_error_um: float = 15.0
    focus_step_um: float = 10.0
    focus_start_um: float = 0.0
    framing_px: float = 6.0
    framing_deg: float = 0.25
    subject_speed_px_per_s: float = 120.0
    first_taken_at: datetime = datetime(2026, 5, 4, 10, 0, 0)
    compression: Compression = "none"

    @property
    def body(self) -> str:
        """Make and model."""
        return f"{self.make} {self.model}"

    @property
    def focal_35mm(self) -> float:
        """Focal length [mm] of the same field of view on 36 x 24 mm, by the diagonal."""
        diagonal_mm = math.hypot(*self.shape) * self.pitch_um * 1e-3
        return self.lens.focal_mm * _FULL_FRAME_DIAGONAL_MM / diagonal_mm

    @property
    def camera_range(self) -> CameraRange:
        """The dials of this kit, for a shot list."""
        return CameraRange(
            iso_min=self.iso_range[0],
            iso_max=self.iso_range[1],
            f_min=self.lens.widest_f_number,
            f_max=self.lens.narrowest_f_number,
            shutter_fastest_s=self.shutter_range_s[0],
            shutter_slowest_s=self.shutter_range_s[1],
            focal_mm=self.lens.focal_mm,
            pitch_um=self.pitch_um,
            frame_width_px=self.shape[1],
            frame_height_px=self.shape[0],
        )

    @cached_property
    def chart(self) -> Chart:
        """The target this kit photographs."""
        return (group_chart if self.isolated_squares else grid_chart)(self.shape, self.cells)


def demo_kit() -> SimulatedKit:
    """Return the kit of the demo: 1.75 megapixels on 6 um, 14 mm f/1.8 (52 mm in 35 mm terms)."""
    return SimulatedKit()


def full_size_kit(compression: Compression = "none") -> SimulatedKit:
    """Return a 24-megapixel kit for measuring cost: 50 mm f/1.8, 6 um, nine groups of edges."""
    lens = replace(Lens(), name="Sampler 50 mm f/1.8", focal_mm=50.0)
    return SimulatedKit(
        model="Sampler 24",
        body_serial="SIM-0002",
        lens=lens,
        shape=(4000, 6000),
        cells=(5, 5),
        isolated_squares=True,
        framing_px=12.0,
        compression=compression,
    )
