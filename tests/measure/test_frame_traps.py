"""Lossy packing and suppression by neighbours, in single frames; clean frames beside them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import fft, ndimage
from trap_frames import Camera, dark_pair, flat_pair

from kitgauge.measure.noise.block_coding import packed_by_transform, packed_in_blocks, packed_in_steps
from kitgauge.measure.noise.dark_pair import measure_dark_pair
from kitgauge.measure.noise.neighbour_filter import peaks_cut_down, sample_bands
from kitgauge.measure.noise.photon_transfer import measure_flat_pair

CAMERA = Camera(k=0.5)
SIGMA = np.sqrt(0.5 * 0.5 * 15871)


def suppressed(dn):
    """No sample above the highest of its eight neighbours."""
    around = np.ones((3, 3), bool)
    around[1, 1] = False
    return np.minimum(dn, ndimage.maximum_filter(dn, footprint=around))


def mapped(dn):
    """Hot and dead samples replaced, all others left alone."""
    middle = ndimage.median_filter(dn, 3)
    return np.where(np.abs(dn - middle) > 8 * (dn - middle).std(), middle, dn)


def in_blocks(dn):
    """11 bits; blocks of 16: least and greatest kept, the others in 32 steps between them."""
    values = np.rint(dn)
    rows, columns = values.shape
    blocks = values[:, : columns // 16 * 16].reshape(rows, -1, 16)
    low, high = blocks.min(2, keepdims=True), blocks.max(2, keepdims=True)
    step = 2.0 ** np.ceil(np.log2(np.maximum(high - low, 32) / 32))
    packed = np.where(blocks == high, high, low + np.floor((blocks - low) / step) * step)
    values[:, : columns // 16 * 16] = packed.reshape(rows, -1)
    return values


def by_transform(step):
    def after(dn):
        rows, columns = (length // 8 * 8 for length in dn.shape)
        blocks = dn[:rows, :columns].reshape(rows // 8, 8, columns // 8, 8)
        waves = fft.dctn(blocks, axes=(1, 3), norm="ortho")
        packed = fft.idctn(np.rint(waves / step) * step, axes=(1, 3), norm="ortho")
        out = dn.copy()
        out[:rows, :columns] = packed.reshape(rows, columns)
        return out

    return after


def by_delta(dn):
    """Each sample as a step from the one before, small steps exact, large ones from a coarse table."""
    exact, coarse = np.arange(-8, 9), np.rint(9 * 1.3 ** np.arange(18))
    table = np.concatenate([-coarse, exact, coarse])
    values = np.rint(dn)
    for column in range(1, values.shape[1]):
        steps = values[:, column] - values[:, column - 1]
        values[:, column] = values[:, column - 1] + table[np.abs(steps[:, None] - table).argmin(axis=1)]
    return values


def flags_of(after, camera=CAMERA):
    frames = flat_pair(np.random.default_rng(1), camera, after=after)
    return set(measure_flat_pair(*frames, camera.black, camera.white).flags)


def test_suppression_by_neighbours_is_seen_where_correlation_is_not():
    frames = flat_pair(np.random.default_rng(1), CAMERA, after=suppressed)
    pair = measure_flat_pair(*frames, CAMERA.black, CAMERA.white)
    assert pair.flags == ("neighbour-filtered",)
    assert abs(pair.correlation_along_row) < 0.03  # correlation alone would have passed it
    assert peaks_cut_down(sample_bands(frames[0]), SIGMA) > 0.9


def test_suppression_in_darks_only():
    rng = np.random.default_rng(2)
    camera = Camera(read_dn=4.0)
    assert "neighbour-filtered" in measure_dark_pair(*dark_pair(rng, camera, after=suppressed)).flags
    assert measure_dark_pair(*dark_pair(rng, camera)).flags == ()


def test_mapping_of_hot_and_dead_samples_is_no_noise_reduction():
    camera = Camera(hot=200)
    assert flags_of(mapped, camera) == set()
    assert measure_dark_pair(*dark_pair(np.random.default_rng(3), Camera(hot=200), after=mapped)).flags == ()


@pytest.mark.parametrize("row_dn", [0.0, 0.5, 1.0])
def test_row_offsets_are_no_suppression(row_dn):
    # rows of one offset are peaks all along, or not at all: few rows would make counts of peaks scatter
    for seed in range(5):
        camera = Camera(shape=(600, 1600), read_dn=4.0, row_dn=4.0 * row_dn, black=600.0)
        frame = dark_pair(np.random.default_rng(seed), camera)[0]
        assert peaks_cut_down(sample_bands(frame), 4.0) == 0


@pytest.mark.parametrize("kernel", ["gauss", "median", "bilateral"])
def test_noise_reduction_by_correlation(kernel):
    import cv2

    filters = {
        "gauss": lambda dn: ndimage.gaussian_filter(dn, 0.4),
        "median": lambda dn: ndimage.median_filter(dn, 3),
        "bilateral": lambda dn: cv2.bilateralFilter(dn.astype(np.float32), 5, 1.5 * SIGMA, 1.5),
    }
    assert flags_of(filters[kernel]) == {"correlated-noise"}
    rng = np.random.default_rng(4)
    if kernel != "bilateral":
        dark = measure_dark_pair(*dark_pair(rng, Camera(read_dn=4.0), after=filters[kernel]))
        assert dark.flags == ("correlated-noise",)


@pytest.mark.parametrize("after", [by_delta, in_blocks, by_transform(SIGMA), by_transform(2 * SIGMA)])
def test_lossy_packing_is_seen(after):
    camera = Camera(k=2.0, black=128, white=4095, read_dn=4) if after is in_blocks else CAMERA
    assert "lossy-raw" in flags_of(after, camera)


def test_each_way_of_packing_is_seen_by_its_own_trace():
    rng = np.random.default_rng(5)
    clean, delta, transform = (
        sample_bands(flat_pair(rng, CAMERA, after=f)[0]) for f in (None, by_delta, by_transform(60))
    )
    assert packed_in_steps(delta) > 0.5 and packed_in_steps(clean) == packed_in_steps(transform) == 0
    assert packed_by_transform(transform, SIGMA) > 0.1
    assert packed_by_transform(clean, SIGMA) == packed_by_transform(delta, SIGMA) == 0
    small = Camera(k=2.0, black=128, white=4095, read_dn=4)
    assert packed_in_blocks(sample_bands(flat_pair(rng, small, after=in_blocks)[0])) > 0.8
    assert packed_in_blocks(clean) == packed_in_blocks(sample_bands(flat_pair(rng, small)[0])) == 0


def test_global_gaps_are_not_taken_for_packing_in_blocks():
    doubled = sample_bands(flat_pair(np.random.default_rng(6), CAMERA, 0.3, after=lambda dn: 2 * np.rint(dn))[0])
    assert packed_in_blocks(doubled) == packed_in_steps(doubled) == 0
