"""What flats and darks of one ISO show together, and colours and ISO values of a run; frames as in `trap_frames`."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from trap_frames import Camera, any_camera, dark_pair, flat_pair, shading

from kitgauge.measure.noise.black_level import settle_black
from kitgauge.measure.noise.dark_pair import measure_dark_pair
from kitgauge.measure.noise.noise_points import NoisePoint, PlanePairs, noise_points
from kitgauge.measure.noise.pair_checks import check_pairs
from kitgauge.measure.noise.photon_transfer import measure_flat_pair
from kitgauge.measure.noise.point_checks import FlatInOrder, check_points, frame_flags_as_of_points, iso_changed_between

CAMERA = Camera(k=0.5, read_dn=4.0)


def plane(rng, camera=CAMERA, levels=(0.5,), darks=None, colour="G1", after=None, times=None, falloff=0.3):
    flats = [flat_pair(rng, camera, level, after=after, falloff=falloff) for level in levels]
    darks = [dark_pair(rng, camera, after=after)] if darks is None else darks
    times = (1 / 8000,) * len(darks) if times is None else times
    return PlanePairs(
        colour=colour,
        flats=tuple(measure_flat_pair(*pair, camera.black, camera.white) for pair in flats),
        darks=tuple(measure_dark_pair(*pair) for pair in darks),
        black_dn=camera.black,
        black_source="metadata",
        dark_settings=tuple((time, math.nan) for time in times),
    )


def checked(*planes):
    return check_pairs(settle_black({100.0: planes}))[100.0]


def curve(power):
    return lambda dn: 512 + 15871 * np.sign(dn - 512) * (np.abs(dn - 512) / 15871) ** power


def test_clean_pairs_carry_no_flag_and_the_slope_that_is_expected():
    (out,) = checked(plane(np.random.default_rng(1), levels=(0.2, 0.5, 0.8)))
    assert all(not pair.flags for pair in (*out.flats, *out.darks))
    # shot noise 0.5 * 0.5 * 15871 less falloff, read noise 16
    assert out.flats[1].level_slope_expected == pytest.approx(1 - 16 / (16 + 0.45 * 0.5 * 15871), abs=2e-3)


@pytest.mark.parametrize("power", [0.45, 0.7])
def test_tone_curve_within_a_flat_beside_its_darks(power):
    def packed(dn):  # darks are left alone, as the straight foot of a camera's curve leaves them
        return np.where(dn > 600, curve(power)(dn), dn)

    camera = Camera(shape=(700, 900), k=0.5, read_dn=4.0)
    (out,) = checked(plane(np.random.default_rng(2), camera, (0.5,), after=packed, falloff=0.5))
    assert "tone-curved" in out.flats[0].flags


@pytest.mark.parametrize("power", [0.7, 1.2])
def test_tone_curve_between_flats_of_two_levels_that_are_even(power):
    def packed(dn):
        return np.where(dn > 600, curve(power)(dn), dn)

    (out,) = checked(plane(np.random.default_rng(3), levels=(0.2, 0.6), after=packed, falloff=0.0))
    assert all("tone-curved" in flat.flags for flat in out.flats)


def test_gaps_in_flats_and_none_in_darks_are_a_packing_table():
    def packed(dn):
        return np.where(dn > 2000, np.rint(dn / 4) * 4, dn)

    (out,) = checked(plane(np.random.default_rng(4), after=packed))
    assert out.flats[0].flags == ("lossy-raw",)
    (pushed,) = checked(plane(np.random.default_rng(5), levels=(0.2,), after=lambda dn: (np.rint(dn) - 512) * 2 + 512))
    assert pushed.flats[0].flags == ("missing-codes",)


def test_light_in_darks_by_the_noise_it_makes():
    rng = np.random.default_rng(6)
    weak = [light * shading(CAMERA.shape, 0, 1.0) for light in (6.0, 6.0)]  # 3 DN of shot noise variance of 16
    for lights in (weak, (0.0, 5.0), (0.0, 30.0)):
        leaky = dark_pair(rng, CAMERA, light=lights)
        assert "light-leak" not in measure_dark_pair(*leaky).flags  # a look at the level alone lets it pass
        (out,) = checked(plane(rng, darks=[leaky]))
        assert "light-leak" in out.darks[0].flags
    strong = dark_pair(rng, CAMERA, light=[20.0 * shading(CAMERA.shape, 0, 1.0)] * 2)
    assert "light-leak" in measure_dark_pair(*strong).flags


def subtracted(rng, camera, hot, rate_dn, clip=False, black=None):
    """Exposure less a dark exposure of its own, hot samples with the noise of what they collect."""
    where, more = hot
    both = []
    for _ in range(2):
        dn = camera.expose(rng, rate_dn) - camera.expose(rng, rate_dn)
        dn.ravel()[where] += np.sqrt(2 * camera.k * more) * rng.standard_normal(len(where))
        both.append(camera.stored(dn + (0 if clip else camera.black if black is None else black)))
    return both


@pytest.mark.parametrize("hot_samples", [400, 0])
def test_dark_frames_that_the_camera_subtracted(hot_samples):
    rng = np.random.default_rng(7)
    camera = Camera(k=0.5, read_dn=4.0, hot=hot_samples)
    hot = camera.hot_samples(rng)
    long = subtracted(rng, camera, hot, 2.0)
    short = dark_pair(rng, camera)
    (out,) = checked(plane(rng, camera, darks=[short, long], times=(1 / 8000, 2.0)))
    assert "dark-subtracted" not in out.darks[0].flags
    assert "dark-subtracted" in out.darks[1].flags
    # hot samples tell even where there is no shorter pair; without them and with nothing to compare, nothing does
    (alone,) = checked(plane(rng, camera, darks=[long], times=(2.0,)))
    assert ("dark-subtracted" in alone.darks[0].flags) == (hot_samples > 0)


def test_subtraction_that_was_cut_off_below():
    rng = np.random.default_rng(8)
    long = subtracted(rng, CAMERA, CAMERA.hot_samples(rng), 2.0, clip=True)
    (out,) = checked(plane(rng, darks=[dark_pair(rng, CAMERA), long], times=(1 / 8000, 2.0)))
    assert {"clipped-black", "dark-subtracted"} <= set(out.darks[1].flags)


def test_dark_current_and_its_noise_are_no_subtraction():
    rng = np.random.default_rng(9)
    warm = replace(CAMERA, black=CAMERA.black + 20, read_dn=math.hypot(4.0, math.sqrt(0.5 * 20)))
    (out,) = checked(plane(rng, darks=[dark_pair(rng, CAMERA), dark_pair(rng, warm)], times=(1 / 8000, 8.0)))
    assert not any("dark-subtracted" in dark.flags for dark in out.darks)
    # telegraph noise on both sides of black in a short exposure
    wild = dark_pair(rng, CAMERA)
    for frame in wild:
        where = rng.choice(frame.size, 100, replace=False)
        frame.ravel()[where] = (frame.ravel()[where] + rng.choice([-60, 60], 100)).astype(np.uint16)
    (out,) = checked(plane(rng, darks=[wild], times=(1 / 8000,)))
    assert not any("dark-subtracted" in dark.flags for dark in out.darks)


def colours(gains=(1.0, 1.0, 1.0), after=None, iso=100.0, levels=(0.25, 0.5, 0.3), seed=10):
    rng = np.random.default_rng(seed)
    planes = []
    for name, gain, level in zip(("R", "G1", "B"), gains, levels, strict=True):
        camera = replace(CAMERA, k=CAMERA.k * gain, read_dn=CAMERA.read_dn * gain)
        work = None if after is None else after(name)
        planes.append(plane(rng, camera, (level,), colour=name, after=work))
    return noise_points(iso, check_pairs(settle_black({iso: planes}))[iso])


def flags_by_channel(points):
    return {point.channel: set(point.flags) - {"saturation-from-metadata"} for point in check_points(points)}


def test_colours_of_one_sensor_carry_no_flag():
    assert not any(flags_by_channel(colours()).values())


def test_white_balance_by_arithmetic():
    factor = {"R": 1.9, "G1": 1.0, "B": 1.45}

    def balance(name):
        return lambda dn: np.floor((np.rint(dn) - 512) * factor[name] + 512.5)

    found = flags_by_channel(colours(after=balance))
    assert "white-balance-applied" in found["R"] and "white-balance-applied" in found["B"]
    assert not found["G1"] and not found["G"]


def test_white_balance_before_digitisation_by_gain_alone():
    found = flags_by_channel(colours(gains=(1.12, 1.0, 1.2)))
    assert found == {"R": {"white-balance-applied"}, "B": {"white-balance-applied"}, "G1": set(), "G": set()}
    assert not any(flags_by_channel(colours(gains=(1.02, 1.0, 0.99))).values())  # what any sensor may show


def test_gaps_that_grow_with_the_level_of_the_colours_are_a_table():
    def table(_):
        return lambda dn: np.where(
            dn > 6500, np.rint(dn / 8) * 8, np.where(dn > 3500, np.rint(dn / 2) * 2, np.rint(dn))
        )

    points = colours(after=table, levels=(0.15, 0.55, 0.3))
    found = flags_by_channel(points)
    assert all("lossy-raw" in found[name] for name in ("G1", "G", "B"))
    assert not any("white-balance-applied" in flags for flags in found.values())


def test_the_same_gaps_at_every_iso_are_padding():
    def padded(_):
        return lambda dn: np.rint(dn / 4) * 4

    points = [*colours(after=padded), *colours(after=padded, iso=200.0, gains=(2.0, 2.0, 2.0), levels=(0.2, 0.4, 0.2))]
    for point in check_points(points):
        assert "padded-codes" in point.flags and "missing-codes" not in point.flags
        assert point.code_scale == 1.0  # no ISO is made from another
    frame = frame_flags_as_of_points(["black-from-dark", "missing-codes"], check_points(points)[:4], "flat")
    assert frame == ["black-from-dark", "padded-codes"]
    assert all("missing-codes" in point.flags for point in check_points(points[:4]))  # one ISO alone tells nothing


def test_frames_of_a_lossy_or_balanced_iso_say_what_the_points_say():
    green = NoisePoint(100.0, "G", *(math.nan,) * 7, flags=("missing-codes",))
    blue = replace(green, channel="B", flags=("lossy-raw", "missing-codes"))
    lossy = check_points([green, blue])
    assert [point.flags for point in lossy] == [("lossy-raw",)] * 2
    assert frame_flags_as_of_points(["missing-codes", "scaled-down"], lossy, "flat") == ["lossy-raw"]
    balanced = [replace(green, flags=()), replace(blue, flags=("white-balance-applied", "missing-codes"))]
    assert frame_flags_as_of_points(["missing-codes"], balanced, "flat") == ["white-balance-applied"]
    assert frame_flags_as_of_points([], balanced, "dark") == []
    pushed = [replace(one, flags=(*one.flags, "missing-codes")) for one in balanced]  # green has gaps of its own
    assert frame_flags_as_of_points(["missing-codes"], pushed, "flat") == ["missing-codes", "white-balance-applied"]


def test_points_stay_in_order_and_unknown_stays_unknown():
    empty = NoisePoint(100.0, "R", *(math.nan,) * 7, flags=("no-dark",))
    both = [empty, replace(empty, channel="G")]
    assert repr(check_points(both)) == repr(both)  # NaN is not equal to itself
    assert check_points([]) == []


def test_iso_changed_between_two_lone_flats():
    flat = FlatInOrder("a", 400.0, 0.01, 8.0, paired=False)
    other = replace(flat, file="b", iso=500.0)
    assert iso_changed_between([flat, other]) == {"a", "b"}
    assert iso_changed_between([flat, replace(other, paired=True)]) == set()
    assert iso_changed_between([flat, replace(other, shutter_s=0.02)]) == set()
    assert iso_changed_between([flat, replace(other, iso=400.0)]) == set()
    third = replace(other, file="c", iso=640.0)
    assert iso_changed_between([flat, other, third]) == {"a", "b"}


@pytest.mark.statistical
def test_clean_sets_of_many_cameras_raise_nothing():
    counted, alarms = 12, []
    for seed in range(counted):
        rng = np.random.default_rng(90_000 + seed)
        camera, settings = any_camera(rng, (0.1, 0.25))
        planes = [
            plane(
                rng,
                camera,
                (settings["level"] * share, settings["level"] * share / 2),
                [dark_pair(rng, camera), dark_pair(rng, camera)],
                name,
                times=(1 / 8000, 1.0),
            )
            for name, share in (("R", 0.6), ("G1", 1.0), ("B", 0.7))
        ]
        out = checked(*planes)
        found = {flag for one in out for pair in (*one.flats, *one.darks) for flag in pair.flags}
        found |= {flag for point in check_points(noise_points(100.0, out)) for flag in point.flags}
        alarms += [(seed, flag) for flag in found - {"saturation-from-metadata", "rounding-dominates", "too-dark"}]
    print(f"{len(alarms)} flags on {counted} clean sets of three colours: {alarms}")
    assert len(alarms) <= 1
