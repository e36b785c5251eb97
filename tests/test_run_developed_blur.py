"""Developed pictures of a handheld series through the public command: streaks right, and marked."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from developed_charts import PITCH_UM, SHAPE, Sharpening, save_developed
from scipy.ndimage import gaussian_filter
from typer.testing import CliRunner

from kitgauge.cli import app
from kitgauge.simulate.chart import grid_chart, render
from kitgauge.simulate.chart_series import SampledPath
from kitgauge.simulate.lens import Lens


def picture(rng: np.random.Generator, path: SampledPath | None, sharpening: Sharpening) -> np.ndarray:
    """Linear light 0..1 (row, column) of three moved squares, sharpened."""
    light = 0.45 * render(grid_chart(SHAPE, (1, 3)), (("G",),), Lens(), 5.6, PITCH_UM, path=path)
    light = light + 0.004 * np.sqrt(light) * rng.standard_normal(light.shape)
    if sharpening.amount:
        light = light + sharpening.amount * (light - gaussian_filter(light, sharpening.sigma_px, truncate=6))
    return light


def straight(streak_px: float, direction_rad: float) -> SampledPath:
    along = ((np.arange(200) + 0.5) / 200 - 0.5) * streak_px
    return SampledPath(along * math.cos(direction_rad), along * math.sin(direction_rad), np.full(200, 1 / 200))


@pytest.mark.parametrize(
    ("sharpening", "bits"), [(Sharpening(), 8), (Sharpening(0.8, 1.0), 16)], ids=["plain JPEG", "sharpened TIFF"]
)
def test_streaks_of_developed_pictures(tmp_path: Path, monkeypatch, sharpening: Sharpening, bits: int) -> None:
    monkeypatch.setenv("KITGAUGE_CACHE", str(tmp_path / "cache"))
    rng = np.random.default_rng(3)
    streaks = {1 / 125: (0.9, 1.2), 1 / 60: (2.0, 3.0), 1 / 30: (4.0, 7.0), 1 / 15: (9.0, 14.0)}
    suffix, number, truth = ("JPG" if bits == 8 else "TIF"), 0, {}
    for role in ("tripod", "handheld"):
        for shutter_s, pair in streaks.items():
            for streak in pair:
                name, number = f"P{number:04d}.{suffix}", number + 1
                path = straight(streak, rng.uniform(0.0, math.pi)) if role == "handheld" else None
                settings = {"iso": 100, "f_number": 5.6, "shutter_s": shutter_s, "second": number}
                save_developed(tmp_path / "in" / role / name, picture(rng, path, sharpening), bits=bits, **settings)
                if role == "handheld":
                    truth[name] = streak
    arguments = ["run", "handheld-shutter", str(tmp_path / "in"), "--out", str(tmp_path / "out")]
    result = CliRunner().invoke(app, [*arguments, "--pitch-um", str(PITCH_UM), "--criterion", "streak_px=4"])
    assert result.exit_code in (0, 3), result.output
    curves = json.loads((tmp_path / "out" / "curves.json").read_text(encoding="utf-8"))
    rows = {Path(row["file"]).name: row for row in curves["blur"]["frames"]}
    assert curves["kit"]["developed"] is True
    assert all("rendered" in row["flags"] for row in rows.values())
    for name, streak in truth.items():
        # sharpening is linear, and the same on and off the tripod: variances still add
        assert abs(rows[name]["streak_px"] - streak) < 0.08 + 0.02 * streak, name
    for limit in curves["limits"]:
        assert "rendered" in limit["flags"]
        assert "developed" in limit["text"]
