"""Traps through files and the public interface: what a user is told, with a picture of it."""

from __future__ import annotations

import base64
import csv
import json
from datetime import datetime, timedelta

import cv2
import numpy as np
import pytest
from scipy import ndimage

from kitgauge import runner
from kitgauge.ingest.iso_group import measure_iso_group
from kitgauge.ingest.scan import scan_folder
from kitgauge.simulate.dng import BAYER_RGGB, RecordedSettings, write_dng

BLACK, WHITE, SHAPE = 512, 16383, (320, 480)
COLOURS = np.array([[0.6, 1.0], [1.0, 0.7]])


def exposure(rng, level, k, read_dn=4.0, factor=1.0):
    """Samples before rounding of a Bayer sensor: green at `level` of the range, other light by `factor` (a map)."""
    light = level * (WHITE - BLACK) * np.tile(COLOURS, (SHAPE[0] // 2, SHAPE[1] // 2)) * factor
    return light + np.sqrt(k * light + read_dn**2) * rng.standard_normal(SHAPE) + BLACK


class Shoot:
    """A folder of frames, written one after another."""

    def __init__(self, folder):
        self.folder, self.count = folder, 0
        folder.mkdir()

    def frame(self, dn, iso, shutter_s):
        self.count += 1
        settings = RecordedSettings(
            make="Example",
            model="One",
            iso=iso,
            shutter_s=shutter_s,
            f_number=8.0,
            taken_at=datetime(2026, 5, 1, 12) + timedelta(seconds=10 * self.count),
        )
        samples = np.clip(np.rint(dn), 0, WHITE).astype(np.uint16)
        path = self.folder / f"f{self.count:03d}.dng"
        return write_dng(path, samples, BAYER_RGGB, BLACK, WHITE, settings).name


def shot(folder, flat=None, dark=None, dark_s=1 / 8000, seed=1):
    """Pairs of flats and darks at ISO 100 and 200; `flat(dn, number)` and `dark(dn, number)` spoil those of ISO 200."""
    rng = np.random.default_rng(seed)
    shoot = Shoot(folder)
    for iso in (100, 200):
        spoilt, k = iso == 200, 0.5 * iso / 100
        for number in range(2):
            dn = exposure(rng, 0.4, k)
            shoot.frame(flat(dn, number) if flat is not None and spoilt else dn, iso, 1 / 60)
        for number in range(2):
            dn = exposure(rng, 0.0, k)
            dn = dark(dn, number) if dark is not None and spoilt else dn
            shoot.frame(dn, iso, dark_s if spoilt else 1 / 8000)
    return folder


def told(tmp_path, **spoilt):
    """Return the flags of the frames of each ISO and role, and those of the points of each ISO and channel."""
    folder = shot(tmp_path / "frames", **spoilt)
    done = runner.run("noise-ladder", folder, out=tmp_path / "run", report=False)
    with (done.folder / "frames.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    frames: dict[tuple[float, str], set[str]] = {}
    for row in rows:
        frames.setdefault((float(row["iso"]), row["role"]), set()).update(row["flags"].split())
    points = json.loads((done.folder / "curves.json").read_text())["noise"]["points"]
    return frames, {(point["iso"], point["channel"]): set(point["flags"]) for point in points}


WITHOUT_A_TRAP = {"black-from-dark", "black-from-metadata", "saturation-from-metadata"}


def test_clean_frames_are_told_nothing(tmp_path):
    frames, points = told(tmp_path)
    assert all(flags <= WITHOUT_A_TRAP for flags in (*frames.values(), *points.values()))


Y, X = np.mgrid[: SHAPE[0], : SHAPE[1]]


def scaled(factor):
    return lambda dn, _: np.floor((np.rint(dn) - BLACK) * factor + BLACK + 0.5)


FLAT_TRAPS = {
    "correlated-noise": lambda dn, _: sum(0.25 * np.roll(dn, shift, 1) for shift in (-2, 0, 0, 2)),
    "flicker": lambda dn, number: BLACK + (dn - BLACK) * (1 + 0.02 * np.sin(2 * np.pi * Y / 120 + 2 * number)),
    "moving-shadow": lambda dn, number: (
        BLACK + (dn - BLACK) * (1 - 0.05 * (np.hypot(X - 160 - 140 * number, Y - 150) < 70))
    ),
    "textured": lambda dn, _: (
        BLACK
        + (dn - BLACK) * (1 + 0.02 * ndimage.gaussian_filter(np.random.default_rng(3).standard_normal(SHAPE), 4) * 14)
    ),
    "missing-codes": scaled(1.26),
    "scaled-down": scaled(0.79),
    "lossy-raw": lambda dn, _: np.where(
        dn > 900, BLACK + (np.rint(np.sqrt(np.maximum(dn - BLACK, 0)) * 4) / 4) ** 2, dn
    ),
    "iso-changed": lambda dn, number: dn if number == 0 else BLACK + (dn - BLACK) * 1.26,
    "light-changed": lambda dn, number: dn if number == 0 else BLACK + (dn - BLACK) * 0.8,
}


@pytest.mark.parametrize("flag", list(FLAT_TRAPS))
def test_a_trap_in_the_flats_of_one_iso_is_told_there_only(tmp_path, flag):
    frames, points = told(tmp_path, flat=FLAT_TRAPS[flag])
    assert flag in frames[200, "flat"]
    assert flag in points[200, "G"]
    assert all(flags <= WITHOUT_A_TRAP for (iso, _), flags in (*frames.items(), *points.items()) if iso == 100)


DARK_TRAPS = {
    "clipped-black": lambda dn, _: np.maximum(dn - BLACK + 4, 0),
    "light-leak": lambda dn, number: dn + 40 * X / SHAPE[1] + 5 * np.random.default_rng(number).standard_normal(SHAPE),
    "correlated-noise": FLAT_TRAPS["correlated-noise"],
}


@pytest.mark.parametrize("flag", list(DARK_TRAPS))
def test_a_trap_in_the_darks_of_one_iso_is_told_there_only(tmp_path, flag):
    frames, points = told(tmp_path, dark=DARK_TRAPS[flag])
    assert flag in frames[200, "dark"]
    assert flag in points[200, "G"]
    assert all(flags <= WITHOUT_A_TRAP for (iso, _), flags in (*frames.items(), *points.items()) if iso == 100)


def test_dark_frames_that_the_camera_subtracted(tmp_path):
    where = np.random.default_rng(1).choice(SHAPE[0] * SHAPE[1], 600, replace=False)

    def dark(dn, number):
        rng = np.random.default_rng(number)
        out = dn - exposure(rng, 0.0, 1.0) + BLACK
        out.ravel()[where] += 80 * rng.standard_normal(600)
        return out

    frames, points = told(tmp_path, dark=dark, dark_s=4.0)
    assert "dark-subtracted" in frames[200, "dark"]
    assert "dark-subtracted" in points[200, "G"]


def test_white_balance_in_the_raw(tmp_path):
    gains = np.tile([[1.5, 1.0], [1.0, 1.3]], (SHAPE[0] // 2, SHAPE[1] // 2))
    _, points = told(tmp_path, flat=lambda dn, _: np.floor((np.rint(dn) - BLACK) * gains + BLACK + 0.5))
    assert "white-balance-applied" in points[200, "R"] and "white-balance-applied" in points[200, "B"]
    assert "white-balance-applied" not in points[200, "G"]
    assert "white-balance-applied" not in points[100, "R"]


def test_iso_that_changed_between_two_flats_shot_as_a_pair(tmp_path):
    rng = np.random.default_rng(2)
    shoot = Shoot(tmp_path / "frames")
    for iso in (100, 200):
        for level, shutter_s in ((0.4, 1 / 60), (0.4, 1 / 60), (0.0, 1 / 8000), (0.0, 1 / 8000)):
            shoot.frame(exposure(rng, level, 0.5 * iso / 100), iso, shutter_s)
    lone = {shoot.frame(exposure(rng, 0.4, k), iso, 1 / 125) for iso, k in ((400, 2.0), (500, 2.5))}
    done = runner.run("noise-ladder", shoot.folder, out=tmp_path / "run", report=False)
    with (done.folder / "frames.csv").open(newline="") as file:
        marked = {row["file"] for row in csv.DictReader(file) if "iso-changed" in row["flags"].split()}
    assert {name.rsplit("/", 1)[-1] for name in marked} == lone


def test_pictures_come_with_the_flags_that_they_explain(tmp_path):
    folder = shot(tmp_path / "frames", flat=FLAT_TRAPS["flicker"])
    frames = scan_folder(folder).frames
    group = measure_iso_group([record for record in frames if record.iso == 200])
    (picture,) = group["pictures"]
    assert picture["role"] == "flat" and "flicker" in picture["flags"] and picture["kind"] == "difference"
    assert picture["colour"] in ("G", "G1") and len(picture["files"]) == 2 and "DN" in picture["range"]
    values = cv2.imdecode(np.frombuffer(base64.b64decode(picture["png"]), np.uint8), cv2.IMREAD_UNCHANGED)
    assert values.shape == (picture["height_px"], picture["width_px"]) and picture["width_px"] <= 240
    assert values.mean(axis=1).std() > 3 * values.mean(axis=0).std()  # bands along the rows
    clean = measure_iso_group([record for record in frames if record.iso == 100])
    assert clean["pictures"] == []
