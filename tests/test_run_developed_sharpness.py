"""Developed pictures of a target through the public command: what they show, marked and kept apart."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from developed_charts import (
    PITCH_UM,
    Sharpening,
    developed_chart,
    developed_sweep,
    save_developed,
    true_mtf50,
    true_overshoot,
)
from small_kits import shots_of, small_kit
from typer.testing import CliRunner

from kitgauge.cli import app
from kitgauge.exposure import exact_f_number
from kitgauge.report.data import load_run
from kitgauge.report.sharpness_text import sharpness_letter
from kitgauge.simulate.shooting import shoot_protocol

F_NUMBERS = (2.8, 5.6, 8, 16)
STRONG = Sharpening(amount=1.5, sigma_px=1.0)
WIDE = Sharpening(amount=0.8, sigma_px=2.5)
PLACES = {"left": -2 / 3, "centre": 0.0, "right": 2 / 3}  # of the three squares: -1..1 from left to right


@pytest.fixture(autouse=True)
def own_cache(tmp_path, monkeypatch) -> None:
    monkeypatch.setenv("KITGAUGE_CACHE", str(tmp_path / "cache"))


def measured(folder: Path, frames: Path, *options: str, code: int = 0) -> dict:
    """Run the public command and return curves.json."""
    arguments = ["run", "aperture-sweep", str(frames), "--out", str(folder), "--pitch-um", str(PITCH_UM), *options]
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code == code, result.output
    curves = json.loads((folder / "curves.json").read_text(encoding="utf-8"))
    return {**curves, "printed": result.output}


@pytest.mark.parametrize(
    ("sharpening", "bits"), [(Sharpening(), 8), (STRONG, 16), (WIDE, 8)], ids=["plain JPEG", "strong TIFF", "wide JPEG"]
)
def test_sharpness_and_halo_of_developed_pictures(tmp_path, sharpening, bits) -> None:
    developed_sweep(tmp_path / "frames", F_NUMBERS, sharpening, seed=3, bits=bits)
    curves = measured(tmp_path / "run", tmp_path / "frames")
    sharpness = curves["sharpness"]
    assert curves["kit"]["developed"] is True and curves["limits"]
    for limit in curves["limits"]:
        assert "rendered" in limit["flags"] and "picture style only" in limit["text"]
    letter = sharpness_letter(sharpness)
    assert letter is not None
    assert ("no bright or dark line" in letter.made[-1]) == (sharpening.amount == 0)
    assert sharpening.amount > 0 or not any("sharpened" in point["flags"] for point in sharpness["points"])
    assert len(sharpness["halo"]) == len(F_NUMBERS)
    for point in sharpness["points"]:
        true = true_mtf50(exact_f_number(point["f_number"]), sharpening, PLACES[point["region"]])
        assert point["mtf50_cy_per_px"] == pytest.approx(true, rel=0.015)
        assert "rendered" in point["flags"]
    for halo in sharpness["halo"]:
        exact = exact_f_number(halo["f_number"])
        true = np.mean([true_overshoot(exact, sharpening, x) for x in PLACES.values()])
        for side in ("overshoot", "undershoot"):
            # the extreme of a noisy curve lies a little out; 0.5 % of the contrast is one code of an 8-bit picture
            assert halo[side] == pytest.approx(true, abs=max(4 * halo[f"{side}_stderr"], 0.005))
        assert halo["plain"] == (true > 0.02)


def test_what_physics_does_not_allow_is_marked_and_told(tmp_path) -> None:
    developed_sweep(tmp_path / "frames", F_NUMBERS, STRONG, seed=4)
    curves = measured(tmp_path / "run", tmp_path / "frames")
    points = curves["sharpness"]["points"]
    # diffraction and a square pixel by themselves, in the lens's own light (0.54 um)
    nu = np.linspace(1e-6, 1.0, 20001)

    def ceiling(f_number: float) -> float:
        s = np.minimum(nu * 0.54 * f_number / PITCH_UM, 1.0)
        mtf = 2 / math.pi * (np.arccos(s) - s * np.sqrt(1 - s * s)) * np.sinc(nu)
        return float(nu[np.flatnonzero(mtf < 0.5)[0]])

    beyond = {p["f_number"] for p in points if "sharpened" in p["flags"]}
    assert beyond and beyond == {
        n for n in F_NUMBERS if true_mtf50(exact_f_number(n), STRONG) > 1.1 * ceiling(exact_f_number(n))
    }
    letter = sharpness_letter(curves["sharpness"])
    assert letter is not None
    said = " ".join(letter.made)
    assert "sharper than diffraction and the pixel let any lens be" in said and "The edges carry a bright line" in said
    # no model of optics is fitted to what software made
    assert all("rendered" in fit["flags"] for fit in curves["sharpness"]["fit"].values())
    assert all(
        math.isnan(fit["diffraction_takes_over_f_number"] or math.nan) for fit in curves["sharpness"]["fit"].values()
    )
    page = (tmp_path / "run" / "report.html").read_text(encoding="utf-8")
    assert "The edges carry a bright line" in page and "Halo per f-number" in page and "hatched" in page


def test_raw_frames_are_measured_and_pictures_beside_them_left_out(tmp_path) -> None:
    kit = small_kit(pitch_um=PITCH_UM, make="Practice", model="Practice One", body_serial="")
    shots = [shot for shot in shots_of("aperture-sweep", kit, frames=1) if shot.f_number and 2.5 < shot.f_number < 12]
    shoot_protocol(kit, shots, tmp_path / "frames", seed=1)
    raw_only = measured(tmp_path / "raw", tmp_path / "frames")
    # sharpened twins of other moments, and one f-number that only pictures have
    developed_sweep(tmp_path / "frames", (2.8, 4, 5.6, 8, 11, 16), STRONG, frames=1, start=500)
    both = measured(tmp_path / "both", tmp_path / "frames")
    assert both["sharpness"]["points"] == raw_only["sharpness"]["points"]
    assert both["kit"]["developed"] is False
    (note,) = [note for note in both["notes"] if "developed" in note]
    assert "6 developed pictures beside 5 raw frames: the raw frames were measured" in note and "f/16" in note
    assert "the raw frames were measured" in " ".join(both["printed"].split())
    left_out = [frame for frame in load_run(tmp_path / "both").frames if frame.file.endswith(".JPG")]
    assert len(left_out) == 6 and all(f.status == "unmatched" and "developed" in f.remarks[0] for f in left_out)


def test_pictures_of_another_kind_are_kept_apart(tmp_path) -> None:
    developed_sweep(tmp_path / "frames", F_NUMBERS, seed=7)
    alone = measured(tmp_path / "alone", tmp_path / "frames")
    # the same scene developed once more by a program: sharper, and as TIFF
    developed_sweep(tmp_path / "frames", F_NUMBERS, STRONG, frames=1, bits=16, start=100)
    mixed = measured(tmp_path / "mixed", tmp_path / "frames")
    assert mixed["sharpness"]["points"] == alone["sharpness"]["points"]
    rejected = [frame for frame in load_run(tmp_path / "mixed").frames if frame.status == "rejected"]
    assert len(rejected) == len(F_NUMBERS)
    assert all("different-profile" in f.flags and "TIFF instead of JPEG" in " ".join(f.remarks) for f in rejected)
    assert any("4 of 12 developed pictures were made otherwise" in note for note in mixed["notes"])


def test_a_camera_that_was_set_to_sharpen_harder_midway_is_found_out(tmp_path) -> None:
    rng = np.random.default_rng(8)
    for number, f_number in enumerate(n for n in F_NUMBERS for _ in range(2)):
        hard = number in (6, 7)
        light = developed_chart(rng, exact_f_number(f_number), STRONG if hard else Sharpening())
        settings = {"iso": 100, "f_number": f_number, "second": number, "sharpness": 2 if hard else 0}
        save_developed(tmp_path / "frames" / f"P{number}.JPG", light, **settings)
    curves = measured(tmp_path / "run", tmp_path / "frames", code=3)
    assert {point["f_number"] for point in curves["sharpness"]["points"]} == set(F_NUMBERS[:3])
    rejected = [frame for frame in load_run(tmp_path / "run").frames if frame.status == "rejected"]
    assert [frame.file for frame in rejected] == ["P6.JPG", "P7.JPG"]
    assert all("sharpness hard instead of normal" in " ".join(frame.remarks) for frame in rejected)
