"""Black from dark frames or from the file, and light in dark frames: pairs simulated with known black and light.

Source of the distinction: photon noise (EMVA 1288 Release 4 Linear): n electrons of light bring a variance of n.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from simulated_pairs import flat_pair, frame, shading

from kitgauge.measure.noise.black_level import settle_black
from kitgauge.measure.noise.dark_pair import measure_dark_pair
from kitgauge.measure.noise.noise_points import PlanePairs, noise_points
from kitgauge.measure.noise.photon_transfer import measure_flat_pair

SHAPE, BLACK, WHITE = (160, 176), 512.0, 16383.0
ISOS = (100.0, 200.0, 400.0, 800.0, 1600.0)
COLOURS = ("G1", "G2")


def gain(iso):
    return 350.0 / iso  # e-/DN


def read_e(iso):
    return math.hypot(3.0, 1.2 * gain(iso))


def plane(rng, iso, colour="G", *, stated=BLACK, source="metadata", leak_e=0.0, uneven=0.0, darks=1, flats=1):
    """Pairs of one plane; `leak_e` [e-] of light on the darks, brighter on one side by `uneven`."""
    lights = [leak_e * shading(SHAPE, 0.0, uneven) for _ in range(darks)]
    caps = [[frame(rng, light, gain(iso), read_e(iso)) for _ in range(2)] for light in lights]
    pairs = [flat_pair(rng, SHAPE, 8000 * gain(iso), gain(iso), read_e(iso), drift=1.01) for _ in range(flats)]
    return PlanePairs(
        colour,
        tuple(measure_flat_pair(a, b, stated, WHITE) for a, b in pairs),
        tuple(measure_dark_pair(a, b) for a, b in caps),
        stated,
        source,
    )


def ladder(seed=1, isos=ISOS, leaks=None, **camera):
    """Planes per ISO; `leaks` gives electrons of light by ISO."""
    rng = np.random.default_rng(seed)
    return {
        iso: [plane(rng, iso, colour, leak_e=(leaks or {}).get(iso, 0.0), **camera) for colour in COLOURS]
        for iso in isos
    }


def leaking(settled):
    return {iso for iso, planes in settled.items() if any("light-leak" in d.flags for p in planes for d in p.darks)}


@pytest.mark.parametrize("stated", [0.0, 480.0, 512.0, 600.0])
def test_a_wrong_stated_black_is_put_right_by_the_darks(stated):
    settled = settle_black(ladder(stated=stated))
    assert not leaking(settled)
    for iso, planes in settled.items():
        for settled_plane in planes:
            assert settled_plane.black_source == "dark"
            # 28160 samples, twice
            assert settled_plane.black_dn == pytest.approx(BLACK, abs=5 * read_e(iso) / gain(iso) / 200 + 0.05)
        point = next(p for p in noise_points(iso, planes) if p.channel == "G")
        assert point.gain_e_per_dn == pytest.approx(gain(iso), abs=4 * point.gain_e_per_dn_stderr)
        assert point.read_noise_e == pytest.approx(read_e(iso), abs=4 * point.read_noise_e_stderr)
    if stated == 0.0:  # believing the file: 512 DN too much signal in some 8000
        wrong = noise_points(100.0, ladder(stated=stated)[100.0])
        assert next(p for p in wrong if p.channel == "G").gain_e_per_dn > 1.05 * gain(100.0)


@pytest.mark.parametrize("uneven", [0.0, 0.5])
def test_light_in_all_darks_is_seen_and_its_noise_not_taken_for_the_sensor(uneven):
    # an even leak: only its level above the stated black and its shot noise show it
    settled = settle_black(ladder(leaks=dict.fromkeys(ISOS, 60.0), uneven=uneven))
    assert leaking(settled) == set(ISOS)
    for iso, planes in settled.items():
        assert {(p.black_dn, p.black_source) for p in planes} == {(BLACK, "metadata")}
        point = next(p for p in noise_points(iso, planes) if p.channel == "G")
        assert "light-leak" in point.flags
        assert math.isnan(point.read_noise_e) and math.isnan(point.snr_midgrey)
        assert point.gain_e_per_dn == pytest.approx(gain(iso), abs=4 * point.gain_e_per_dn_stderr)
        # what would have been published: sqrt(60 + read noise squared)
        naive = noise_points(iso, [replace(p, darks=tuple(replace(d, flags=()) for d in p.darks)) for p in planes])
        assert naive[-1].read_noise_e > 1.4 * read_e(iso)


@pytest.mark.parametrize("stated", [512.0, 0.0])
def test_light_at_one_iso_takes_black_from_the_nearest_other(stated):
    settled = settle_black(ladder(leaks={800.0: 90.0}, stated=stated))
    assert leaking(settled) == {800.0}
    assert all(p.black_source == "dark" for planes in settled.values() for p in planes)
    assert all(p.black_dn == pytest.approx(BLACK, abs=0.5) for p in settled[800.0])


def test_light_that_grows_with_iso_is_seen_beside_a_wrong_stated_black():
    # the same light at each ISO: in DN it doubles with ISO, which a wrong black does not
    settled = settle_black(ladder(leaks=dict.fromkeys(ISOS, 60.0), stated=0.0))
    assert {800.0, 1600.0} <= leaking(settled)


def test_without_flats_or_other_iso_values_the_stated_black_is_believed():
    [planes] = ladder(isos=(100.0,), stated=480.0).values()
    settled = settle_black({100.0: [replace(p, flats=()) for p in planes]})
    assert leaking(settled) == {100.0}
    assert {(p.black_dn, p.black_source) for p in settled[100.0]} == {(480.0, "metadata")}


def test_masked_pixels_come_first():
    settled = settle_black(ladder(isos=(100.0, 400.0), source="masked", stated=511.0, leaks={400.0: 60.0}))
    assert leaking(settled) == {400.0}
    assert {(p.black_dn, p.black_source) for planes in settled.values() for p in planes} == {(511.0, "masked")}


def test_without_a_stated_black_the_darkest_frame_tells():
    settled = settle_black(ladder(source="unknown", stated=0.0))
    assert not leaking(settled)
    assert all(p.black_source == "dark" for planes in settled.values() for p in planes)
    # no dark frames at all: nothing is known, and nothing is claimed
    none = settle_black(ladder(source="unknown", stated=0.0, darks=0))
    assert {p.black_source for planes in none.values() for p in planes} == {"unknown"}


def test_an_iso_without_darks_takes_black_from_the_others():
    planes = ladder(stated=480.0)
    planes[400.0] = [replace(p, darks=()) for p in planes[400.0]]
    settled = settle_black(planes)
    assert all(p.black_dn == pytest.approx(BLACK, abs=0.5) and p.black_source == "dark" for p in settled[400.0])


def test_light_seen_in_one_plane_marks_the_pair_in_all():
    rng = np.random.default_rng(4)
    planes = [plane(rng, 100.0, "G1"), plane(rng, 100.0, "R", leak_e=80.0)]
    for settled in settle_black({100.0: planes})[100.0]:
        assert settled.darks[0].flags == ("light-leak",)


def shifted(by_iso, offsets):
    """The same pairs with dark levels (DN) that drifted by `offsets` per ISO."""
    return {
        iso: [
            replace(one, darks=tuple(replace(dark, mean_dn=dark.mean_dn + offsets[iso]) for dark in one.darks))
            for one in planes
        ]
        for iso, planes in by_iso.items()
    }


@pytest.mark.statistical
def test_weak_light_in_all_darks_shows_by_its_growth_with_the_gain_and_a_drift_of_black_does_not():
    settled = settle_black(ladder(4, leaks=dict.fromkeys(ISOS, 3.0)))
    assert leaking(settled) == set(ISOS)  # 0.9 DN at ISO 100, 14 DN at ISO 1600 of 14 DN read noise
    assert all(planes[0].black_dn == BLACK and planes[0].black_source == "metadata" for planes in settled.values())
    # the same light on one dark alone cannot be told from a drift
    assert not leaking(settle_black(ladder(4, leaks={1600.0: 3.0})))
    clean = ladder(5)
    rng = np.random.default_rng(6)
    drifts = [dict(zip(ISOS, rng.uniform(-2.0, 2.0, len(ISOS)), strict=True)) for _ in range(40)]
    drifts += [{iso: size * math.log2(iso / 100.0) for iso in ISOS} for size in (0.25, 0.5, 1.0, 2.0)]  # the dial
    drifts += [{iso: size * gain(100.0) / gain(iso) / 16.0 for iso in ISOS} for size in (1.0, 2.0, 4.0)]  # the gain
    assert not any(leaking(settle_black(shifted(clean, drift))) for drift in drifts)
