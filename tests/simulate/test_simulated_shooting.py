"""Whole frames: settings and level as planned, the same files for one seed, refusals."""

import math
from dataclasses import dataclass, replace

import exifread
import numpy as np
import pytest
import rawpy

from kitgauge.errors import ResultsError
from kitgauge.protocol.loading import shipped_protocols
from kitgauge.protocol.shot_list import shot_list
from kitgauge.simulate import demo_kit, full_size_kit, plan_frames, shoot_protocol, take_frame
from kitgauge.simulate.dng import MONOCHROME, SIX_BY_SIX

SMALL = replace(demo_kit(), shape=(540, 900), cells=(1, 2))


@dataclass(frozen=True)
class PlainShot:
    role: str
    frames: int = 1
    iso: float | None = None
    shutter_s: float | None = None
    f_number: float | None = None
    step: str = "step"


def green_share(samples):
    """Median of the green samples in the middle of the frame, as a share of saturation."""
    rows, columns = (slice(size // 2 - 40, size // 2 + 40) for size in samples.shape)
    greens = samples[rows, columns][0::2, 1::2].astype(float) - 602
    return float(np.median(greens)) / (16383 - 600.5)


@pytest.mark.parametrize("iso", [100.0, 800.0, 12800.0])
def test_flats_are_at_half_saturation(iso):
    kit = replace(SMALL, light_drift=0.0)
    (frame,) = plan_frames(kit, [PlainShot("flat", iso=iso)], seed=1)
    assert green_share(take_frame(kit, frame)) == pytest.approx(0.5, rel=0.01)


def test_the_light_of_flats_is_constant_over_iso():
    """Twice the ISO, half the time: equal exposure per labelled sensitivity."""
    frames = plan_frames(SMALL, [PlainShot("flat", iso=100.0 * 2**stop) for stop in range(8)], seed=1)
    products = [frame.iso * frame.shutter_s for frame in frames]
    assert products == pytest.approx([products[0]] * 8)


def test_light_drifts_from_frame_to_frame_as_stated():
    frames = plan_frames(SMALL, [PlainShot("flat", frames=2000)], seed=1)
    assert np.std([frame.level for frame in frames]) / 0.5 == pytest.approx(0.015, rel=0.1)


@pytest.mark.parametrize("role", ["edge", "tripod", "handheld", "subject"])
def test_charts_do_not_clip_and_keep_their_contrast(role):
    shot = PlainShot(role, iso=200.0, shutter_s=1 / 64, f_number=8.0)
    (frame,) = plan_frames(SMALL, [shot], seed=2)
    samples = take_frame(SMALL, frame).astype(float)
    green = samples[0::2, 1::2] - 602
    assert (samples == 16383).mean() < 1e-5
    bright, dark = np.quantile(green, [0.95, 0.05])
    assert 3.0 < bright / dark < 4.5
    assert 0.55 < bright / 15783 < 0.75


def test_dark_frames_are_dark():
    (frame,) = plan_frames(SMALL, [PlainShot("dark", iso=400.0)], seed=1)
    samples = take_frame(SMALL, frame)
    assert frame.shutter_s == SMALL.shutter_range_s[0]
    assert samples.mean() == pytest.approx(600.5, abs=0.1)
    assert np.quantile(samples, 0.9999) < 650


def test_a_scene_keeps_its_light_whatever_the_settings():
    kit = replace(SMALL, light_drift=0.0)
    shots = [PlainShot("scene", iso=iso, shutter_s=1 / 64, f_number=2**2.5) for iso in (200.0, 100.0)]
    metered, darker = plan_frames(kit, shots, seed=1)
    assert darker.level == pytest.approx(metered.level / 2)


def test_only_hands_and_subjects_move():
    roles = ("flat", "dark", "edge", "tripod", "handheld", "subject", "scene")
    frames = plan_frames(SMALL, [PlainShot(role, shutter_s=1 / 16) for role in roles], seed=1)
    moving = {frame.role for frame in frames if frame.streak is not None}
    assert moving == {"handheld", "subject", "scene"}
    assert all(frame.streak.streak_px > 0.1 for frame in frames if frame.streak is not None)


def test_files_are_named_dated_and_marked(tmp_path):
    shots = [PlainShot("edge", 2, 200.0, 1 / 64, 2**2.5), PlainShot("handheld", 1, 400.0, 1 / 128, 2**3.5)]
    calls = []
    paths = shoot_protocol(
        SMALL, shots, tmp_path / "new", seed=3, progress=lambda done, total: calls.append((done, total))
    )
    assert [path.name for path in paths] == ["IMG_0001.DNG", "IMG_0002.DNG", "IMG_0003.DNG"]
    assert sorted(path.name for path in (tmp_path / "new").iterdir()) == [path.name for path in paths]
    assert calls == [(1, 3), (2, 3), (3, 3)]
    tags = []
    for path in paths:
        with path.open("rb") as file:
            tags.append(exifread.process_file(file, details=False))
    assert [str(tag["EXIF ExposureTime"]) for tag in tags] == ["1/60", "1/60", "1/125"]
    assert [str(tag["EXIF ISOSpeedRatings"]) for tag in tags] == ["200", "200", "400"]
    numbers = [tag["EXIF FNumber"].values[0] for tag in tags]
    assert [number.num / number.den for number in numbers] == [5.6, 5.6, 11.0]
    times = [str(tag["EXIF DateTimeOriginal"]) for tag in tags]
    assert times == sorted(times)
    assert len(set(times)) == 3
    equivalent_mm = 14 * math.hypot(36, 24) / (math.hypot(540, 900) * 0.006)
    assert str(tags[0]["EXIF FocalLengthIn35mmFilm"]) == str(round(equivalent_mm))


def test_files_depend_on_the_seed_and_not_on_the_workers(tmp_path):
    shots = [PlainShot("flat", 2, 100.0), PlainShot("handheld", 3, 200.0, 1 / 16)]
    one, two, other = (
        [path.read_bytes() for path in shoot_protocol(SMALL, shots, tmp_path / name, seed=seed, workers=workers)]
        for name, seed, workers in (("a", 1, 1), ("b", 1, 3), ("c", 2, 1))
    )
    assert one == two
    assert all(mine != theirs for mine, theirs in zip(one, other, strict=True))
    assert one[0] != one[1]


@pytest.mark.parametrize("pattern", [MONOCHROME, SIX_BY_SIX])
def test_other_patterns_can_be_shot(tmp_path, pattern):
    kit = replace(SMALL, sensor=replace(SMALL.sensor, pattern=pattern, black_dn=((600.0,),)))
    (path,) = shoot_protocol(kit, [PlainShot("edge", 1, 200.0)], tmp_path, seed=1)
    (frame,) = plan_frames(kit, [PlainShot("edge", 1, 200.0)], seed=1)
    with rawpy.imread(str(path)) as raw:
        assert np.array_equal(raw.raw_image_visible, take_frame(kit, frame))


@pytest.mark.parametrize("loaded", shipped_protocols(), ids=lambda loaded: loaded.protocol.id)
@pytest.mark.parametrize("kit", [demo_kit(), full_size_kit()], ids=["demo", "full size"])
def test_every_shipped_protocol_can_be_planned(loaded, kit):
    shots = shot_list(loaded.protocol, kit.camera_range).shots
    frames = plan_frames(kit, shots, seed=1)
    assert len(frames) == sum(shot.frames for shot in shots)
    for frame in frames:
        assert kit.shutter_range_s[0] <= frame.shutter_s <= kit.shutter_range_s[1]
        assert kit.lens.widest_f_number <= frame.f_number <= kit.lens.narrowest_f_number


def test_a_free_shutter_past_the_dial_stays_on_it():
    (frame,) = plan_frames(SMALL, [PlainShot("flat", iso=12800.0, f_number=2.0)], seed=1)
    assert frame.shutter_s == SMALL.shutter_range_s[0]
    assert frame.level == pytest.approx(0.5, rel=0.08)


def test_an_unknown_role_and_a_blocked_folder_are_refused(tmp_path):
    with pytest.raises(ResultsError, match="role"):
        plan_frames(SMALL, [PlainShot("portrait")], seed=1)
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(ResultsError, match="folder"):
        shoot_protocol(SMALL, [PlainShot("dark")], tmp_path / "file" / "frames", seed=1)


def test_stopping_in_the_middle_leaves_whole_files_only(tmp_path):
    def stop(done, _total):
        if done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        shoot_protocol(SMALL, [PlainShot("flat", 12)], tmp_path, seed=1, progress=stop)
    files = list(tmp_path.iterdir())
    assert 2 <= len(files) < 12
    assert len({path.stat().st_size for path in files}) == 1
    assert all(path.suffix == ".DNG" for path in files)
