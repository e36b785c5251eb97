"""Lossless-JPEG tiles read without LibRaw hold what was written and what LibRaw decodes; damage is never passed over.

Outside source of every comparison: the samples that were written, and LibRaw, through rawpy.
"""

from __future__ import annotations

import sys

import numpy as np
import pytest
import rawpy
from frame_bytes import dng_entries, tiff_bytes

from kitgauge.errors import FrameError
from kitgauge.frames import lossless_tiles
from kitgauge.frames import raw as raw_module
from kitgauge.frames.dng_samples import read_plain_samples
from kitgauge.frames.levels import VisibleArea
from kitgauge.frames.raw import open_raw
from kitgauge.frames.tiff_layout import read_layout

codecs = pytest.importorskip("imagecodecs")


def encoded(tile, *, components=2, predictor=1, bits=14):
    shaped = tile.reshape(tile.shape[0], -1, components) if components > 1 else tile
    return bytes(
        codecs.jpeg8_encode(np.ascontiguousarray(shaped), lossless=True, predictor=predictor, bitspersample=bits)
    )


def tiles_of(samples, tile=(32, 32), mode="edge", **how):
    """Return the encoded tiles of (row, column) samples, padded at the right and at the bottom."""
    rows, columns = tile
    padded = np.pad(samples, ((0, -samples.shape[0] % rows), (0, -samples.shape[1] % columns)), mode=mode)
    return [
        encoded(padded[top : top + rows, left : left + columns], **how)
        for top in range(0, padded.shape[0], rows)
        for left in range(0, padded.shape[1], columns)
    ]


def lossless(path, samples, tiles, tile=(32, 32), *, bits=16, order=None, more=None, active=None):
    """Write a DNG of these encoded tiles, in the file in the given order; return its path."""
    entries = dng_entries(samples, black=[16] * 4, white=(1 << min(bits, 16)) - 1, active=active)
    for tag in (273, 278, 279):
        entries.pop(tag, None)
    lengths = [len(one) for one in tiles]
    entries |= {258: (3, bits), 259: (3, 7), 322: (4, tile[1]), 323: (4, tile[0]), 325: (4, lengths)}
    entries |= {324: (4, [0] * len(tiles)), **(more or {})}
    at, body, places = len(tiff_bytes(entries)), b"", {}
    for index in order or range(len(tiles)):
        places[index] = at + len(body)
        body += tiles[index]
    if 324 not in (more or {}):
        entries[324] = (4, [places[index] for index in range(len(tiles))])
    path.write_bytes(tiff_bytes(entries) + body)
    return path


def direct(path):
    """Return what the direct reader makes of a file that LibRaw opens, None where it leaves it alone."""
    with rawpy.imread(str(path)) as raw:
        sizes = raw.sizes
    area = VisibleArea(sizes.top_margin, sizes.left_margin, sizes.height, sizes.width)
    found = read_plain_samples(read_layout(path), (sizes.raw_height, sizes.raw_width), area)
    return None if found is None else found.whole


def decoded(path):
    with rawpy.imread(str(path)) as raw:
        return raw.raw_image.copy()


def noise(shape, bits, seed=1):
    """Return noise over the lower half of the range, as a frame with some very bright samples has it."""
    rng = np.random.default_rng(seed)
    values = rng.normal(0.3 * 2**bits, 0.02 * 2**bits, shape).round().clip(0, 2**bits - 1).astype(np.uint16)
    values[rng.random(shape) < 0.01] = 2**bits - 1
    return values


@pytest.mark.parametrize("components", [1, 2])
@pytest.mark.parametrize("predictor", range(1, 8))
@pytest.mark.parametrize("bits", [10, 12, 14, 16])
def test_components_predictors_and_bits(tmp_path, components, predictor, bits):
    samples = noise((64, 96), bits)
    tiles = tiles_of(samples, components=components, predictor=predictor, bits=bits)
    path = lossless(tmp_path / "frame.dng", samples, tiles)
    found = direct(path)
    assert found is not None
    assert np.array_equal(found, samples)
    assert np.array_equal(found, decoded(path))


@pytest.mark.parametrize("stated_bits", [12, 14, 16])
@pytest.mark.parametrize("shape", [(64, 96), (63, 95), (33, 97), (100, 130), (32, 32), (31, 33), (70, 161)])
@pytest.mark.parametrize("mode", ["edge", "constant"])
def test_sizes_that_are_no_multiple_of_a_tile(tmp_path, shape, stated_bits, mode):
    samples = noise(shape, 12)
    path = lossless(tmp_path / "frame.dng", samples, tiles_of(samples, mode=mode, bits=12), bits=stated_bits)
    found = direct(path)
    assert found is not None
    assert np.array_equal(found, samples)
    if shape[1] > 64:  # with two tiles across, LibRaw leaves every second row 0
        assert np.array_equal(found, decoded(path))


@pytest.mark.parametrize("tile", [(16, 48), (64, 32), (48, 16), (128, 160)])
def test_sides_of_tiles(tmp_path, tile):
    samples = noise((96, 150), 14)
    path = lossless(tmp_path / "frame.dng", samples, tiles_of(samples, tile), tile)
    assert np.array_equal(direct(path), samples)


def test_tiles_in_another_order_in_the_file(tmp_path):
    samples = noise((64, 96), 14)
    path = lossless(tmp_path / "frame.dng", samples, tiles_of(samples), order=[3, 1, 5, 0, 4, 2])
    assert np.array_equal(direct(path), samples)
    assert np.array_equal(decoded(path), samples)


def test_everything_else_about_the_frame_is_as_through_libraw(tmp_path, monkeypatch):
    rng = np.random.default_rng(3)
    samples = noise((200, 320), 14)
    samples[:, :40] = rng.normal(18, 4, (200, 40)).clip(0).round()
    path = lossless(tmp_path / "frame.dng", samples, tiles_of(samples), active=(2, 40, 198, 320))
    assert direct(path) is not None
    found = open_raw(path)
    monkeypatch.setattr(raw_module, "read_plain_samples", lambda *_, **__: None)
    reference = open_raw(path)
    assert np.array_equal(found.samples, reference.samples)
    assert found.samples.shape == (196, 280)
    assert found.pattern == reference.pattern
    assert found.black_dn.tolist() == reference.black_dn.tolist()
    assert (found.white_dn, found.black_source) == (reference.white_dn, reference.black_source)


def test_clipped_and_drawn_frames(tmp_path):
    """Rows without noise are what a decoder gives for data that are not there; here they are in the file."""
    samples = noise((64, 96), 14)
    for value in (16383, 3000, 8192):
        samples[20:] = value
        path = lossless(tmp_path / "frame.dng", samples, tiles_of(samples))
        # the middle of the range is what the decoder gives for nothing: that one is LibRaw's
        assert (direct(path) is None) == (value == 8192)
        assert np.array_equal(open_raw(path).samples, samples)


def changed(tile, place, value):
    return tile[:place] + bytes([value]) + tile[place + 1 :]


def scan(tile):
    return tile.index(b"\xff\xda")


def frame(tile):
    return tile.index(b"\xff\xc3")


UNUSUAL = {
    "restart interval": lambda tile: tile[:2] + b"\xff\xdd\x00\x04\x00\x10" + tile[2:],
    "comment": lambda tile: tile[:2] + b"\xff\xfe\x00\x04hi" + tile[2:],
    "Adobe segment": lambda tile: tile[:2] + b"\xff\xee\x00\x0eAdobe\x00\x64\x00\x00\x00\x00\x01" + tile[2:],
    "point transform": lambda tile: changed(tile, scan(tile) + 11, 1),
    "predictor 0": lambda tile: changed(tile, scan(tile) + 9, 0),
    "predictor 8": lambda tile: changed(tile, scan(tile) + 9, 8),
    "end of spectrum": lambda tile: changed(tile, scan(tile) + 10, 63),
    "8 bits": lambda tile: changed(tile, frame(tile) + 4, 8),
    "fewer rows": lambda tile: changed(tile, frame(tile) + 6, 31),
    "more columns": lambda tile: changed(tile, frame(tile) + 8, 17),
    "coarse component": lambda tile: changed(tile, frame(tile) + 11, 0x21),
    "one name for both": lambda tile: changed(tile, frame(tile) + 13, tile[frame(tile) + 10]),
    "other process": lambda tile: changed(tile, frame(tile) + 1, 0xC1),
    "no end": lambda tile: tile[:-2],
    "no start": lambda tile: b"\0\0" + tile[2:],
    "nothing but a start": lambda _: b"\xff\xd8\xff\xd9",
    "cut off in its header": lambda tile: tile[: scan(tile) + 6] + b"\xff\xd9",
    "half of it": lambda tile: tile[: len(tile) // 2] + b"\xff\xd9",
}


@pytest.mark.parametrize("how", UNUSUAL)
def test_an_unusual_tile_is_left_to_libraw(tmp_path, how):
    samples = noise((64, 96), 14)
    tiles = tiles_of(samples)
    layout = read_layout(lossless(tmp_path / "good.dng", samples, tiles))
    area = VisibleArea(0, 0, 64, 96)
    assert read_plain_samples(layout, (64, 96), area) is not None
    tiles[4] = UNUSUAL[how](tiles[4])
    layout = read_layout(lossless(tmp_path / "odd.dng", samples, tiles))
    assert read_plain_samples(layout, (64, 96), area) is None


@pytest.mark.parametrize(
    "more",
    [
        {50706: (1, [1, 0, 0, 0])},  # a version with another lossless JPEG
        {322: (4, 16)},
        {323: (4, 64)},
        {322: (4, 0)},
        {322: (4, [32, 32])},
        {325: (4, [100] * 5)},
        {325: (4, [1 << 20] * 6)},  # beyond the file, on top of one another
        {324: (4, [4000] * 6)},
        {324: (4, [0] * 6)},
        {273: (4, 4000)},  # strips beside tiles
        {50712: (3, list(range(0, 60000, 10)))},  # LinearizationTable
        {50975: (4, 2)},  # RowInterleaveFactor
        {258: (3, 8)},
    ],
    ids=lambda more: "-".join(f"{tag}={value[1]}"[:24] for tag, value in more.items()),
)
def test_an_unusual_directory_is_left_to_libraw(tmp_path, more):
    samples = noise((64, 96), 14)
    layout = read_layout(lossless(tmp_path / "odd.dng", samples, tiles_of(samples), more=more))
    assert read_plain_samples(layout, (64, 96), VisibleArea(0, 0, 64, 96)) is None


def test_a_file_that_shrinks_after_its_directories_were_read(tmp_path):
    samples = noise((64, 96), 14)
    path = lossless(tmp_path / "frame.dng", samples, tiles_of(samples))
    layout = read_layout(path)
    path.write_bytes(path.read_bytes()[:-100])
    assert read_plain_samples(layout, (64, 96), VisibleArea(0, 0, 64, 96)) is None


def opened(path):
    """Return the samples, or the error as (flag, text)."""
    try:
        return open_raw(path).samples
    except FrameError as error:
        return error.flag, str(error)


def random_damage(tile, rng):
    """Return a tile with some bytes after its header zeroed, made random, left out or cut off."""
    first = scan(tile) + 12
    start = int(rng.integers(first, len(tile) - 4))
    length = int(rng.integers(1, 400))
    kind = rng.integers(4)
    if kind == 0:
        return tile[:start] + bytes(min(length, len(tile) - start)) + tile[start + length :]
    if kind == 1:
        junk = rng.integers(0, 256, min(length, len(tile) - start), dtype=np.uint8).tobytes()
        return tile[:start] + junk + tile[start + length :]
    if kind == 2:
        return tile[:start] + tile[start + length :]
    return tile[:start] + b"\xff\xd9"


@pytest.mark.parametrize("bits", [12, 16])
@pytest.mark.parametrize("components", [1, 2])
def test_damage_that_shows_through_libraw_shows_here(tmp_path, monkeypatch, bits, components):
    """Whatever LibRaw's samples are refused for is refused, in the same words; mere noise in place of noise is not
    seen by either."""
    samples = noise((192, 192), bits)
    tile = (64, 64)
    good = tiles_of(samples, tile, components=components, bits=bits)
    rng = np.random.default_rng(bits)
    refused = wrong_otherwise = 0
    for _ in range(100):
        tiles = list(good)
        which = int(rng.integers(len(tiles)))
        tiles[which] = random_damage(tiles[which], rng)
        path = lossless(tmp_path / "damaged.dng", samples, tiles, tile)
        found = opened(path)
        with monkeypatch.context() as patch:
            patch.setattr(raw_module, "read_plain_samples", lambda *_, **__: None)
            reference = opened(path)
        if isinstance(reference, tuple):
            assert found == reference
            refused += 1
        else:
            wrong_otherwise += not np.array_equal(reference, samples)
    assert refused > 5
    assert wrong_otherwise > 0  # what no decoder sees


def test_without_the_package_libraw_reads(tmp_path, monkeypatch):
    samples = noise((64, 96), 14)
    path = lossless(tmp_path / "frame.dng", samples, tiles_of(samples))
    lossless_tiles._decoder.cache_clear()
    monkeypatch.setitem(sys.modules, "imagecodecs", None)
    try:
        assert direct(path) is None
        assert np.array_equal(open_raw(path).samples, samples)
    finally:
        lossless_tiles._decoder.cache_clear()


def test_a_decoder_that_gives_something_else_is_not_believed(tmp_path, monkeypatch):
    samples = noise((64, 96), 14)
    path = lossless(tmp_path / "frame.dng", samples, tiles_of(samples))
    for other in (
        np.zeros((33, 16, 2), np.uint8),
        np.zeros((32, 16, 2), np.uint16),
        np.full((33, 16, 2), 20000, np.uint16),  # more than 14 bits
        np.full((33, 16, 2), 8192, np.uint16),  # the middle of the range
    ):
        monkeypatch.setattr(lossless_tiles, "_decoder", lambda other=other: lambda _: other)
        assert direct(path) is None
    assert np.array_equal(open_raw(path).samples, samples)
