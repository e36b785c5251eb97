"""Blur runs and practice series without a target, from files to limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scene_series import shoot

import kitgauge
from kitgauge import runner
from kitgauge.frames import opening
from kitgauge.ingest import blur_frames, scene_blur_frames
from kitgauge.limits.criteria import Criteria

SHUTTERS = (1 / 125, 1 / 60, 1 / 30)


def test_a_series_without_a_target_is_measured_on_its_scene_and_says_so(tmp_path) -> None:
    truth = shoot(tmp_path / "frames", "leaves", SHUTTERS, 4, 3)
    run = kitgauge.run(
        "handheld-shutter", tmp_path / "frames", out=tmp_path / "out", criteria=Criteria(streak_px=2.0, keep=0.5),
        use_cache=False, report=False,
    )  # fmt: skip
    rows = {row["file"]: row for row in run.curves["blur"]["frames"]}
    assert len(rows) == 2 * len(SHUTTERS) + len(truth)
    assert all("no-target" in row["flags"] for row in rows.values())
    assert all("no-target" in limit["flags"] for limit in run.curves["blur"]["limits"])
    (limit,) = run.limits
    assert "no-target" in limit.flags
    assert "scene itself" in limit.text
    assert any("no target found" in note for note in run.notes)
    for file, streak in truth.items():
        row = rows[file]
        if row["censored"] == "below":
            assert streak < row["bound_px"] + 0.3
        elif row["censored"] == "above":
            assert streak > 0.9 * row["bound_px"]
        else:
            assert abs(row["streak_px"] - streak) < 0.4 + 0.05 * streak, file
    tripod = [row for row in rows.values() if row["role"] == "tripod"]
    assert all(row["censored"] == "below" for row in tripod)
    # half of the true streaks are under 2 px at the limit, as near as 16 frames tell
    log_t = np.log2([rows[file]["shutter_s"] for file in truth])
    slope, start = np.polyfit(log_t, np.log2(list(truth.values())), 1)
    assert abs(math.log2(limit.value["shutter_s"]) - (1.0 - start) / slope) < 0.75


def test_a_practice_series_tells_blur_against_its_sharpest_frame(tmp_path) -> None:
    truth = shoot(tmp_path / "frames", "buildings", (1 / 1000, 1 / 60, 1 / 8), 2, 5, tripod=False)
    run = kitgauge.run("practice-shutter", tmp_path / "frames", out=tmp_path / "out", use_cache=False)
    rows = {row["file"]: row for row in run.curves["practice"]["frames"]}
    assert set(rows) == set(truth)
    (sharpest,) = {row["relative_to"] for row in rows.values()}
    assert rows[sharpest]["shutter_s"] == pytest.approx(1 / 1000)
    for file, row in rows.items():
        assert "no-target" in row["relative_flags"]
        if row["relative_streak_px"] is not None:
            expected = math.sqrt(max(truth[file] ** 2 - truth[sharpest] ** 2, 0.0))
            assert abs(row["relative_streak_px"] - expected) < 0.5 + 0.06 * expected
    assert sum(row["relative_streak_px"] is not None for row in rows.values()) >= 2


@pytest.mark.parametrize("kind", ["leaves", "blinds", "wall"])
def test_each_file_is_opened_once(tmp_path, monkeypatch, in_this_process, kind) -> None:
    """Whether the scene serves, or shows straight edges of one direction only, or nothing at all."""
    truth = shoot(tmp_path / "frames", kind, (1 / 125, 1 / 60, 1 / 30), 1, 3)
    opened: list[str] = []

    def spy(path, **how):
        opened.append(path.name)
        return opening.open_frame(path, **how)

    for module in (blur_frames, scene_blur_frames):
        monkeypatch.setattr(module, "open_frame", spy)
    settings = {"report": False, "executor": in_this_process, "workers": 2}
    run = runner.run("handheld-shutter", tmp_path / "frames", out=tmp_path / "out", **settings)
    assert len(opened) == len(set(opened))
    assert len(opened) == 6 + len(truth)
    assert len(run.curves["blur"]["frames"]) == 6 + len(truth)
    opened.clear()
    again = runner.run("handheld-shutter", tmp_path / "frames", out=tmp_path / "again", **settings)
    assert opened == []
    assert again.curves["blur"]["frames"] == run.curves["blur"]["frames"]
