"""The developed pictures of one ISO: who is whose partner, what is left out, and why."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from developed_pictures import encode, flat, pink_texture, save_jpeg
from PIL import Image, ImageCms

from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.developed_group import developed_task, is_scene, measure_developed_group
from kitgauge.ingest.record import FrameRecord

SHAPE = (192, 256)


@pytest.fixture
def folder(tmp_path):
    """Return a function: name and changes -> a record of a flat written there."""

    def make(name, seed=0, codes=None, shutter_s=1 / 60, f_number=5.6, role=None, icc=None, **noise):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        if codes is None:
            codes = encode(flat(np.random.default_rng(seed), noise.pop("shape", SHAPE), **noise))
        if path.suffix == ".jpg" and icc is None:
            save_jpeg(path, codes)
        else:
            Image.fromarray(codes).save(path, icc_profile=icc)
        return FrameRecord(
            file=name,
            path=path,
            is_raw=False,
            sha256=name,
            iso=800.0,
            shutter_s=shutter_s,
            f_number=f_number,
            role=role,
        )

    return make


def test_frames_of_one_setting_make_a_chain(folder):
    frames = [folder(f"{n}.jpg", n) for n in range(3)] + [folder("other.jpg", 9, shutter_s=1 / 30)]
    group = measure_developed_group(frames)
    assert [pair["files"] for pair in group["pairs"]] == [["0.jpg", "1.jpg"], ["1.jpg", "2.jpg"]]
    assert [group["frames"][f"{n}.jpg"]["paired"] for n in range(3)] == [True] * 3
    assert not group["frames"]["other.jpg"]["paired"]
    assert (group["shape"], group["bits"], group["refused"]) == ([192, 256], 8, {})
    assert "taken as sRGB" in group["encoding"]
    json.dumps(group)


def test_each_picture_is_opened_once(folder, monkeypatch):
    from kitgauge.ingest import developed_group

    opened = []
    real = developed_group.open_developed
    monkeypatch.setattr(developed_group, "open_developed", lambda path: opened.append(path.name) or real(path))
    measure_developed_group([folder(f"{n}.jpg", n) for n in range(4)])
    assert sorted(opened) == [f"{n}.jpg" for n in range(4)]


def test_dark_frames_are_not_measured(folder):
    black = encode(np.abs(np.random.default_rng(1).standard_normal((*SHAPE, 3))) * 5e-4)
    frames = [
        folder("a.jpg", 1),
        folder("dark1.jpg", codes=black),
        folder("dark2.jpg", codes=black),
        folder("b.jpg", 2),
    ]
    group = measure_developed_group(frames)
    assert [pair["files"] for pair in group["pairs"]] == [["a.jpg", "b.jpg"]]
    assert group["frames"]["dark1.jpg"]["role"] == "dark"
    said = measure_developed_group([folder("c.jpg", 3, role="dark")])
    assert said["frames"]["c.jpg"]["role"] == "dark"


def test_what_is_not_comparable_is_refused(folder):
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    frames = [
        folder("a.png", 1),
        folder("larger.png", 2, shape=(200, 256)),
        folder("grey.png", codes=encode(flat(np.random.default_rng(3), SHAPE))[..., 1]),
        folder("profile.png", 4, icc=profile),
        folder("b.png", 5),
    ]
    (frames[0].path.parent / "broken.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(50))
    frames.append(replace(frames[0], file="broken.png", path=frames[0].path.parent / "broken.png"))
    group = measure_developed_group(frames)
    assert [pair["files"] for pair in group["pairs"]] == [["a.png", "b.png"]]
    assert {file: flag for file, (flag, _) in group["refused"].items()} == {
        "larger.png": "different-size", "grey.png": "different-profile", "profile.png": "different-profile",
        "broken.png": "unreadable",
    }  # fmt: skip
    assert group["refused"]["larger.png"][1] == "256 x 200 pixels instead of 256 x 192"
    assert group["refused"]["grey.png"][1] == "grey, 8 bits instead of colour, 8 bits"


def test_pictures_too_small_say_so(folder):
    group = measure_developed_group([folder(f"{n}.jpg", n, shape=(60, 80)) for n in range(2)])
    assert not group["pairs"] and not group["refused"]
    assert "too small" in group["unusable"]["0.jpg"] and "64" in group["unusable"]["1.jpg"]


def test_scenes_are_told_by_folder_or_role(folder):
    texture = 0.18 * (1 + 0.2 * pink_texture(np.random.default_rng(2), SHAPE))
    frames = [
        folder(f"Scene/{n}.jpg", codes=encode(texture[..., None].repeat(3, -1) * (1 + 0.001 * n))) for n in range(3)
    ]
    frames += [folder("a.jpg", 1), folder("b.jpg", 2)]
    assert [is_scene(frame) for frame in frames] == [True] * 3 + [False] * 2
    assert is_scene(replace(frames[3], role="scene"))
    assert not is_scene(replace(frames[0], role="flat"))
    group = measure_developed_group(frames)
    assert group["scene"]["files"] == ["Scene/0.jpg", "Scene/1.jpg"]
    assert [pair["files"] for pair in group["pairs"]] == [["a.jpg", "b.jpg"]]
    assert not group["frames"]["Scene/2.jpg"]["paired"]


def test_the_task_is_cached_by_content_and_role(folder):
    cache = MeasurementCache(None)
    frames = [folder("a.jpg", 1), folder("b.jpg", 2)]
    task = developed_task(800.0, frames, cache)
    assert (task.label, task.files) == ("ISO 800", ("a.jpg", "b.jpg"))
    assert developed_task(800.0, frames[::-1], cache).key == task.key
    assert developed_task(800.0, [frames[0], replace(frames[1], sha256="x")], cache).key != task.key
    assert developed_task(800.0, [frames[0], replace(frames[1], role="dark")], cache).key != task.key


def test_real_pictures_never_break_it(shared):
    """Pairs of unlike pictures of real cameras: a reason or flags, and no number taken from them."""
    paths = sorted((shared / "real" / "exif" / "cameras").glob("*.jpg"))
    records = [FrameRecord(path.name, path, is_raw=False, shutter_s=1 / 60, f_number=4.0) for path in paths]
    measured = 0
    for first, second in zip(records[::2], records[1::2], strict=False):
        group = measure_developed_group([first, second])
        json.dumps(group)
        for pair in group["pairs"]:
            measured += 1
            assert "light-changed" in pair["pair"]["flags"]
            assert np.isnan(pair["pair"]["luminance_noise"])
        assert group["pairs"] or group["refused"] or group["unusable"]
    assert measured > 3
