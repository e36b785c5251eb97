"""Frames reviewed through the public function: exposure, blur, what to set next, pairs and broken files."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from everyday_frames import BLUE, RED, Blur, scene, write_frame, write_jpeg

import kitgauge
from kitgauge.errors import FrameError, IngestError, PlanError, UsageError
from kitgauge.exposure import exact_f_number, exact_iso, exact_shutter_s
from kitgauge.runs.files import to_json

pytestmark = pytest.mark.usefixtures("in_this_process")


def one(path, **how):
    (found,) = kitgauge.review(path, how.pop("results", path.parent / "none"), **how).frames
    return found


def exposure_of(shutter_s, f_number, iso):
    return math.log2(exact_f_number(f_number) ** 2 / exact_shutter_s(shutter_s) * 100 / exact_iso(iso))


@pytest.fixture(scope="module")
def leaves():
    return scene("leaves", Blur())


def test_motion_asks_for_as_many_stops_as_its_streak_is_too_long(tmp_path):
    frame = one(write_frame(tmp_path / "a.DNG", scene("leaves", Blur(motion=(9.0, 25.0)))))
    assert frame.soft.cause == "motion"
    assert frame.soft.streak_px == pytest.approx(9.0, rel=0.1)
    # diagonal/1500 of an 8 MP picture, in pixels of a frame that has only 0.24 MP
    allowed = math.hypot(400, 600) / 1500 * math.sqrt(8 / 0.24)
    assert frame.demands.streak_px == pytest.approx(allowed, rel=0.01)
    (way,) = frame.next
    assert way.stops == pytest.approx(math.log2(9.0 / allowed), abs=0.2)
    marked = way.setting.marked()
    # no slower than asked, not faster than a third of a stop more; the exposure is kept
    faster = math.log2(exact_shutter_s(1 / 30) / exact_shutter_s(marked["shutter_s"]))
    assert way.stops - 1e-6 <= faster < way.stops + 1 / 3
    assert marked["f_number"] == 4
    assert exposure_of(**marked) == pytest.approx(exposure_of(1 / 30, 4.0, 800.0), abs=1 / 6)


def test_defocus_asks_for_focus_first_and_for_the_depth_missing(tmp_path):
    frame = one(write_frame(tmp_path / "a.DNG", scene("person", Blur(disc_px=9.0))))
    assert frame.soft.cause == "defocus"
    assert frame.soft.disc_px == pytest.approx(9.0, rel=0.1)
    focus, closed = frame.next
    assert (focus.kind, closed.kind) == ("focus", "higher-f-number")
    stops = 2 * math.log2(9.0 / frame.demands.circle_px)
    assert closed.stops == pytest.approx(stops, abs=0.3)
    assert exposure_of(**closed.setting.marked()) == pytest.approx(exposure_of(1 / 30, 4.0, 800.0), abs=1 / 6)
    assert any("diffraction" in cost for cost in closed.costs)


def test_soft_parts_beside_sharp_ones_are_told_apart(tmp_path):
    light = scene("leaves", Blur(), 7, (480, 720))
    for name, blur, cause, kind in (
        ("moved", Blur(motion=(10.0, 10.0)), "motion", "faster-shutter"),
        ("deep", Blur(disc_px=10.0), "defocus", "higher-f-number"),
    ):
        half = light.copy()
        half[:, 360:] = scene("leaves", blur, 7, (480, 720))[:, 360:]
        frame = one(write_frame(tmp_path / f"{name}.DNG", half, f_number=2.8))
        assert frame.soft.cause == "sharp-in-part"
        assert frame.soft.part_cause == cause
        assert frame.next[0].kind == kind
        assert frame.stops_wanting == 0.0  # it may be as it was meant


def test_headroom_and_clipping_are_those_of_each_colour(tmp_path):
    light = np.full((400, 600), 0.2, np.float32)
    light[:40] = 0.8  # a tenth of the frame
    plain = one(write_frame(tmp_path / "a.DNG", light, full_well_e=200_000.0)).exposure
    headroom = {colour.colour: colour.headroom_stops for colour in plain.colours}
    # noise of 0.3 % takes the highest thousandth a little up
    assert headroom["G"] == pytest.approx(-math.log2(0.8), abs=0.03)
    assert headroom["R"] == pytest.approx(-math.log2(0.8 * RED), abs=0.03)
    assert headroom["B"] == pytest.approx(-math.log2(0.8 * BLUE), abs=0.03)
    clipped = one(write_frame(tmp_path / "b.DNG", light * 1.5, full_well_e=200_000.0)).exposure
    shares = {colour.colour: colour.clipped_share for colour in clipped.colours}
    assert shares == {"R": 0.0, "G": pytest.approx(0.1), "B": 0.0}
    assert {c.colour: c.headroom_stops for c in clipped.colours}["G"] == 0.0


def test_the_jpeg_shows_white_where_the_raw_file_is_not(tmp_path):
    light = np.full((400, 600), 0.2, np.float32)
    light[:100] = 0.6  # a quarter: white in a JPEG twice as bright, not in the raw file
    light[100:120] = 1.4  # a twentieth: white in both
    write_frame(tmp_path / "a.DNG", light, full_well_e=200_000.0)
    write_jpeg(tmp_path / "a.JPG", light, gain=2.0)
    frame = one(tmp_path / "a.DNG")
    assert frame.companion == "a.JPG"
    histogram = frame.exposure.histogram
    assert histogram is not None
    assert histogram.white_share == pytest.approx(0.30, abs=0.005)
    # the naive answer, one share less the other, is what clipping by colour and place gives here as well
    assert histogram.white_only_there_share == pytest.approx(0.25, abs=0.01)


def test_shadows_under_snr_1_are_counted_by_light_not_by_noisy_samples(tmp_path):
    light = np.full((400, 600), 0.2, np.float32)
    light[:100] = 0.5 / 12_500  # a quarter: half an electron, read noise 3: SNR 0.16
    light[100:200] = 7 / 12_500  # a quarter: SNR 1.75, whose single samples often lie below what has SNR 1
    frame = one(write_frame(tmp_path / "a.DNG", light, full_well_e=12_500.0))
    assert frame.exposure.shadow_share == pytest.approx(0.25, abs=0.03)
    assert frame.exposure.shadow_basis == "estimated from this frame"


def test_raw_and_jpeg_are_one_picture_and_broken_files_do_not_stop_the_rest(tmp_path, leaves):
    write_frame(tmp_path / "a.DNG", leaves)
    write_jpeg(tmp_path / "a.JPG", leaves)
    write_frame(tmp_path / "b.DNG", scene("leaves", Blur(motion=(9.0, 25.0))), minute=1)
    (tmp_path / "c.DNG").write_bytes(b"nonsense")
    (tmp_path / "notes.txt").write_text("no frame")
    found = kitgauge.review(tmp_path, tmp_path / "none")
    assert [frame.file for frame in found.frames] == ["b.DNG", "a.DNG"]  # worst first
    assert list(found.not_opened) == ["c.DNG"]
    assert list(found.not_frames) == ["notes.txt"]
    content = json.loads(to_json(found.as_dict(), ascii_only=True))
    assert content["schema"] == 1
    assert content["frames"][1]["companion"] == "a.JPG"


def test_a_jpeg_alone_says_nothing_of_headroom(tmp_path):
    blurred = scene("leaves", Blur(motion=(9.0, 25.0)))
    frame = one(write_jpeg(tmp_path / "a.jpg", blurred))
    assert frame.rendered
    assert frame.exposure.colours == ()
    assert frame.exposure.shadow_share is None
    assert frame.soft.cause == "motion"
    assert any("headroom" in note for note in frame.notes)


def test_without_settings_nothing_is_proposed(tmp_path):
    frame = one(write_jpeg(tmp_path / "a.jpg", scene("leaves", Blur(motion=(9.0, 25.0))), settings=False))
    assert frame.next == ()
    assert frame.noise.over_limit_stops is None
    assert sum("unknown" in note for note in frame.notes) >= 3


def test_what_is_not_there_or_no_frame_is_one_clear_error(tmp_path):
    with pytest.raises(UsageError, match="no such file or folder"):
        kitgauge.review(tmp_path / "missing.dng")
    with pytest.raises(IngestError, match="no frames in this folder"):
        kitgauge.review(tmp_path)
    broken = tmp_path / "a.DNG"
    broken.write_bytes(b"nonsense" * 50)
    with pytest.raises(FrameError):
        kitgauge.review(broken)
    with pytest.raises(UsageError, match="no such limits file"):
        kitgauge.review(broken, limits=tmp_path / "limits.toml")
    with pytest.raises(UsageError, match="given twice"):
        kitgauge.review(broken, kit="a", limits=tmp_path / "limits.toml")


LIMITS = """
schema = 1

[[limit]]
kind = "iso"
body = "Invented Box"
iso = 1600.0
criterion = {{ snr = 10.0, output_mp = 0.2 }}
run = "{run}"
accepted_at = 2026-05-01T12:00:00Z

[[limit]]
kind = "shutter"
body = "Invented Box"
focal_mm = 85.0
technique = "standing"
shutter_s = 0.01
criterion = {{ streak_px = 2.0, keep = 0.8 }}
run = "{run}"
accepted_at = 2026-05-01T12:00:00Z
"""


def test_limits_of_the_frames_own_body_are_used_and_no_others(tmp_path, leaves):
    results = tmp_path / "results"
    (results / "box").mkdir(parents=True)
    (results / "box" / "limits.toml").write_text(LIMITS.format(run="gone"))
    own = one(write_frame(tmp_path / "a.DNG", scene("leaves", Blur(motion=(9.0, 25.0))), iso=3200.0), results=results)
    assert own.noise.over_limit_stops == pytest.approx(1.0)
    assert own.demands.streak_px == 2.0
    assert own.next[0].stops == pytest.approx(math.log2(9.0 / 2.0), abs=0.2)
    assert any("above your limit" in cost for cost in own.next[0].costs)
    other = write_frame(tmp_path / "b.DNG", leaves, model="Other")
    frame = one(other, results=results)
    assert frame.noise.basis == "common practice"
    assert "Invented Box" in frame.kit_note
    with pytest.raises(PlanError, match="another body"):
        one(other, results=results, kit="box")


def test_a_sharp_frame_above_the_iso_limit_is_slowed_as_far_as_the_hands_allow(tmp_path, leaves):
    results = tmp_path / "results"
    (results / "box").mkdir(parents=True)
    (results / "box" / "limits.toml").write_text(LIMITS.format(run="gone"))
    frame = one(write_frame(tmp_path / "a.DNG", leaves, iso=6400.0, shutter_s=1 / 500), results=results)
    assert frame.soft.cause == "sharp"
    (way,) = frame.next
    assert way.kind == "lower-iso"
    # 2 stops over the limit; 1/100 s is what the hands keep
    assert way.setting.marked() == {"shutter_s": 1 / 125, "f_number": 4.0, "iso": 1600.0}


def test_measured_noise_and_sharpness_of_the_kit_come_first(tmp_path, leaves):
    results = tmp_path / "results"
    run = results / "box" / "run"
    run.mkdir(parents=True)
    (results / "box" / "limits.toml").write_text(LIMITS.format(run="run"))
    points = [
        {"iso": iso, "channel": "G", "gain_e_per_dn": 1.24, "read_noise_e": 3.0, "saturation_e": 20_000.0,
         "snr_midgrey": 40.0, "flags": []}
        for iso in (400, 800, 1600)
    ]  # fmt: skip
    sharp = [{"f_number": 4.0, "region": "centre", "orientation": "both", "mtf50_cy_per_px": 0.3, "flags": []}]
    kit = {"lens": "Invented 85 mm", "focal_mm": 85.0, "sensor_pixels": 240_000}
    (run / "curves.json").write_text(
        json.dumps({"schema": 1, "kit": kit, "noise": {"points": points}, "sharpness": {"points": sharp}, "limits": []})
    )
    frame = one(write_frame(tmp_path / "a.DNG", leaves), results=results)
    assert frame.exposure.shadow_basis == "measured run"
    assert frame.soft.reference.basis == "measured run"
    # a normal edge of spread s has MTF50 = sqrt(2 ln 2) / (2 pi s)
    assert frame.soft.reference.usual_px == pytest.approx(math.sqrt(2 * math.log(2)) / (2 * math.pi * 0.3))
    assert frame.noise.snr_midgrey == pytest.approx(40.0 * math.sqrt(0.24 / 0.2), rel=0.01)
