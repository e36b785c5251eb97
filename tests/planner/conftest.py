"""An invented kit with limits in round numbers."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from kitgauge.limits.entries import AcceptedLimit
from kitgauge.limits.model import Limit
from kitgauge.planner.request import CameraFacts


def _accepted(limit: Limit, run: str) -> AcceptedLimit:
    return AcceptedLimit(limit, "Invented One", run, datetime(2026, 5, 1, tzinfo=UTC))


@pytest.fixture(scope="session")
def kit_limits() -> list[AcceptedLimit]:
    unknown = float("nan")
    return [
        _accepted(
            Limit(
                "shutter",
                {"shutter_s": 0.02},
                {"shutter_s": 1 / 60},
                0.017,
                0.0235,
                {"streak_px": 5.0, "keep": 0.8},
                "",
                0.1,
                "Invented 50 mm",
                50.0,
                "standing",
            ),
            "handheld-1",
        ),
        _accepted(
            Limit(
                "shutter",
                {"shutter_s": 0.05},
                {"shutter_s": 1 / 25},
                0.04,
                0.06,
                {"streak_px": 5.0, "keep": 0.8},
                "",
                0.15,
                "Invented 50 mm",
                50.0,
                "seated",
            ),
            "handheld-2",
        ),
        _accepted(
            Limit(
                "f_number",
                {"f_number_low": 2.8, "f_number_high": 9.0},
                {},
                2.5,
                10.0,
                {"mtf50_fraction": 0.9},
                "",
                unknown,
                "Invented 50 mm",
                50.0,
                region="whole frame",
            ),
            "aperture-1",
        ),
        _accepted(
            Limit(
                "iso",
                {"iso": 4500.0},
                {"iso": 4000.0},
                4000.0,
                5000.0,
                {"snr": 10.0, "output_mp": 8.0},
                "",
                0.05,
            ),
            "noise-1",
        ),
    ]


@pytest.fixture(scope="session")
def kit_camera() -> CameraFacts:
    return CameraFacts(
        f_min=1.8,
        f_max=22,
        iso_min=100,
        iso_max=51200,
        sensor_pixels=24e6,
        pixel_pitch_um=6.0,
        frame_width_mm=36.0,
        frame_height_mm=24.0,
    )
