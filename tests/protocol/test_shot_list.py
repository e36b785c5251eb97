"""Shot lists: exact settings, counts, order, light, time. Expected values are worked out by hand."""

import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kitgauge.errors import ProtocolError, UsageError
from kitgauge.protocol.loading import load_protocol, parse_protocol, shipped_protocols
from kitgauge.protocol.shot_list import CameraRange, shot_list

FULL_FRAME = CameraRange(f_min=1.8, focal_mm=50, pitch_um=6.0, frame_width_px=6000, frame_height_px=4000)


def shots_of(identifier, camera=FULL_FRAME):
    return shot_list(load_protocol(identifier).protocol, camera)


def written(sweep, steps, head=""):
    lines = ["schema = 1", 'id = "t"', 'title = "t"', 'purpose = "t"', 'measures = "practice"']
    text = "\n".join([*lines, head, "[sweep]", sweep, steps])
    return parse_protocol(text.encode(), Path("t.toml"))


SCENE = '[[step]]\nrole = "scene"\nframes = 1\n'


def test_noise_ladder_is_two_flats_and_two_darks_per_whole_stop():
    shots = shots_of("noise-ladder")
    flats = [shot for shot in shots.shots if shot.role == "flat"]
    darks = [shot for shot in shots.shots if shot.role == "dark"]
    whole = [100, 200, 400, 800, 1600, 3200, 6400, 12800, 25600]
    assert [shot.iso for shot in flats] == whole
    assert [shot.iso for shot in darks] == whole[::-1], "the darks start where the flats ended"
    assert shots.frames == 36 and {shot.frames for shot in shots.shots} == {2}
    assert all(shot.shutter_s is None and shot.f_number == 2**2.5 for shot in flats)
    assert all(shot.shutter_s == 2**-13 and shot.lens_cap for shot in darks)
    assert flats[2].step == "flat ISO 400" and darks[0].step == "dark ISO 25600"
    assert flats[0].match_by == darks[0].match_by == ("iso",)
    assert [shot.number for shot in shots.shots] == list(range(1, 19))


def test_optional_shots_stand_apart_from_what_a_complete_run_needs():
    shots = shots_of("noise-ladder")
    assert [(shot.step, shot.iso, shot.frames) for shot in shots.optional_shots] == [
        ("lamp flat ISO 1600", 1600, 2),  # the fifth of nine values
        ("clipped flat ISO 100", 100, 2),
    ]
    lamp, clipped = shots.optional_shots
    assert (lamp.optional, lamp.light, clipped.light) == (True, "tungsten", None)
    # the light assumed is daylight: no shutter time is guessed for the lamp
    assert lamp.guide.shutter_s is None and "in lamp light" in lamp.note
    # [1.36, 6] means 2.857 times saturation: log2(2.857 * 7.8) stops over what a meter gives
    metered = 2.0**5 / 2.0**9
    assert abs(math.log2(clipped.guide.shutter_s / (metered * 2.857 * 7.8))) <= 1 / 6
    assert [shot.number for shot in (*shots.shots, *shots.optional_shots)] == list(range(1, 21))
    # set-up of 4 and 1 minutes, twice 6 s to turn the dial, 2 frames of 3 s each, exposures
    assert shots.optional_minutes == pytest.approx(5 + (12 + 12 + 2 * clipped.guide.shutter_s) / 60)
    without = written(
        'setting = "iso"\nvalues = [100]', SCENE + SCENE.replace("frames", 'name = "more"\noptional = true\nframes')
    )
    assert shot_list(without).frames == 1 and shot_list(without).optional_frames == 1


def test_thirds_quick_and_dark_current_have_the_frames_they_promise():
    thirds = shots_of("noise-ladder-thirds")
    # 8 stops of 3 thirds and the end itself: 25 values, two flats and two darks each
    assert thirds.frames == 100 and len({shot.iso for shot in thirds.shots}) == 25
    quick = shots_of("noise-quick")
    assert [shot.step for shot in quick.shots] == ["ISO 100", "ISO 1600", "ISO 25600"]
    assert quick.frames == 6 and quick.optional_frames == 0
    # at mid-grey: the meter's own exposure, f/5.6 and EV 9 at ISO 100 are 32/512 s
    assert quick.shots[0].guide.shutter_s == 1 / 16
    dark = shots_of("dark-current")
    assert [shot.step for shot in dark.shots] == [
        "dark 1/125",
        "dark 1 s",
        "dark 4 s",
        "dark 15 s",
        "dark 30 s",
        "flat",
    ]
    assert [shot.step for shot in dark.optional_shots] == ["dark 60 s", "dark 120 s"]
    assert all("bulb" in shot.note for shot in dark.optional_shots)
    assert {shot.iso for shot in dark.shots} == {800}
    assert dark.frames == 12 and dark.remarks == (), "bulb times are no fault of the camera's range"


def test_the_cameras_own_ends_belong_to_the_ladder():
    def isos(low, high):
        return [
            shot.iso
            for shot in shots_of("noise-ladder", CameraRange(iso_min=low, iso_max=high)).shots
            if shot.role == "flat"
        ]

    assert isos(64, 800) == pytest.approx([100 * 2 ** (-2 / 3), 100, 200, 400, 800])  # marked 64 is 2/3 stop down
    assert isos(100, 1000) == [100, 200, 400, 800]  # 1/3 stop more tells nothing new
    assert isos(100, 1250) == pytest.approx([100, 200, 400, 800, 800 * 2 ** (2 / 3)])
    assert isos(400, 400) == [400]


def test_aperture_sweep_goes_through_whole_stops_from_wide_open():
    shots = shots_of("aperture-sweep")
    # marked f/1.8, f/2.8, f/5.6, f/11 and f/22 are 2^(5/6), 2^(3/2), 2^(5/2), 2^(7/2), 2^(9/2)
    assert [shot.f_number for shot in shots.shots] == pytest.approx(
        [2 ** (5 / 6), 2, 2**1.5, 4, 2**2.5, 8, 2**3.5, 16, 2**4.5]
    )
    assert [shot.step for shot in shots.shots] == [
        "f/1.8",
        "f/2",
        "f/2.8",
        "f/4",
        "f/5.6",
        "f/8",
        "f/11",
        "f/16",
        "f/22",
    ]
    assert all(shot.frames == 2 and shot.iso == 100 and shot.shutter_s is None for shot in shots.shots)
    ends = [shot.step for shot in shots_of("aperture-sweep", CameraRange(f_min=3.5, f_max=6.3)).shots]
    assert ends == ["f/3.5", "f/4", "f/5.6"]


def test_handheld_ladder_lies_around_one_over_the_focal_length():
    shots = shots_of("handheld-shutter")
    # 1/50 s lies nearest to the whole stop 1/60: two stops faster 1/250, four slower 1/4
    speeds = [1 / 256, 1 / 128, 1 / 64, 1 / 32, 1 / 16, 1 / 8, 1 / 4]
    assert [(shot.role, shot.frames) for shot in shots.shots] == [("tripod", 2)] * 7 + [("handheld", 10)] * 7
    assert [shot.shutter_s for shot in shots.shots] == speeds * 2
    assert shots.shots[2].step == "tripod 1/60" and shots.shots[9].step == "handheld 1/60"
    assert shots.shots[6].step == "tripod 1/4"


def test_the_rule_uses_the_focal_length_in_35mm_terms():
    def fastest_of(camera):
        return shots_of("handheld-shutter", camera).shots[0].shutter_s

    assert fastest_of(CameraRange(focal_mm=200)) == 1 / 1024  # 1/200 -> 1/250
    # half the diagonal: 50 mm shows what 100 mm shows on 36 x 24 mm; 1/100 -> 1/125
    half = CameraRange(focal_mm=50, pitch_um=3.0, frame_width_px=6000, frame_height_px=4000)
    assert fastest_of(half) == 1 / 512
    assert fastest_of(CameraRange(focal_mm=4.2, focal_35mm=24)) == 1 / 128  # 1/24 -> 1/30
    unknown = shots_of("handheld-shutter", CameraRange())
    assert "no focal length given: 50 mm in 35 mm terms assumed" in " ".join(unknown.remarks)


def test_subject_motion_has_its_reference_at_three_speeds():
    shots = shots_of("subject-motion").shots
    assert [shot.step for shot in shots[:4]] == [
        "at rest 1/1000",
        "at rest 1/125",
        "at rest 1/15",
        "moving 1/1000",
    ]
    assert [shot.role for shot in shots[:4]] == ["tripod", "tripod", "tripod", "subject"]
    assert len(shots) == 3 + 7


def test_exposure_in_the_light_assumed_follows_the_exposure_equation():
    # full sun is EV 15: f/16 at 1/ISO (published/facts.md); exact: 256/2^15 s = 1/128 s, marked 1/125
    sunny = written(
        'setting = "iso"\nvalues = [100, 400]',
        SCENE + 'exposure = { f_number = 16, balanced_by = "shutter_s" }',
        '[light]\nev100 = 15\ntext = "full sun"',
    )
    first, second = shot_list(sunny).shots
    assert first.shutter_s is None and first.guide.shutter_s == 1 / 128
    assert second.guide.shutter_s == 1 / 512
    assert [first.setting_text(name) for name in ("iso", "shutter_s", "f_number")] == ["ISO 100", "about 1/125", "f/16"]
    # the same light by the other two settings
    by_iso = written(
        'setting = "shutter_s"\nvalues = ["1/125", "1/500"]',
        SCENE + 'exposure = { f_number = 16, balanced_by = "iso" }',
    )
    assert [shot.guide.iso for shot in shot_list(by_iso, CameraRange(light_ev100=15)).shots] == [400, 100]
    by_aperture = written(
        'setting = "shutter_s"\nvalues = ["1/125", "1/500"]',
        SCENE + 'exposure = { iso = 100, balanced_by = "f_number" }',
    )
    bright = CameraRange(light_ev100=15)
    assert [shot.guide.f_number for shot in shot_list(by_aperture, bright).shots] == [8, 16]


def test_flats_are_exposed_above_mid_grey():
    # [0.15, 0.85]: middle sqrt(0.1275) = 0.357 of saturation, mid-grey 10/78 = 0.128 (ISO 12232): 1.48 stops
    # EV 9, f/5.6, ISO 100 metered: 32/512 = 1/16 s; 1.48 stops more: 0.174 s, nearest third 2^(-8/3) s
    flat = shots_of("noise-ladder").shots[0]
    assert flat.guide.shutter_s == pytest.approx(2 ** (-8 / 3))
    assert abs(math.log2(flat.guide.shutter_s / 0.174)) < 1 / 6
    no_light = written(
        'setting = "iso"\nvalues = [100]',
        SCENE + 'exposure = { f_number = 8, balanced_by = "shutter_s", saturation = [0.15, 0.85] }',
    )
    shot = shot_list(no_light).shots[0]
    assert shot.guide.shutter_s is None and shot.note == "shutter by the meter, +1 1/3 stops"


def test_light_out_of_reach_is_told_and_not_clamped():
    dark = shots_of("handheld-shutter", CameraRange(iso_max=1600, light_ev100=4, focal_mm=50))
    first = dark.shots[0]
    assert first.guide.iso is None and "too dark by" in first.note
    # f/8, 1/256 s, EV 4 want ISO 100 * 64 * 256 / 16 = 102400, 6 stops over 1600, and then the level
    level_stops = math.log2(math.sqrt(0.1 * 0.85) * 7.8)
    assert f"too dark by {6 + level_stops:.1f} stops" in first.note
    bright = shots_of("noise-ladder", CameraRange(light_ev100=18))
    assert "too bright by" in bright.shots[8].note and bright.shots[8].guide.shutter_s is None


def test_ladder_without_given_light_asks_for_the_light_of_base_iso():
    shots = shots_of("handheld-shutter")
    assert [shot.guide.iso for shot in shots.shots[:7]] == [6400, 3200, 1600, 800, 400, 200, 100]
    assert "EV 9" in shots.light_text  # f/8 and 1/4 s at ISO 100 is EV 8; the level is 1.2 stops above mid-grey


def test_values_beyond_the_camera_are_left_out_aloud():
    shots = shots_of("practice-shutter", CameraRange(shutter_fastest_s=1 / 500))
    assert [shot.step for shot in shots.shots] == ["1/250", "1/60", "1/15", "1/4"]
    assert any("1/1000" in remark and "Left out" in remark for remark in shots.remarks)
    fixed = shots_of("practice-iso", CameraRange(f_min=11, f_max=22))
    assert fixed.shots[0].f_number == 2**3.5
    assert "f/8 is outside this camera's range: f/11 instead." in fixed.remarks


def test_nothing_in_range_is_a_usage_error():
    with pytest.raises(UsageError, match="nothing in common"):
        shots_of("practice-shutter", CameraRange(shutter_fastest_s=1, shutter_slowest_s=30))
    with pytest.raises(UsageError, match="nothing in common"):
        shots_of("subject-motion", CameraRange(shutter_fastest_s=1, shutter_slowest_s=30))


@pytest.mark.parametrize(
    "wrong",
    [
        {"iso_min": 400, "iso_max": 200},
        {"f_min": -1},
        {"f_max": math.nan},
        {"focal_mm": 0},
        {"light_ev100": 99},
        {"shutter_fastest_s": 1, "shutter_slowest_s": 0.1},
        {"pitch_um": math.inf},
        {"light_ev100": math.nan},
    ],
)
def test_impossible_cameras_are_refused(wrong):
    with pytest.raises(UsageError) as caught:
        CameraRange(**wrong)
    assert caught.value.fix


def test_once_and_places_of_the_sweep():
    protocol = written(
        'setting = "shutter_s"\nvalues = ["1/500", "1/125", "1/30", "1/8"]',
        '[[step]]\nrole = "tripod"\nframes = 3\nat = "once"\nexposure = { shutter_s = "1/60" }\n'
        '[[step]]\nrole = "scene"\nname = "ends"\nframes = 1\nat = ["highest", "lowest"]\n',
    )
    once, low, high = shot_list(protocol).shots
    assert (once.step, once.shutter_s, once.frames, once.match_by) == ("tripod", 1 / 64, 3, ("shutter_s",))
    assert (low.step, high.step) == ("ends 1/500", "ends 1/8")


def test_two_shots_never_share_a_label():
    clash = written(
        'setting = "shutter_s"\nvalues = [2]',
        SCENE + '[[step]]\nrole = "scene"\nname = "scene 2 s"\nframes = 1\nat = "once"\n',
    )
    with pytest.raises(ProtocolError, match="same label"):
        shot_list(clash)


def test_time_is_setup_plus_frames_plus_exposures():
    protocol = written(
        'setting = "shutter_s"\nvalues = [15, 30]',
        '[[step]]\nrole = "scene"\nframes = 4\nminutes_setup = 2\nseconds_per_frame = 10\n',
        "minutes_setup = 3",
    )
    # 3 + 2 minutes, 8 frames of 10 s, exposures 4 x 16 + 4 x 32 s (exact 15 and 30 s), two changes of 6 s
    assert shot_list(protocol).minutes == pytest.approx(5 + (80 + 64 + 128 + 12) / 60)


@settings(max_examples=60, deadline=None)
@given(
    iso_min=st.sampled_from([25, 50, 64, 80, 100, 125, 160, 200]),
    iso_max=st.sampled_from([400, 1600, 3200, 25600, 51200, 102400, 819200]),
    f_min=st.sampled_from([0.95, 1.2, 1.4, 1.7, 1.8, 2.8, 3.5, 4, 5.6]),
    f_max=st.sampled_from([8, 11, 16, 22, 32, 36, 64]),
    focal=st.one_of(st.none(), st.floats(2, 2000)),
    pitch=st.one_of(st.none(), st.floats(0.7, 12)),
    light=st.one_of(st.none(), st.floats(-6, 18)),
)
def test_every_shipped_protocol_keeps_to_the_range_of_any_camera(iso_min, iso_max, f_min, f_max, focal, pitch, light):
    camera = CameraRange(
        iso_min=iso_min,
        iso_max=iso_max,
        f_min=f_min,
        f_max=f_max,
        focal_mm=focal,
        pitch_um=pitch,
        frame_width_px=6000,
        frame_height_px=4000,
        light_ev100=light,
    )
    for item in shipped_protocols():
        try:
            shots = shot_list(item.protocol, camera)
        except UsageError:
            assert item.protocol.id == "handheld-shutter" and (focal or 50) > 2000
            continue
        labels = [shot.step for shot in shots.shots]
        assert len(set(labels)) == len(labels)
        assert shots.minutes > 0 and shots.frames >= len(labels)
        for setting in ("iso", "shutter_s", "f_number"):
            low, high = camera.bounds(setting)
            for shot in shots.shots:
                for value in (getattr(shot, setting), getattr(shot.guide, setting)):
                    assert value is None or low * (1 - 1e-9) <= value <= high * (1 + 1e-9)
        for role in {shot.role for shot in shots.shots} if item.protocol.setting else ():
            swept = [getattr(shot, item.protocol.setting) for shot in shots.shots if shot.role == role]
            # dark frames come back down the ladder that the flats went up; dark current starts with a cool sensor
            down = role == "dark" and item.protocol.measures == "noise"
            assert swept == sorted(swept, reverse=down) and len(set(swept)) == len(swept)
        assert not {shot.step for shot in shots.optional_shots} & set(labels)
        assert shots.optional_frames == sum(shot.frames for shot in shots.optional_shots)


@pytest.mark.parametrize("iso_min", [50.0, 64.0, 100.0, 200.0])
def test_the_clipped_flat_is_three_stops_longer_as_its_text_says(iso_min):
    shots = shot_list(load_protocol("noise-ladder").protocol, CameraRange(iso_min=iso_min))
    clipped = next(shot for shot in shots.optional_shots if shot.step_name == "clipped flat")
    assert clipped.iso == shots.shots[0].iso
    assert clipped.guide.shutter_s == pytest.approx(8 * shots.shots[0].guide.shutter_s, rel=1e-6)


def test_numbers_rise_through_the_steps_with_optional_shots_among_them():
    listed = shot_list(load_protocol("dark-current").protocol)
    numbers = {shot.step: shot.number for shot in (*listed.shots, *listed.optional_shots)}
    assert [numbers[name] for name in ("dark 1/125", "dark 30 s", "dark 60 s", "dark 120 s", "flat")] == [1, 5, 6, 7, 8]
