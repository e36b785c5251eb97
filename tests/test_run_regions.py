"""Regions on the command line: only edges inside are measured, and they belong to the run's record and the cache."""

import json

import pytest

from kitgauge import runner
from kitgauge.errors import UsageError


def positions(run) -> list[tuple[float, float]]:
    return [(point["x_norm"], point["y_norm"]) for point in run.curves["sharpness"]["points"]]


def test_only_edges_in_the_regions(frames_of, tmp_path) -> None:
    folder = frames_of("aperture-sweep")
    # the frame is 720 x 480 with three squares side by side
    everywhere = runner.run("aperture-sweep", folder, out=tmp_path / "all", report=False)
    left = runner.run("aperture-sweep", folder, out=tmp_path / "left", report=False, regions=["0,0,240,480"])
    assert max(x for x, _ in positions(everywhere)) > 0.7
    assert positions(left)
    assert max(x for x, _ in positions(left)) < 1 / 3
    # the same frames with a region are measured anew although the cache holds them without it
    assert json.loads((tmp_path / "left" / "run.json").read_text())["settings"]["regions"] == ["0,0,240,480"]
    again = runner.run("aperture-sweep", folder, out=tmp_path / "again", report=False, regions=["0,0,240,480"])
    assert positions(again) == positions(left)
    both = runner.run(
        "aperture-sweep", folder, out=tmp_path / "both", report=False, regions=["0,0,33%,100%", "67%,0,33%,100%"]
    )
    assert {x < 1 / 3 or x > 2 / 3 for x, _ in positions(both)} == {True}
    assert {x < 0.5 for x, _ in positions(both)} == {True, False}


def test_a_region_outside_the_frame(kitgauge, frames_of, tmp_path) -> None:
    done = kitgauge("run", "aperture-sweep", frames_of("aperture-sweep"), "--out", "out", "--region", "500,0,300,200")
    assert done.returncode == 2
    assert "this region reaches out of the frame" in done.stderr
    assert "within 720 x 480 px" in done.stderr
    assert not (tmp_path / "out").exists()


def test_regions_serve_sharpness_only(frames_of, tmp_path) -> None:
    with pytest.raises(UsageError, match="the protocol noise-ladder, which measures noise"):
        runner.run("noise-ladder", frames_of("noise-ladder"), out=tmp_path / "out", regions=["0,0,200,200"])
