"""A noise run on developed pictures, through files and the public commands."""

from __future__ import annotations

import json
import math
import re
from types import SimpleNamespace

import numpy as np
import pytest
from developed_pictures import encode, flat, pink_texture, save_jpeg
from PIL import Image
from scipy.ndimage import gaussian_filter

from kitgauge import runner
from kitgauge.limits.criteria import Criteria
from kitgauge.runs import developed_noise as run_developed_noise

SHAPE = (320, 480)
ISOS = (100, 400, 1600, 6400)
SMOOTHING = 0.7


def noise_of(iso):
    return 0.02 * math.sqrt(iso / 100)


def write_ladder(folder, quality=98, scenes=True, frames=2, level=0.18, isos=ISOS):
    """Two flats per ISO, luminance noise smoothed; a textured scene, smoothed more the higher the ISO."""
    rng = np.random.default_rng(1)
    texture = 0.25 * pink_texture(np.random.default_rng(2), SHAPE)
    second = 0
    for step, iso in enumerate(isos):
        for number in range(frames):
            noise = {"luminance": noise_of(iso), "red": noise_of(iso), "blue": noise_of(iso)}
            light = flat(rng, SHAPE, level, smoothing=SMOOTHING, colour_smoothing=1.5, **noise) * (1 - 0.01 * number)
            save_jpeg(folder / f"flat_{second:03}.jpg", encode(light), quality, iso=iso, second=second)
            second += 1
        for _ in range(2 if scenes else 0):
            detail = gaussian_filter(texture, 0.3 * step, mode="wrap") if step else texture
            light = 0.18 * np.exp(detail)[..., None].repeat(3, -1) * (1 + 0.01 * rng.standard_normal((*SHAPE, 1)))
            save_jpeg(folder / "scene" / f"scene_{second:03}.jpg", encode(light), quality, iso=iso, second=second)
            second += 1


@pytest.fixture(scope="module")
def ladder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("developed") / "frames"
    write_ladder(folder)
    return folder


OUTPUT_MP = SHAPE[0] * SHAPE[1] / 4e6  # a quarter of the pixels


@pytest.fixture(scope="module")
def done(ladder, tmp_path_factory):
    out = tmp_path_factory.mktemp("developed-run") / "out"
    return runner.run("noise-ladder", ladder, out=out, criteria=Criteria(snr=10.0, output_mp=OUTPUT_MP), report=True)


def test_the_run_is_complete_and_marked(done):
    assert (done.status, done.reason) == ("complete", "")
    assert {record.status for record in done.records} == {"used"}
    assert all("rendered" in record.flags for record in done.records)
    assert {record.role for record in done.records} == {"flat", "scene"}
    assert any("developed pictures" in note for note in done.notes)
    assert (done.folder / "report.html").stat().st_size > 10_000


def test_points_have_the_contract_and_the_truth(done):
    noise = done.curves["noise"]
    assert [point["iso"] for point in noise["points"]] == list(ISOS)
    assert noise["fit"] is None
    for point, shown in zip(noise["points"], noise["developed"]["points"], strict=True):
        assert point["channel"] == "Y" and "rendered" in point["flags"]
        assert all(point[key] is None for key in ("gain_e_per_dn", "read_noise_e", "saturation_e"))
        true = noise_of(point["iso"])
        # rounding to codes and JPEG at quality 98 add noise of about 0.6 codes: 1.2 % of the level
        assert true * 0.97 < shown["luminance_noise"] < math.hypot(true, 0.012) * 1.03
        assert (
            point["snr_midgrey"]
            == pytest.approx(shown["snr_midgrey"])
            == pytest.approx(1 / shown["luminance_noise"], rel=0.03)
        )
        assert 0 < point["snr_midgrey_stderr"] < 0.05 * point["snr_midgrey"]
        if point["iso"] > 100:
            assert true * 0.95 < shown["red_noise"] < math.hypot(true, 0.015) * 1.05
            assert true * 0.95 < shown["blue_noise"] < math.hypot(true, 0.02) * 1.05
    assert {entry["channel"] for entry in noise["spectrum"]} == {"Y", "R-Y", "B-Y"}
    highest = next(entry for entry in noise["spectrum"] if entry["iso"] == 6400 and entry["channel"] == "Y")
    assert highest["frequency_cy_per_px"][-1] == 0.5 and highest["relative_power"][-1] == pytest.approx(1.0)
    assert highest["white"] is False
    assert all(
        0 < error < 0.2 * value
        for error, value in zip(highest["relative_power_stderr"], highest["relative_power"], strict=True)
    )
    assert len(noise["developed"]["spectrum"][0]["relative_power"]) == 16


def test_the_limit_counts_what_smoothing_left(done):
    """White noise smoothed by 0.7 pixels: erf(2 pi s f)^2 of its power lies below f (closed form), 0.25 here."""
    (limit,) = done.limits
    share = (math.erf(2 * math.pi * SMOOTHING * 0.25) / math.erf(2 * math.pi * SMOOTHING * 0.5)) ** 2
    true = 100 * (1 / (10 * 0.02 * math.sqrt(share))) ** 2
    assert math.log2(limit.value["iso"] / true) == pytest.approx(0.0, abs=max(3 * limit.stderr_stops, 0.1))
    assert limit.ci_low < limit.value["iso"] < limit.ci_high
    naive = 100 * (math.sqrt(4.0) / (10 * 0.02)) ** 2  # sqrt(pixels / output pixels)
    assert naive > 1.4 * limit.ci_high
    assert "for this picture style only" in limit.text and "rendered" in limit.flags


def test_detail_is_told(done):
    developed = done.curves["noise"]["developed"]
    fine = {band["iso"]: band["kept"] for band in developed["detail"] if band["high_cy_per_px"] == 0.5}
    assert fine[100] == 1.0
    assert 1.0 > fine[400] > fine[1600] > fine[6400] > 0
    assert "Fine detail (0.25 to 0.5 cycles/pixel) keeps, of its contrast at ISO 100: " in developed["text"]
    told = re.search(r"([\d.]+) % \(± ([\d.]*[1-9]\d*) %\) at ISO 400", developed["text"])
    assert told is not None and float(told[1]) == pytest.approx(100 * fine[400], abs=float(told[2]))


def test_an_error_below_a_percent_keeps_a_digit():
    def words(kept, stderr):
        band = SimpleNamespace(kept=kept, kept_stderr=stderr, kept_at_most=float("nan"), iso=400.0)
        return run_developed_noise._kept_words(band)

    assert words(0.9874, 0.0032) == "98.7 % (± 0.3 %) at ISO 400"
    assert words(0.9874, 0.00041) == "98.74 % (± 0.04 %) at ISO 400"
    assert words(0.61, 0.023) == "61 % (± 2 %) at ISO 400"


def test_a_scene_that_moved_is_told(tmp_path):
    write_ladder(tmp_path / "frames", isos=(100, 1600))
    last = sorted((tmp_path / "frames" / "scene").iterdir())[-1]
    with Image.open(last) as picture:
        codes, block = np.roll(np.asarray(picture), 1, axis=1), picture.getexif()
    Image.fromarray(codes).save(last, quality=98, exif=block)
    done = runner.run("noise-ladder", tmp_path / "frames", out=tmp_path / "out", report=False)
    assert "detail is kept at ISO 1600 cannot be told" in done.curves["noise"]["developed"]["text"]


def test_a_second_run_opens_nothing(ladder, done, tmp_path):
    again = runner.run("noise-ladder", ladder, out=tmp_path / "out", criteria=Criteria(10.0, OUTPUT_MP), report=False)
    assert again.frames_decoded == 0
    assert again.curves["noise"] == done.curves["noise"]


def test_command_line(kitgauge, ladder):
    done = kitgauge("run", "noise-ladder", ladder, "--out", "out", "--json", "--criterion", f"output_mp={OUTPUT_MP}")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["noise"]["developed"]["points"]


def test_sixteen_bit_tiff(tmp_path):
    """No JPEG between noise and file: exact, at a level that is not mid-grey."""
    import tifffile

    rng = np.random.default_rng(3)
    rows = ["file,iso,shutter_s,f_number"]
    for number in range(2):
        codes = encode(flat(rng, SHAPE, 0.30, luminance=0.05, red=0.02, blue=0.03), 16)
        tifffile.imwrite(tmp_path / f"{number}.tif", codes, photometric="rgb")
        rows.append(f"{number}.tif,800,1/60,8")
    (tmp_path / "settings.csv").write_text("\n".join(rows))
    done = runner.run("noise-ladder", tmp_path, out=tmp_path / "out", settings=tmp_path / "settings.csv", report=False)
    (point,) = done.curves["noise"]["developed"]["points"]
    for name, true in (("luminance", 0.05), ("red", 0.02), ("blue", 0.03)):
        assert abs(point[f"{name}_noise"] - true) < 4 * point[f"{name}_noise_stderr"]
    assert "level-scaled" in point["flags"]
    assert 20.0 * 0.18 / 0.30 < point["snr_midgrey"] < 20.0 * math.sqrt(0.18 / 0.30) * 1.02
    assert point["level_scaling_stderr"] > 0.5


def test_one_flat_per_iso(kitgauge, tmp_path):
    write_ladder(tmp_path / "frames", scenes=False, frames=1)
    done = kitgauge("run", "noise-ladder", "frames", "--out", "out")
    assert done.returncode == 3
    assert "ISO 100: no pair of flats" in done.stderr
    frames = (tmp_path / "out" / "frames.csv").read_text()
    assert frames.count("left without a partner") == len(ISOS)


def test_no_iso_in_the_files(kitgauge, tmp_path):
    codes = encode(flat(np.random.default_rng(4), SHAPE))
    for number in range(2):
        save_jpeg(tmp_path / "frames" / f"{number}.jpg", codes, 95 - number)
    done = kitgauge("run", "noise-ladder", "frames")
    assert done.returncode == 1
    assert "no ISO is known" in done.stderr and "--settings FILE.csv" in done.stderr


def test_formats_are_not_mixed(tmp_path):
    write_ladder(tmp_path / "frames", scenes=False, isos=(800,))
    for number in range(2):
        with Image.open(tmp_path / "frames" / f"flat_00{number}.jpg") as picture:
            picture.save(tmp_path / "frames" / f"flat_00{number}.png", exif=picture.getexif())
    write_ladder(tmp_path / "frames" / "more", scenes=False, isos=(1600,))
    done = runner.run("noise-ladder", tmp_path / "frames", out=tmp_path / "out", report=False)
    others = [record for record in done.records if record.file.endswith(".png")]
    assert all(record.status == "unmatched" and "one picture style per run" in record.reason for record in others)
    assert done.curves["noise"]["developed"]["points"][0]["pairs"] == 1


def test_clipped_flats_are_rejected(tmp_path):
    write_ladder(tmp_path / "frames", scenes=False, level=0.98, isos=(1600,))
    done = runner.run("noise-ladder", tmp_path / "frames", out=tmp_path / "out", report=False)
    assert done.status == "partial" and "ISO 1600: no noise (highlights are clipped)" in done.reason
    assert {record.status for record in done.records} == {"rejected"}
    assert done.limits == ()


def test_frames_without_a_use(tmp_path):
    write_ladder(tmp_path / "frames", isos=(800,))
    black = encode(np.abs(np.random.default_rng(5).standard_normal((*SHAPE, 3))) * 5e-4)
    save_jpeg(tmp_path / "frames" / "black.jpg", black, iso=800, shutter_s=1 / 8000)
    save_jpeg(tmp_path / "frames" / "dark" / "said.jpg", black, 90, iso=800)
    save_jpeg(tmp_path / "frames" / "small.jpg", black[:100, :90], iso=800, second=59)
    done = runner.run("noise-ladder", tmp_path / "frames", out=tmp_path / "out", report=False)
    by_name = {record.file: record for record in done.records}
    for name in ("black.jpg", "dark/said.jpg"):
        assert by_name[name].status == "unmatched" and "developed pictures need none" in by_name[name].reason
    assert by_name["small.jpg"].status != "used"
    assert any("detail kept needs a second ISO" in note for note in done.notes)


def test_the_planner_takes_the_limit(kitgauge, ladder):
    assert (
        kitgauge("run", "noise-ladder", ladder, "--out", "out", "--criterion", f"output_mp={OUTPUT_MP}").returncode == 0
    )
    done = kitgauge("limits", "accept", "out")
    assert done.returncode == 0, done.stderr
    plan = kitgauge("plan", "--light", "ev5", "--distance", "2", "--focal", "50")
    assert plan.returncode == 0, plan.stderr
