"""Depth, noise and movement of a practice series on arrays made here, with known truth and naive ways that fail."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import ndimage, special

from kitgauge.measure.blur.scene_tiles import SceneFrame
from kitgauge.measure.practice.changes import in_frame, laid_on, map_shape, movement
from kitgauge.measure.practice.depth import SHARP, UNSHARP, depth_of_series, rough_blur
from kitgauge.measure.practice.flat_noise import noise_of_series
from kitgauge.measure.practice.moving_blur import ThingSpectrum, streaks_of_thing, thing_spectrum
from kitgauge.measure.practice.tile_table import TileTable, measure_tiles, tile_grid

SHAPE = (384, 576)
WHITE = 60000.0
EVERYWHERE = np.eye(2, 3)


def texture(seed: int, shape=SHAPE) -> np.ndarray:
    """Return light with detail at all frequencies (amplitude 1/f^0.8) through a lens, mean 0.25, deviation 0.08."""
    rng = np.random.default_rng(seed)
    fy, fx = np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None, :]
    spectrum = np.fft.rfft2(rng.standard_normal(shape)) / (np.hypot(fy, fx) + 0.004) ** 0.8
    field = np.fft.irfft2(spectrum * np.exp(-2 * np.pi**2 * 0.6**2 * (fx**2 + fy**2)), s=shape)
    return np.clip(0.25 + 0.08 * field / field.std(), 0.02, 0.9)


def through(light: np.ndarray, transfer) -> np.ndarray:
    fy, fx = np.fft.fftfreq(light.shape[0])[:, None], np.fft.rfftfreq(light.shape[1])[None, :]
    return np.fft.irfft2(np.fft.rfft2(light) * transfer(fx, fy), s=light.shape)


def disc(diameter_px: float):
    def transfer(fx, fy):
        x = np.pi * diameter_px * np.hypot(fx, fy)
        return np.where(x < 1e-9, 1.0, 2 * special.j1(x) / np.maximum(x, 1e-9))

    return transfer


def frame_of(light: np.ndarray, noise: float, seed: int) -> SceneFrame:
    """Return a monochrome frame: noise of standard deviation `noise` at level 0.25, going with the root of light."""
    rng = np.random.default_rng(seed)
    seen = light + noise * np.sqrt(np.maximum(light, 0) / 0.25) * rng.standard_normal(light.shape)
    samples = np.clip(np.rint(seen * WHITE), 0, 65535).astype(np.uint16)
    return SceneFrame(samples, np.ones((1, 1), dtype=bool), np.zeros((1, 1)), WHITE)


def table_of(light: np.ndarray, noise: float = 0.004, seed: int = 1) -> TileTable:
    return measure_tiles(frame_of(light, noise, seed), tile_grid(SHAPE), EVERYWHERE)


def test_tiles_lie_evenly_and_those_outside_are_unknown():
    grid = tile_grid((4000, 6000))
    assert grid.grid == (11, 16) and grid.size == 256
    assert np.allclose(grid.centres.mean(axis=0), [2999.5, 1999.5])
    moved = np.array([[1.0, 0.0, 300.0], [0.0, 1.0, 0.0]])
    own = tile_grid(SHAPE)
    table = measure_tiles(frame_of(texture(1), 0.0, 1), own, moved)
    inside = own.centres[:, 0] + 300 + own.size / 2 <= SHAPE[1]
    assert np.array_equal(np.isfinite(table.level), inside)
    assert np.isfinite(TileTable.from_dict(table.as_dict()).power).sum() == np.isfinite(table.power).sum()


@pytest.mark.parametrize("noise", [0.002, 0.02])
def test_blur_discs_are_measured_against_the_sharpest_frame(noise):
    scene = texture(2)
    f_numbers = (4.0, 5.657, 8.0, 16.0)
    discs = [8.0 * 4.0 / n for n in f_numbers]
    depth = depth_of_series([table_of(through(scene, disc(d)), noise, k) for k, d in enumerate(discs)], f_numbers, 3.0)
    found = 4.0 * np.sqrt(np.median(np.maximum(depth.variance_px2, 0.0), axis=1))
    for size, true in zip(found, discs, strict=True):
        assert abs(size - true) < 0.5 + 0.12 * true
    assert depth.sharp_share[0] < 0.1 and depth.sharp_share[-1] > 0.85


def test_never_sharp_is_unsharp_though_it_is_the_best_frame():
    scene = texture(3)
    f_numbers = (2.8, 4.0, 5.6)
    tables = [table_of(through(scene, disc(24.0 * 2.8 / n)), 0.003, k) for k, n in enumerate(f_numbers)]
    depth = depth_of_series(tables, f_numbers, 3.0)
    last = np.array(depth.state[-1])
    assert np.count_nonzero(last == UNSHARP) > 0.9 * len(last)
    # each place compared with its own best frame alone calls that frame sharp
    power = np.stack([table.power.mean(axis=1) for table in tables])
    assert np.mean(np.argmax(power, axis=0) == 2) > 0.9


def test_plain_tiles_are_not_judged_whatever_their_noise():
    light = texture(4)
    light[:, : SHAPE[1] // 2] = 0.25
    light[: SHAPE[0] // 2, : SHAPE[1] // 2] = 0.03
    depth = depth_of_series([table_of(light, 0.01, k) for k in range(3)], (2.8, 4.0, 5.6), 3.0)
    columns = np.arange(len(depth.state[0])) % tile_grid(SHAPE).grid[1]
    half = tile_grid(SHAPE).grid[1] // 2
    states = np.array(depth.state[0])
    assert not np.isin(states[columns < half - 1], [SHARP, UNSHARP]).any()
    assert np.mean(states[columns > half] == SHARP) > 0.9


@pytest.mark.parametrize("streak", [4.0, 6.0])
def test_rough_blur_is_rough_but_right(streak):
    scene = texture(5)
    moved = through(scene, lambda fx, fy: np.sinc(streak * (0.8 * fx + 0.6 * fy)))
    found = rough_blur([table_of(scene, 0.004, 1), table_of(moved, 0.004, 2)])
    assert found is not None and found[0] == 0 and abs(found[1] - streak) < 0.3 * streak


def test_noise_between_frames_is_told_at_plain_places_only():
    light = texture(6)
    light[100:300, 100:300] = 0.25
    light[100:300, 330:520] = 0.05
    tables = [table_of(light, noise, k) for k, noise in enumerate((0.002, 0.004, 0.016))]
    found = noise_of_series(tables)
    assert found.all_stops == pytest.approx([0.0, 1.0, 3.0], abs=0.15)
    assert math.isnan(found.all_stops_stderr[0]) and np.all(found.all_stops_stderr[1:] < 0.1)
    # over all places the texture hides it
    naive = [0.5 * math.log2(np.nanmean(t.block_variance) / np.nanmean(tables[0].block_variance)) for t in tables]
    assert naive[1] < 0.5


def test_noise_of_a_scene_without_plain_places_is_not_told_as_sure():
    found = noise_of_series([table_of(np.full(SHAPE, 0.98), 0.001, k) for k in range(2)])
    assert np.isnan(found.all_stops).all() and found.blocks == 0


def scene_with(x: float, y: float, background: np.ndarray) -> np.ndarray:
    light = background.copy()
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]]
    light[(xx - x) ** 2 + (yy - y) ** 2 < 50**2] = 0.7
    return light


def test_what_moves_is_found_in_each_frame_in_spite_of_brightness():
    places = [(120, 200), (300, 150), (450, 220), (200, 250)]
    maps = []
    for k, (x, y) in enumerate(places):
        light = scene_with(x, y, 0.3 * texture(7) / 0.25) * 2.0 ** (-k / 3)
        maps.append(laid_on(ndimage.zoom(light, 1.0).astype(np.float32), EVERYWHERE, SHAPE))
    found = movement(maps)
    assert found is not None and maps[0].shape == map_shape(SHAPE)
    for (x, y), place in zip(places, found.places, strict=True):
        assert math.dist(in_frame(*place, SHAPE), (x, y)) < 25
    assert 0.05 < found.area.mean() < 0.6
    still = [laid_on((texture(7) * (1 + 0.1 * k)).astype(np.float32), EVERYWHERE, SHAPE) for k in range(3)]
    assert movement(still) is None and movement(still[:1]) is None


@pytest.mark.parametrize("streak", [6.0, 12.0])
def test_the_streak_of_a_thing_needs_no_frame_laid_on_another(streak):
    shape = (700, 1000)
    spectra = []
    for k, length in enumerate((0.0, streak)):
        # other parts of the same kind of texture: nothing to lay on each other
        light = through(texture(8 + k, shape), lambda fx, _fy, length=length: np.sinc(length * fx))
        frame = frame_of(light, 0.004, k)
        spectra.append(ThingSpectrum.from_dict(thing_spectrum(frame, 500, 350).as_dict()))
    found = streaks_of_thing([spectra[0], None, spectra[1]])
    assert found[0] == 0 and math.isnan(found[1]) and abs(found[2] - streak) < 0.35 * streak
    far = through(texture(10, shape), lambda fx, _fy: np.sinc(70.0 * fx))
    assert streaks_of_thing([spectra[0], thing_spectrum(frame_of(far, 0.004, 3), 500, 350)])[1] == math.inf
