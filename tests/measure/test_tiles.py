"""Tiles, levels and the smooth ratio."""

from __future__ import annotations

import numpy as np
import pytest

from kitgauge.errors import MeasurementError
from kitgauge.measure.noise.tiles import (
    AcrossColumns,
    broken_share,
    level_step,
    sampled_rows,
    smooth_ratio,
    tile_grid,
    tile_levels,
)


@pytest.mark.parametrize("shape", [(16, 16), (31, 70), (100, 64), (2000, 3000)])
def test_tiles_cover_the_plane_once(shape):
    grid = tile_grid(shape)
    assert grid.heights().sum() == shape[0] and grid.widths().sum() == shape[1]
    assert min(grid.heights().min(), grid.widths().min()) >= 16
    assert grid.shape == tuple(length // 32 if length >= 128 else length // 16 for length in shape)


def test_too_small_a_plane_is_refused():
    with pytest.raises(MeasurementError, match="15 x 900"):
        tile_grid((15, 900))


def test_sampled_rows_stay_in_their_tile_and_in_its_middle():
    grid = tile_grid((320, 64))
    rows, starts = sampled_rows(grid, 8)
    for (top, bottom), taken in zip(grid.bands(), np.split(rows, starts[1:]), strict=True):
        assert top <= taken.min() and taken.max() < bottom
        assert abs(taken.mean() - 0.5 * (top + bottom - 1)) <= 0.5
    assert level_step((100, 100)) == 1 and level_step((4000, 6000)) == 8


def test_levels_of_a_ramp_and_with_hot_samples():
    plane = np.tile(np.arange(1000, 1320, dtype=np.uint16), (128, 1))
    grid = tile_grid((128, 320))
    expected = np.tile(1000 + np.arange(10) * 32 + 15.5, (4, 1))
    assert np.allclose(tile_levels(plane, grid, 1), expected)
    rng = np.random.default_rng(1)
    noisy = (plane + rng.normal(0, 3, plane.shape)).round().astype(np.uint16)
    clean = tile_levels(noisy, grid, 1)
    noisy[5, 40] = 16383
    noisy[60, 200] = 0
    assert np.abs(tile_levels(noisy, grid, 1) - clean).max() < 0.05


def test_a_hot_sample_is_seen_where_the_light_falls_off():
    # off by 40 standard deviations of its tile, yet within the range of levels along its row
    shade = np.linspace(8000, 2000, 640)
    rng = np.random.default_rng(2)
    noisy = (shade + rng.normal(0, 30, (128, 640))).round().astype(np.uint16)
    grid = tile_grid(noisy.shape)
    clean = tile_levels(noisy, grid, 1)
    noisy[40, 600] += 1200
    assert np.abs(tile_levels(noisy, grid, 1) - clean).max() < 0.2
    plain_means = noisy.reshape(4, 32, 20, 32).mean(axis=(1, 3))
    assert np.abs(plain_means - clean).max() > 1.0  # what plain means make of it


def test_levels_of_a_mean_of_frames():
    rng = np.random.default_rng(3)
    frames = rng.normal(500, 5, (3, 128, 160)).round().astype(np.uint16)
    grid = tile_grid((128, 160))
    of_mean = tile_levels(frames.mean(axis=0, dtype=np.float32), grid, 2)
    assert np.allclose(of_mean, np.mean([tile_levels(frame, grid, 2) for frame in frames], axis=0), atol=1e-3)


def test_smooth_ratio_follows_drift_and_moving_shade_but_not_dust():
    y, x = np.meshgrid(np.linspace(-1, 1, 12), np.linspace(-1, 1, 15), indexing="ij")
    true = 1.015 + 0.01 * x - 0.004 * y + 0.006 * x * y
    level_b = 8000 * (1 - 0.3 * (x * x + y * y))
    level_a = true * level_b
    level_a[3, 4] *= 0.9
    assert np.abs(smooth_ratio(level_a, level_b) - true).max() < 1e-9


def test_per_column_is_linear_and_goes_on_at_the_ends():
    grid = tile_grid((32, 96))
    centres = 0.5 * (grid.columns[:-1] + grid.columns[1:] - 1)
    [line] = AcrossColumns.of(grid)(3.0 + 0.5 * centres[None, :])
    assert np.allclose(line, 3.0 + 0.5 * np.arange(96))


def test_steps_are_told_from_shading():
    y, x = np.meshgrid(np.linspace(-1, 1, 20), np.linspace(-1, 1, 30), indexing="ij")
    shade = 8000 * (1 - 0.35 * (x * x + y * y)) * (1 + 0.3 * x)
    assert broken_share(shade, 0.05 * shade) == 0.0
    edge = shade * np.where(x > 0.2, 0.7, 1.0)
    # one step across each of 20 rows: third differences 1, -2, 1 times it, the middle one above twice the least
    assert broken_share(edge, np.full(edge.shape, 0.2 * 8000)) == pytest.approx(20 / (20 * 27))
    assert broken_share(edge.T, np.full(edge.T.shape, 0.2 * 8000)) == pytest.approx(20 / (20 * 27))
    spot = shade.copy()
    spot[10, 15] *= 0.8
    assert broken_share(spot, 0.05 * shade) == 0.0  # dust
    assert broken_share(np.ones((3, 3)), np.ones((3, 3))) == 0.0
