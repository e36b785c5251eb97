"""The light on a scene from a frame's own samples, through the public reader."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from kitgauge.errors import KitgaugeError, PlanError
from kitgauge.ingest import worker_pool
from kitgauge.planner.command import plan_from_results
from kitgauge.planner.light import parse_light, read_frame_light
from kitgauge.simulate.dng import RecordedSettings, write_dng

BLACK, WHITE = 512, 16383
BAYER = (("R", "G1"), ("G2", "B"))


def scene(path: Path, level: float, settings: RecordedSettings) -> Path:
    noise = np.random.default_rng(1).normal(0.0, 12.0, (64, 96))
    samples = np.round(BLACK + level * (WHITE - BLACK) + noise).astype(np.uint16)
    return write_dng(path, samples, BAYER, BLACK, WHITE, settings)


@pytest.mark.parametrize(("level", "stops"), [(10 / 78, 0.0), (20 / 78, 1.0), (5 / 78, -1.0)])
def test_raw_frame_tells_its_light(tmp_path: Path, level: float, stops: float) -> None:
    # 1/60 s (2^-6), f/4 (2^2) and ISO 800 expose EV 4 + 6 - 3 to mid-grey, 10/78 of saturation (ISO 12232,
    # from memory)
    path = scene(tmp_path / "scene.dng", level, RecordedSettings(iso=800, shutter_s=1 / 60, f_number=4.0))
    light = parse_light(str(path))
    assert light.ev100 == pytest.approx(7.0 + stops, abs=0.005)
    assert "scene.dng" in light.source


def test_frame_without_settings_is_refused_with_the_way_out(tmp_path: Path) -> None:
    path = scene(tmp_path / "scene.dng", 0.1, RecordedSettings())
    with pytest.raises(KitgaugeError) as caught:
        parse_light(str(path))
    assert "1/60,f4,iso800" in caught.value.message()


def test_a_file_that_is_no_frame_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("no picture")
    with pytest.raises(KitgaugeError):
        parse_light(str(path))


@pytest.mark.parametrize(("grey", "stops"), [(118, 0.0), (161, 1.0), (85, -1.0)])
def test_developed_frame_tells_its_light_by_its_level_too(tmp_path: Path, grey: int, stops: float) -> None:
    """sRGB 118 is a metered mid-grey (ISO 12232's output level, from memory); 161 and 85 hold twice and half its light
    by the sRGB curve, to a fiftieth of a stop.
    """
    path = tmp_path / "scene.jpg"
    exif = Image.Exif()
    exif.get_ifd(0x8769).update({0x829A: IFDRational(1, 60), 0x829D: IFDRational(4, 1), 0x8827: 800})
    levels = np.clip(np.random.default_rng(1).normal(grey, 2.0, (64, 96)), 0, 255).round().astype(np.uint8)
    Image.fromarray(np.repeat(levels[..., None], 3, axis=2)).save(path, quality=95, exif=exif)
    light = parse_light(str(path))
    assert light.ev100 == pytest.approx(7.0 + stops, abs=0.03)
    assert f"{stops:+.1f} stops from mid-grey" in light.source or stops == 0


@pytest.mark.skipif(os.name != "posix", reason="worker processes are for Linux and macOS")
@pytest.mark.usefixtures("breaking_decoder")
@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("raw-fault.dng", "the process that measured it ended by a memory fault"),
        ("raw-hang.dng", r"it took longer than 0\.5 s"),
        ("raw-error.dng", "ArithmeticError: made up"),
    ],
)
def test_a_frame_that_breaks_its_worker_is_refused_with_the_way_out(tmp_path, monkeypatch, name, said) -> None:
    if "hang" in name:
        monkeypatch.setattr(worker_pool, "SECONDS_PER_FILE", 0.5)
    path = scene(tmp_path / name, 10 / 78, RecordedSettings(iso=800, shutter_s=1 / 60, f_number=4.0))
    with pytest.raises(PlanError, match=said) as caught:
        plan_from_results(tmp_path, light=str(path), focal_mm=50.0)
    assert caught.value.where == str(path)
    assert "1/60,f4,iso800" in caught.value.message()


def test_a_plan_reads_the_light_in_another_process_alike(tmp_path) -> None:
    path = scene(tmp_path / "scene.dng", 0.2, RecordedSettings(iso=800, shutter_s=1 / 60, f_number=4.0))
    asked = {"light": str(path), "focal_mm": 50.0, "distance_m": 2.0}
    seen = []

    def read(frame: Path):
        seen.append(frame)
        return read_frame_light(frame)

    here = plan_from_results(tmp_path / "none", read_frame=read, **asked)
    assert seen == [path]
    there = plan_from_results(tmp_path / "none", **asked)
    assert (there.light, there.as_dict()) == (here.light, here.as_dict())
