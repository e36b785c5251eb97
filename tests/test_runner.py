"""Whole runs on simulated frames: the file contract, provenance, caching, interruption."""

from __future__ import annotations

import csv
import json
import math

import pytest
from small_kits import small_kit

from kitgauge import runner
from kitgauge.errors import IngestError
from kitgauge.frames import opening
from kitgauge.ingest import blur_frames, edge_frames, iso_group
from kitgauge.limits.criteria import Criteria
from kitgauge.runs.files import CURVES_FILE, FRAME_COLUMNS, FRAMES_FILE, LOG_FILE, RUN_FILE
from kitgauge.simulate.true_values import truth

LIMIT_KEYS = {"kind", "ci_low", "ci_high", "criterion", "lens", "focal_mm", "technique", "text"}


def read(folder):
    return json.loads((folder / CURVES_FILE).read_text()), json.loads((folder / RUN_FILE).read_text())


@pytest.fixture
def decoded(monkeypatch, in_this_process):  # noqa: ARG001 (asked for what it does)
    """Names of the frames that were opened for their pixels."""
    names: list[str] = []

    def spy(path, **how):
        names.append(path.name)
        return opening.open_frame(path, **how)

    for module in (iso_group, edge_frames, blur_frames):
        monkeypatch.setattr(module, "open_frame", spy)
    return names


def test_a_noise_run_keeps_the_contract_and_finds_the_truth(frames_of, tmp_path):
    done = runner.run(
        "noise-ladder",
        frames_of("noise-ladder"),
        results=tmp_path / "results",
        criteria=Criteria(snr=45, output_mp=0.3),
    )
    assert (done.status, done.reason) == ("complete", "")
    assert done.folder.parent == tmp_path / "results" / "simulated-sampler-8-sim-0001"
    curves, run = read(done.folder)
    assert curves["schema"] == 1
    assert curves["protocol"] == "noise-ladder"
    assert curves["sharpness"] is None
    assert curves["blur"] is None
    points = curves["noise"]["points"]
    wanted = {"iso", "channel", "gain_e_per_dn", "gain_e_per_dn_stderr", "read_noise_e", "read_noise_e_stderr",
              "saturation_e", "dynamic_range_stops", "snr_midgrey", "flags"}  # fmt: skip
    assert all(wanted <= set(point) for point in points)
    assert {(p["iso"], p["channel"]) for p in points} == {
        (iso, channel) for iso in (100, 200, 400, 800) for channel in ("R", "G1", "G2", "B", "G")
    }
    assert {"parameters", "dual_gain_iso", "invariance_iso"} <= set(curves["noise"]["fit"])
    kit = small_kit()
    for point in (p for p in points if p["channel"] == "G"):
        for key, true in (
            ("gain_e_per_dn", kit.sensor.gain_e_per_dn(point["iso"])),
            ("read_noise_e", kit.sensor.read_noise_e(point["iso"])),
        ):
            # 8 comparisons: beyond 4 standard errors happens once in 2,000 tests by chance
            assert abs(point[key] - true) < 4.0 * point[f"{key}_stderr"], (point["iso"], key)
        assert math.isclose(point["saturation_e"], kit.sensor.saturation_e(point["iso"]), rel_tol=0.02)
    (limit,) = curves["limits"]
    assert set(limit) >= LIMIT_KEYS | {"iso", "iso_dial"}
    true = truth(kit, Criteria(snr=45, output_mp=0.3), paths=10).iso_limit
    assert abs(math.log2(limit["iso"] / true)) < 4.0 * limit["stderr_stops"] < 0.1
    assert limit["ci_low"] < limit["iso"] < limit["ci_high"]
    assert limit["iso_dial"] <= limit["iso"]
    assert run["status"] == "complete"
    assert run["protocol"]["id"] == "noise-ladder"
    assert len(run["protocol"]["sha256"]) == 64
    assert {"numpy", "scipy", "rawpy", "libraw"} <= set(run["versions"])
    assert (done.folder / "report.html").stat().st_size > 10_000
    assert len(done.noise) == len(points)
    assert done.blur.empty


def test_every_frame_ends_in_the_table_with_its_role(frames_of, tmp_path):
    done = runner.run("noise-ladder", frames_of("noise-ladder"), out=tmp_path / "out", report=False)
    with (done.folder / FRAMES_FILE).open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == FRAME_COLUMNS
    assert FRAME_COLUMNS[:13] == (
        "file", "sha256", "taken_at", "body", "lens", "iso", "shutter_s", "f_number", "focal_mm", "step", "role",
        "status", "flags",
    )  # fmt: skip
    assert len(rows) == 16
    assert {row["status"] for row in rows} == {"used"}
    assert [row["role"] for row in rows] == ["flat"] * 8 + ["dark"] * 8
    assert rows[0]["step"] == "flat ISO 100"
    assert all(len(row["sha256"]) == 64 for row in rows)


def test_the_log_tells_what_happened_in_order(frames_of, tmp_path):
    done = runner.run("noise-ladder", frames_of("noise-ladder"), out=tmp_path / "out", report=False)
    events = [json.loads(line) for line in (done.folder / LOG_FILE).read_text().splitlines()]
    kinds = [event["event"] for event in events]
    assert kinds[0] == "start"
    assert kinds[-2:] == ["result", "stop"]
    assert kinds.count("frame") == 16
    assert kinds.count("step") == 4
    assert events[0]["settings"]["criteria"]["snr"] == 10
    assert events[-1]["status"] == "complete"


def test_an_aperture_sweep_keeps_the_contract_and_finds_the_truth(frames_of, tmp_path):
    done = runner.run("aperture-sweep", frames_of("aperture-sweep"), out=tmp_path / "out")
    assert (done.status, done.reason) == ("complete", "")
    curves, _ = read(done.folder)
    points = curves["sharpness"]["points"]
    wanted = {"f_number", "region", "x_norm", "y_norm", "orientation", "channel", "mtf50_cy_per_px",
              "mtf50_cy_per_px_stderr", "frames", "flags"}  # fmt: skip
    assert all(wanted <= set(point) for point in points)
    assert {p["f_number"] for p in points} == {4, 5.6, 8, 11, 16}
    assert {p["region"] for p in points} == {"left", "centre", "right"}
    assert {p["orientation"] for p in points} == {"horizontal", "vertical"}
    kit = small_kit()
    known = truth(kit, f_numbers=sorted({p["f_number_exact"] for p in points}), paths=10)
    errors = [p["mtf50_cy_per_px"] / known.mtf50_at(p["f_number_exact"], p["x_norm"], p["y_norm"]) - 1 for p in points]
    assert sorted(map(abs, errors))[len(errors) // 2] < 0.01
    assert max(map(abs, errors)) < 0.03
    fit = curves["sharpness"]["fit"]["centre"]
    assert {"sharpest_f_number", "sharpest_f_number_ci", "sharp_range", "parameters"} <= set(fit)
    true_peak = known.aperture_at(0.5, 0.5).sharpest_f_number
    assert fit["sharpest_f_number_ci"][0] < true_peak < fit["sharpest_f_number_ci"][1]
    regions = [limit["region"] for limit in curves["limits"] if "mtf50_fraction" in limit["criterion"]]
    assert regions == ["centre", "whole frame"]
    of_picture = [limit["region"] for limit in curves["limits"] if "picture_mtf" in limit["criterion"]]
    assert of_picture == ["centre", "whole frame"] and len(curves["limits"]) == 4
    assert {"f_number_low", "f_number_high", "f_number_low_dial", "f_number_high_dial"} <= set(curves["limits"][0])


def test_a_handheld_run_keeps_the_contract(frames_of, tmp_path):
    done = runner.run("handheld-shutter", frames_of("handheld-shutter"), out=tmp_path / "out", technique="standing")
    curves, _ = read(done.folder)
    blur = curves["blur"]
    wanted = {"file", "shutter_s", "role", "streak_px", "streak_px_stderr", "streak_um", "streak_mrad", "direction_deg",
              "censored", "flags"}  # fmt: skip
    assert all(wanted <= set(row) for row in blur["frames"])
    assert [row["role"] for row in blur["frames"]].count("tripod") == 14
    assert {row["censored"] for row in blur["frames"]} <= {None, "below", "above"}
    measured = [row for row in blur["frames"] if row["streak_px"] is not None]
    assert measured
    for row in measured:
        assert math.isclose(row["streak_um"], row["streak_px"] * 6.0)
        assert math.isclose(row["streak_mrad"], row["streak_um"] / 14.0)
    assert {limit["keep"] for limit in blur["limits"]} == {0.5, 0.8, 0.9}
    assert all(
        {"keep", "streak_limit_px", "shutter_s", "ci_low_s", "ci_high_s"} <= set(item) for item in blur["limits"]
    )
    assert all(set(item) == {"shutter_s", "frames"} for item in blur["next"])
    (limit,) = curves["limits"]
    assert (limit["kind"], limit["technique"], limit["focal_mm"]) == ("shutter", "standing", 14.0)
    assert limit["shutter_s_dial"] <= limit["shutter_s"] * 1.03


@pytest.mark.parametrize("protocol", ["noise-ladder", "aperture-sweep", "handheld-shutter"])
def test_a_second_run_decodes_nothing_and_finds_the_same(frames_of, tmp_path, decoded, protocol):
    frames = frames_of(protocol)
    first = runner.run(protocol, frames, out=tmp_path / "one", report=False)
    decoded.clear()
    second = runner.run(protocol, frames, out=tmp_path / "two", report=False)
    assert decoded == []
    assert second.frames_decoded == 0
    assert first.curves == second.curves
    runner.run(protocol, frames, out=tmp_path / "three", report=False, use_cache=False)
    assert sorted(set(decoded)) == sorted(path.name for path in frames.iterdir())


def test_each_file_is_decoded_once(frames_of, tmp_path, decoded):
    for protocol in ("noise-ladder", "aperture-sweep", "handheld-shutter"):
        decoded.clear()
        runner.run(protocol, frames_of(protocol), out=tmp_path / protocol, report=False, use_cache=False)
        assert len(decoded) == len(set(decoded)) > 0


def test_a_changed_criterion_needs_no_decoding(frames_of, tmp_path, decoded):
    frames = frames_of("noise-ladder")
    first = runner.run(
        "noise-ladder", frames, out=tmp_path / "one", report=False, criteria=Criteria(snr=10, output_mp=0.3)
    )
    decoded.clear()
    second = runner.run(
        "noise-ladder", frames, out=tmp_path / "two", report=False, criteria=Criteria(snr=30, output_mp=0.3)
    )
    assert decoded == []
    assert first.limits[0].value != second.limits[0].value


def test_an_interrupted_run_keeps_its_results_and_goes_on(frames_of, tmp_path, monkeypatch, decoded):
    frames = frames_of("noise-ladder")
    monkeypatch.setenv("KITGAUGE_CACHE", str(tmp_path / "cache"))
    seen: list[str] = []

    def interrupt(stage: str, done: int, _total: int) -> None:
        seen.append(stage)
        if stage == "measuring ISO values" and done == 2:
            raise KeyboardInterrupt

    out = tmp_path / "out"
    cut = runner.run("noise-ladder", frames, out=out, workers=1, progress=interrupt, use_cache=True)
    assert cut.status == "partial"
    assert "interrupted" in cut.reason
    curves, run = read(out)
    assert run["status"] == "partial"
    assert {p["iso"] for p in curves["noise"]["points"]} == {100, 200}
    with (out / FRAMES_FILE).open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 16
    assert sum(row["status"] == "used" for row in rows) == 8
    assert {row["reason"] for row in rows if row["status"] != "used"} == {"not measured yet: the run was interrupted"}
    decoded.clear()
    whole = runner.run("noise-ladder", frames, out=out, workers=1)
    assert whole.status == "complete"
    assert len(decoded) == 8
    undisturbed = runner.run("noise-ladder", frames, out=tmp_path / "other", use_cache=False)
    assert whole.curves == undisturbed.curves


def test_frames_with_a_repeated_shot_supersede_a_rejected_one(frames_of, tmp_path):
    frames = frames_of("noise-ladder")
    spoiled = frames / "IMG_0001.DNG"
    good = spoiled.read_bytes()
    spoiled.write_bytes(good[: len(good) // 3])
    (frames / "IMG_9001.DNG").write_bytes(good)
    done = runner.run("noise-ladder", frames, out=tmp_path / "out", report=False)
    assert done.status == "complete"
    status = {record.file: record.status for record in done.records}
    assert status["IMG_0001.DNG"] == "rejected"
    assert status["IMG_9001.DNG"] == "used"


def test_a_lost_flat_makes_the_run_partial_and_says_which(frames_of, tmp_path):
    frames = frames_of("noise-ladder")
    (frames / "IMG_0003.DNG").unlink()
    done = runner.run("noise-ladder", frames, out=tmp_path / "out", report=False)
    assert done.status == "partial"
    assert done.reason.startswith("ISO 200: no gain")
    left = {record.file: record for record in done.records}["IMG_0004.DNG"]
    assert left.status == "unmatched"
    assert "partner" in left.reason


def test_lost_darks_leave_the_gain_and_no_read_noise(frames_of, tmp_path):
    frames = frames_of("noise-ladder")
    whole = runner.run("noise-ladder", frames, out=tmp_path / "whole", report=False)
    darks = [record.path for record in whole.records if record.role == "dark" and record.iso == 400]
    for path in darks:
        path.unlink()
    done = runner.run("noise-ladder", frames, out=tmp_path / "out", report=False)
    assert done.status == "partial"
    point = next(p for p in done.curves["noise"]["points"] if p["iso"] == 400 and p["channel"] == "G")
    assert point["read_noise_e"] is None
    assert point["gain_e_per_dn"] > 0
    assert "no-dark" in point["flags"]


def test_roles_told_by_subfolder_count_over_content(frames_of, tmp_path):
    frames = frames_of("noise-ladder")
    sorted_by_hand = tmp_path / "sorted"
    whole = runner.run("noise-ladder", frames, out=tmp_path / "whole", report=False)
    for record in whole.records:
        place = sorted_by_hand / record.role / record.file
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(record.path.read_bytes())
    again = runner.run("noise-ladder", sorted_by_hand, out=tmp_path / "again", report=False)
    assert again.curves["noise"]["points"] == whole.curves["noise"]["points"]


def test_settings_file_fills_what_a_manual_lens_does_not_tell(frames_of, tmp_path):
    frames = frames_of("aperture-sweep")
    whole = runner.run("aperture-sweep", frames, out=tmp_path / "whole", report=False)
    lines = ["file,f_number"] + [f"{r.file},{r.f_number * 2:g}" for r in whole.records]
    settings = tmp_path / "settings.csv"
    settings.write_text("\n".join(lines))
    doubled = runner.run("aperture-sweep", frames, out=tmp_path / "doubled", settings=settings, report=False)
    assert {p["f_number"] for p in doubled.curves["sharpness"]["points"]} == {8, 11.2, 16, 22, 32}


def test_sampled_model_curves_pass_through_the_fit(frames_of, tmp_path):
    done = runner.run("noise-ladder", frames_of("noise-ladder"), out=tmp_path / "out", report=False)
    curve = done.curves["noise"]["fit"]["curves"]["read_noise_e"]
    assert len(curve["x"]) == len(curve["y"]) == len(curve["low"])
    assert curve["x"][0] == pytest.approx(100)
    assert all(low <= y <= high for y, low, high in zip(curve["y"], curve["low"], curve["high"], strict=True))
    assert len(curve["x"]) >= 50


def test_developed_pictures_without_settings_give_no_noise(tmp_path):
    from PIL import Image

    Image.new("RGB", (64, 64), (90, 90, 90)).save(tmp_path / "a.jpg")
    with pytest.raises(IngestError, match="no frame in this folder serves noise-ladder"):
        runner.run("noise-ladder", tmp_path, results=tmp_path / "results")
