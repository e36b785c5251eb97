"""Flats and darks of one ISO told apart by what is in them, and what becomes of a run whose darks saw light."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_kits import small_kit

from kitgauge import runner
from kitgauge.frames.mosaic import Mosaic
from kitgauge.ingest import iso_group
from kitgauge.ingest.iso_pairs import plane_pairs
from kitgauge.ingest.record import FrameRecord

WHITE = 16383.0
SHAPE = (64, 96)


class Folder:
    """Frames in memory: each is given as (level above black as a share of the range, shutter time)."""

    def __init__(self, monkeypatch, frames, *, stated=512.0, source="metadata", roles=None):
        rng = np.random.default_rng(1)
        self.opened: list[str] = []
        self.samples = {}
        self.records = []
        for index, (level, shutter_s) in enumerate(frames):
            name = f"{index:02d}.dng"
            mean = 512.0 + level * (WHITE - 512.0)
            noise = np.sqrt(2.0**2 + 0.3 * max(mean - 512.0, 0.0)) * rng.standard_normal(SHAPE)
            self.samples[name] = np.clip(np.round(mean + noise), 0, WHITE).astype(np.uint16)
            role = roles[index] if roles else None
            self.records.append(
                FrameRecord(name, Path(name), sha256=name, iso=100.0, shutter_s=shutter_s, f_number=5.6, role=role)
            )

        def open_frame(path, **_):
            self.opened.append(path.name)
            black = np.full((1, 1), stated)
            return Mosaic(path, self.samples[path.name], (("G",),), black, WHITE, source)

        monkeypatch.setattr(iso_group, "open_frame", open_frame)

    def measure(self):
        ordered = sorted(self.records, key=lambda record: (record.shutter_s, record.file))
        result = iso_group.measure_iso_group(ordered)
        assert sorted(self.opened) == sorted(self.samples)  # each once
        json.dumps(result, default=lambda values: values.tolist())  # arrays, else plain values
        return result

    def roles(self):
        roles = self.measure()["roles"]
        return "".join(roles[name][0] for name in sorted(roles))


FAST, SLOW = 1 / 8000, 1 / 8


@pytest.mark.parametrize("level", [0.006, 0.02, 0.04, 0.3, 0.8])
@pytest.mark.parametrize("dark_shutter_s", [FAST, SLOW])
@pytest.mark.parametrize("stated", [512.0, 0.0])
def test_flats_are_the_brighter_group_however_dark(monkeypatch, level, dark_shutter_s, stated):
    # stated black 0: the dark frames themselves are at 3 % of the range
    frames = [(level, SLOW), (level, SLOW), (0.0, dark_shutter_s), (0.0, dark_shutter_s)]
    folder = Folder(monkeypatch, frames, stated=stated)
    result = folder.measure()
    assert "".join(result["roles"][name][0] for name in sorted(result["roles"])) == "ffdd"
    [plane] = plane_pairs(result)
    assert len(plane.flats) == len(plane.darks) == 1
    assert ("too-dark" in plane.flats[0].flags) == (level < 0.01)


def test_flats_four_stops_longer_need_a_smaller_gap(monkeypatch):
    assert Folder(monkeypatch, [(0.003, SLOW)] * 2 + [(0.0, FAST)] * 2).roles() == "ffdd"
    assert Folder(monkeypatch, [(0.003, SLOW)] * 2 + [(0.0, SLOW)] * 2).roles() == "dddd"


def test_light_on_the_darks_leaves_them_darks_beside_bright_flats(monkeypatch):
    frames = [(0.5, SLOW), (0.5, SLOW), (0.03, FAST), (0.03, FAST), (0.0, FAST), (0.0, FAST)]
    assert Folder(monkeypatch, frames).roles() == "ffdddd"
    assert Folder(monkeypatch, [(0.5, 1 / 30)] * 2 + [(0.1, 1 / 60)] * 2 + [(0.03, FAST)] * 2).roles() == "ffffdd"


def test_a_single_group_goes_by_its_level(monkeypatch):
    assert Folder(monkeypatch, [(0.02, SLOW)] * 2).roles() == "dd"
    assert Folder(monkeypatch, [(0.0, FAST)] * 4).roles() == "dddd"
    assert Folder(monkeypatch, [(0.3, SLOW)] * 4).roles() == "ffff"


def test_what_the_user_says_counts_over_content(monkeypatch):
    frames = [(0.02, SLOW), (0.02, SLOW), (0.0, SLOW), (0.0, SLOW)]
    assert Folder(monkeypatch, frames, roles=["dark", "dark", "flat", "flat"]).roles() == "ddff"


def test_a_shadow_that_only_one_colour_shows_has_its_picture(monkeypatch):
    """Of several levels, each beside its own; the green samples of the pair show nothing (their light is another)."""
    rng, shape = np.random.default_rng(2), (240, 360)
    y, x = np.mgrid[: shape[0], : shape[1]]
    red = (y % 2 == 0) & (x % 2 == 0)
    samples, records = {}, []
    for index, (level, shutter_s) in enumerate([(2000.0, 1 / 60)] * 2 + [(6000.0, 1 / 20)] * 2 + [(0.0, FAST)] * 2):
        shadow = 0.04 * (np.hypot(x - 120 - 90 * (index % 2), y - 120) < 60) * red
        mean = 512.0 + level * (1.0 - shadow)
        noise = np.sqrt(4.0 + 0.3 * (mean - 512.0)) * rng.standard_normal(shape)
        name = f"{index:02d}.dng"
        samples[name] = np.round(mean + noise).astype(np.uint16)
        records.append(FrameRecord(name, Path(name), sha256=name, iso=100.0, shutter_s=shutter_s, f_number=5.6))
    black = np.full((2, 2), 512.0)
    pattern = (("R", "G1"), ("G2", "B"))
    monkeypatch.setattr(
        iso_group, "open_frame", lambda path, **_: Mosaic(path, samples[path.name], pattern, black, WHITE, "metadata")
    )
    result = iso_group.measure_iso_group(sorted(records, key=lambda record: (record.shutter_s, record.file)))
    assert all("moving-shadow" in pair.flags for pair in plane_pairs(result)[0].flats)
    assert not any("moving-shadow" in pair.flags for plane in plane_pairs(result)[1:] for pair in plane.flats)
    of_shadow = [one for one in result["pictures"] if one["kind"] == "difference"]
    shown = [(one["files"], one["colour"]) for one in of_shadow]
    assert sorted(shown) == [
        (["00.dng", "01.dng"], "R"),
        (["02.dng", "03.dng"], "R"),
    ]
    assert all("moving-shadow" in one["flags"] and "textured" not in one["flags"] for one in of_shadow)


def test_many_undecided_frames_are_not_all_kept_in_memory(monkeypatch):
    waiting = 0
    decide = iso_group._Group._decide

    def watched(group):
        nonlocal waiting
        waiting = max(waiting, len(group.undecided))
        decide(group)

    monkeypatch.setattr(iso_group._Group, "_decide", watched)
    assert Folder(monkeypatch, [(0.02, SLOW)] * 20).roles() == "d" * 20
    assert waiting <= iso_group.MOST_WAITING + 1


def test_stated_black_and_its_source_are_passed_on(monkeypatch):
    for source in ("metadata", "masked", "unknown"):
        frames = [(0.4, SLOW), (0.4, SLOW), (0.0, FAST), (0.0, FAST)]
        [plane] = plane_pairs(Folder(monkeypatch, frames, stated=500.0, source=source).measure())
        assert (plane.black_dn, plane.black_source) == (500.0, source)
        # flats are measured with the level of the dark frames, but for masked pixels
        assert plane.flats[0].black_dn == pytest.approx(500.0 if source == "masked" else 512.0, abs=0.2)


@pytest.mark.parametrize("isos", [(400.0,), (100.0, 200.0, 400.0, 800.0)])
@pytest.mark.usefixtures("in_this_process")
def test_a_run_with_light_on_the_darks_is_partial_and_does_not_fit_it(frames_of, tmp_path, monkeypatch, isos):
    frames = frames_of("noise-ladder")
    whole = runner.run("noise-ladder", frames, out=tmp_path / "whole", report=False)
    kit = small_kit()
    dark = {r.path.name: kit.sensor.gain_e_per_dn(r.iso) for r in whole.records if r.role == "dark" and r.iso in isos}
    rng = np.random.default_rng(2)
    opened = iso_group.open_frame

    def with_light(path, **how):
        mosaic = opened(path, **how)
        if path.name not in dark:
            return mosaic
        light = rng.poisson(120.0, mosaic.shape) / dark[path.name]  # even: only level and shot noise show it
        return replace(mosaic, samples=(mosaic.samples + light.round().astype(np.uint16)).astype(np.uint16))

    monkeypatch.setattr(iso_group, "open_frame", with_light)
    done = runner.run("noise-ladder", frames, out=tmp_path / "out", report=False, use_cache=False)
    assert done.status == "partial"
    for point in done.curves["noise"]["points"]:
        leaking = point["iso"] in isos
        assert (point["read_noise_e"] is None) == leaking
        assert ("light-leak" in point["flags"]) == leaking
        assert point["gain_e_per_dn"] is not None
    fit = done.curves["noise"]["fit"]
    if len(isos) == 1:
        assert fit["points_used"] == 3
        assert any("ISO 400" in text for text in fit["points_dropped"])
    else:
        assert fit is None and not done.curves["limits"]


def test_the_dimmest_of_several_levels_of_flats_is_a_flat(monkeypatch):
    levels = [(0.045, SLOW / 16), (0.045, SLOW / 16), (0.3, SLOW / 2.4), (0.3, SLOW / 2.4), (0.72, SLOW), (0.72, SLOW)]
    darks = [(0.0, FAST), (0.0, FAST)]
    assert Folder(monkeypatch, levels + darks).roles() == "ffffffdd"
    # so much light as that exposure would not have given is a leak
    leaky = [(0.045, SLOW / 160), (0.045, SLOW / 160)]
    assert Folder(monkeypatch, levels[2:] + leaky + darks).roles() == "ffffdddd"
