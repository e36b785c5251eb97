"""Files that no one here made, through the public path. Origins and licences: README of the folder shared/real."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from kitgauge import runner
from kitgauge.errors import FrameError, IngestError
from kitgauge.frames.metadata import read_settings
from kitgauge.frames.opening import open_frame
from kitgauge.simulate.dng import BAYER_RGGB, RecordedSettings, write_dng


@pytest.fixture(scope="module")
def chart_run(shared, tmp_path_factory):
    """The real chart frame (1080 x 1920, RGGB, 10 bit, white about 1020), wrapped into a DNG and run."""
    samples = np.fromfile(shared / "real/chart-frame/chart_1920x1080_rggb_10bit.raw", "<u2").reshape(1080, 1920)
    folder = tmp_path_factory.mktemp("chart")
    write_dng(
        folder / "chart.dng", samples, BAYER_RGGB, 0, 1020, RecordedSettings(f_number=2.8, iso=100, shutter_s=1 / 60)
    )
    return runner.run("aperture-sweep", folder, out=tmp_path_factory.mktemp("out"), report=False)


def test_the_chart_frame_opens_as_it_is(shared, chart_run):
    samples = np.fromfile(shared / "real/chart-frame/chart_1920x1080_rggb_10bit.raw", "<u2").reshape(1080, 1920)
    mosaic = open_frame(chart_run.records[0].path)
    assert np.array_equal(mosaic.samples, samples)
    assert chart_run.records[0].status == "used"


def test_the_grey_squares_are_measured_where_white_does_not_clip(chart_run):
    """Of the five tilted squares, the lower left one has no clipped white beside it: both directions are measured.

    Its centre and size are read off the frame (a viewer), not from the search. Its left and right sides differ by half
    (0.15 and 0.23 cycles/pixel): the lens falls off to the border, see tests/measure/test_edge_finding.py. The point is
    the mean of the two sides; further out, the border of the page is softer still.
    """
    points = {
        point["orientation"]: point
        for point in chart_run.curves["sharpness"]["points"]
        if math.hypot(point["x_norm"] * 1920 - 349, point["y_norm"] * 1080 - 909) < 60
    }
    assert set(points) == {"horizontal", "vertical"}
    for point in points.values():
        assert point["edges"] == 2
        assert 0.1 < point["mtf50_cy_per_px"] < 0.3
        assert 0 < point["mtf50_cy_per_px_stderr"] < 0.03 * point["mtf50_cy_per_px"]
        assert point["flags"] == ["single-frame"]


def test_edges_beside_clipped_white_are_refused_for_it(chart_run):
    refused = chart_run.curves["sharpness"]["edges_refused"]
    assert sum("edge-clipped" in edge["flags"] for edge in refused) > 10
    assert all(edge["flags"] for edge in refused)


def test_zero_pixels_are_refused_as_an_empty_picture(shared):
    path = shared / "real/zero-pixels/truncated.arw"
    settings = read_settings(path)
    assert settings.iso is not None
    with pytest.raises(FrameError) as caught:
        open_frame(path)
    assert caught.value.flag == "empty-picture"


def test_the_old_compacts_raw_opens_and_is_told_to_lack_settings(shared, tmp_path):
    path = shared / "real/old-compact/compact.kdc"
    assert open_frame(path).shape == (512, 768)
    settings = read_settings(path)
    assert settings.iso is None
    assert settings.missing["iso"]
    copy = tmp_path / "frames"
    copy.mkdir()
    (copy / "compact.kdc").write_bytes(path.read_bytes())
    with pytest.raises(IngestError, match="no ISO is known: give it with --settings"):
        runner.run("noise-ladder", copy, out=tmp_path / "out")


def test_a_folder_of_many_cameras_is_refused_with_a_listing(shared, tmp_path):
    with pytest.raises(IngestError, match="several bodies") as caught:
        runner.run("practice-iso", shared / "real/exif/cameras", out=tmp_path / "out")
    assert str(caught.value).count("frames)") > 20


def test_every_real_jpeg_of_one_camera_is_used_or_told_why(shared, tmp_path):
    done = runner.run("practice-iso", shared / "real/exif/cameras", out=tmp_path / "out", body="COOLPIX P6000")
    assert (tmp_path / "out" / "report.html").exists()
    for record in done.records:
        assert record.status == "used" or record.reason
    rows = json.loads((tmp_path / "out" / "curves.json").read_text())["practice"]["frames"]
    assert rows
    assert all("rendered" in row["flags"] for row in rows)
    assert all(row["level_stops_below_saturation"] is None or row["level_stops_below_saturation"] >= 0 for row in rows)
    assert all(math.isfinite(row["clipped_share"]) for row in rows)
