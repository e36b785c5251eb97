"""Samples read without the decoder are those that the decoder gives, and whatever is unusual is left to it.

Outside source of every comparison: LibRaw, through rawpy.
"""

from __future__ import annotations

import struct

import numpy as np
import pytest
import rawpy
from frame_bytes import dng_entries, tiff_bytes

from kitgauge.errors import FrameError
from kitgauge.frames import raw as raw_module
from kitgauge.frames.dng_samples import read_plain_samples
from kitgauge.frames.levels import VisibleArea
from kitgauge.frames.raw import open_raw
from kitgauge.frames.tiff_layout import read_layout

BAYER = {"RGGB": (0, 1, 1, 2), "GRBG": (1, 0, 2, 1), "GBRG": (1, 2, 0, 1), "BGGR": (2, 1, 1, 0)}


def plain(path):
    """Return what the direct reader makes of a file that LibRaw opens, with the area that LibRaw sees."""
    with rawpy.imread(str(path)) as raw:
        sizes = raw.sizes
    area = VisibleArea(sizes.top_margin, sizes.left_margin, sizes.height, sizes.width)
    return read_plain_samples(read_layout(path), (sizes.raw_height, sizes.raw_width), area)


def decoded(path):
    """Return (whole frame, visible area) as LibRaw decodes them."""
    with rawpy.imread(str(path)) as raw:
        return raw.raw_image.copy(), raw.raw_image_visible.copy()


def same_as_through_the_decoder(path, monkeypatch):
    """Assert that everything about the frame is what it is without the direct reader."""
    direct = open_raw(path)
    with monkeypatch.context() as patch:
        patch.setattr(raw_module, "read_plain_samples", lambda *_, **__: None)
        reference = open_raw(path)
    assert np.array_equal(direct.samples, reference.samples)
    assert np.array_equal(direct.samples, decoded(path)[1])
    assert direct.pattern == reference.pattern
    assert direct.black_dn.tolist() == reference.black_dn.tolist()
    assert (direct.white_dn, direct.black_source) == (reference.white_dn, reference.black_source)
    assert direct.samples.flags.owndata and direct.samples.flags.c_contiguous
    for one, other in zip(open_raw(path, together=True).planes(), reference.planes(), strict=True):
        assert np.array_equal(one.samples, other.samples)


def striped(tmp_path, samples, rows_per_strip, *, gap=0, order=None, more=None):
    """Write a DNG in several strips, `gap` bytes apart, in the file in the given order; return its path."""
    strips = [samples[top : top + rows_per_strip].tobytes() for top in range(0, len(samples), rows_per_strip)]
    order = order or list(range(len(strips)))
    entries = dng_entries(samples, black=[600] * 4, white=16383)
    entries |= {278: (4, rows_per_strip), 279: (4, [len(strip) for strip in strips]), 273: (4, [0] * len(strips))}
    entries |= more or {}
    at, body, places = len(tiff_bytes(entries)), b"", {}
    for index in order:
        places[index] = at + len(body)
        body += strips[index] + b"\xee" * gap
    entries[273] = (4, [places[index] for index in range(len(strips))])
    path = tmp_path / "strips.dng"
    path.write_bytes(tiff_bytes(entries) + body)
    return path


@pytest.mark.parametrize("order", BAYER)
@pytest.mark.parametrize("active", [None, (0, 0, 64, 96), (2, 4, 62, 90), (6, 2, 60, 96), (0, 8, 64, 88)])
def test_plain_files_are_read_as_the_decoder_reads_them(write_dng, noisy, monkeypatch, order, active):
    path = write_dng(noisy(), cfa=BAYER[order], black=[10, 20, 30, 40], white=4000, active=active)
    found = plain(path)
    assert found is not None
    assert "".join("".join(row) for row in found.letters) == order
    assert np.array_equal(found.whole, decoded(path)[0])
    same_as_through_the_decoder(path, monkeypatch)


@pytest.mark.parametrize("active", [(1, 2, 63, 92), (2, 1, 62, 90), (3, 5, 62, 90), (2, 2, 61, 91)])
def test_odd_corners_and_sides(write_dng, noisy, monkeypatch, active):
    """The decoder rounds an odd corner: then it reads the samples too."""
    path = write_dng(noisy(), black=[10, 20, 30, 40], white=4000, active=active)
    if active[0] % 2 or active[1] % 2:
        assert plain(path) is None
    same_as_through_the_decoder(path, monkeypatch)


def test_masked_borders_are_used_all_the_same(write_dng, monkeypatch):
    rng = np.random.default_rng(3)
    samples = rng.normal(3000, 60, (200, 300)).round().astype(np.uint16)
    samples[:, :40] = rng.normal(515, 4, (200, 40)).round()
    path = write_dng(samples, black=[512] * 4, white=16383, active=(0, 40, 200, 300))
    assert plain(path) is not None
    assert open_raw(path).black_source == "masked"
    same_as_through_the_decoder(path, monkeypatch)


@pytest.mark.parametrize("rows_per_strip", [1, 7, 16, 63, 64, 500])
def test_strips_one_after_the_other(tmp_path, noisy, monkeypatch, rows_per_strip):
    path = striped(tmp_path, noisy(), rows_per_strip)
    assert np.array_equal(plain(path).whole, noisy())
    same_as_through_the_decoder(path, monkeypatch)


@pytest.mark.parametrize("how", [{"gap": 2}, {"order": [1, 0, 2, 3]}, {"gap": 6, "order": [3, 2, 1, 0]}])
def test_scattered_strips_are_left_to_the_decoder(tmp_path, noisy, how):
    assert plain(striped(tmp_path, noisy(), 16, **how)) is None


@pytest.mark.parametrize(
    "more",
    [
        {50712: (3, list(range(0, 60000, 10)))},  # LinearizationTable
        {51008: (7, b"\0\0\0\1" + bytes(20))},  # OpcodeList1
        {51009: (7, b"\0\0\0\1" + bytes(20))},  # OpcodeList2
        {266: (3, 2)},  # FillOrder
        {284: (3, 2)},  # PlanarConfiguration
        {339: (3, 2)},  # signed samples
        {259: (3, 34892)},
        {258: (3, 12)},
        {50711: (3, 2)},  # CFALayout: staggered
        {50710: (1, [1, 0, 2])},  # CFAPlaneColor
        {50975: (4, 2)},  # RowInterleaveFactor
        {52547: (4, 2)},  # ColumnInterleaveFactor
        {50974: (3, [2, 2])},  # SubTileBlockSize
        {33422: (1, [0, 1, 2, 1])},  # greens one above the other
        {33422: (1, [0, 1, 1, 1])},
        {33422: (1, [3, 4, 5, 1])},  # cyan, magenta, yellow
        {33421: (3, [4, 1])},
        {278: (4, 32)},  # fewer strips than the rows need
        {279: (4, 64 * 96 * 2 - 2)},
        {262: (3, 34892)},  # linear raw
        {254: (4, 1)},  # a reduced picture
    ],
    ids=lambda more: "-".join(f"{tag}={value[1] if isinstance(value[1], int) else ''}" for tag, value in more.items()),
)
def test_anything_unusual_is_left_to_the_decoder(write_dng, noisy, more):
    path = write_dng(noisy(), black=[10] * 4, white=4000)
    layout, area = read_layout(path), VisibleArea(0, 0, 64, 96)
    assert read_plain_samples(layout, (64, 96), area) is not None
    path = write_dng(noisy(), black=[10] * 4, white=4000, more=more)
    assert read_plain_samples(read_layout(path), (64, 96), area) is None


def test_what_the_decoder_sees_otherwise_is_its_own(write_dng, noisy):
    path = write_dng(noisy(), black=[10] * 4, white=4000)
    layout = read_layout(path)
    assert read_plain_samples(layout, (64, 94), VisibleArea(0, 0, 64, 94)) is None
    assert read_plain_samples(layout, (64, 96), VisibleArea(0, 2, 64, 94)) is None


@pytest.mark.parametrize("more", [{}, {33421: (3, [6, 6])}])
def test_no_dng_and_other_patterns(tmp_path, noisy, more):
    entries = dng_entries(noisy(), black=[10] * 4, white=4000, more=more)
    if not more:
        del entries[50706]
    path = tmp_path / "frame.tif"
    path.write_bytes(tiff_bytes(entries, None, noisy().tobytes()))
    assert read_plain_samples(read_layout(path), (64, 96), VisibleArea(0, 0, 64, 96)) is None


def test_big_endian_files_are_left_to_the_decoder(tmp_path, noisy, monkeypatch):
    tifffile = pytest.importorskip("tifffile")
    path = tmp_path / "big.dng"
    tags = [
        (33421, 3, 2, (2, 2), True), (33422, 1, 4, bytes((0, 1, 1, 2)), True), (50706, 1, 4, bytes((1, 4, 0, 0)), True),
        (50708, 2, 0, "Northlight One", True), (50717, 4, 1, 4000, True), (50714, 3, 1, 10, True),
        (50721, 10, 9, (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1), True), (50778, 3, 1, 21, True),
    ]  # fmt: skip
    tifffile.imwrite(path, noisy(), byteorder=">", photometric=32803, extratags=tags, metadata=None)
    assert path.read_bytes()[:2] == b"MM"
    assert plain(path) is None
    same_as_through_the_decoder(path, monkeypatch)


def test_a_file_that_ends_early_is_refused_as_before(write_dng, noisy, monkeypatch):
    path = write_dng(noisy(), black=[10] * 4, white=4000)
    path.write_bytes(path.read_bytes()[:-3000])
    with pytest.raises(FrameError) as direct:
        open_raw(path)
    monkeypatch.setattr(raw_module, "read_plain_samples", lambda *_, **__: None)
    with pytest.raises(FrameError) as reference:
        open_raw(path)
    assert str(direct.value) == str(reference.value)


def test_a_file_that_shrinks_after_its_directories_were_read(write_dng, noisy):
    path = write_dng(noisy(), black=[10] * 4, white=4000)
    layout = read_layout(path)
    path.write_bytes(path.read_bytes()[:-3000])
    assert read_plain_samples(layout, (64, 96), VisibleArea(0, 0, 64, 96)) is None


def test_a_tag_that_stands_twice_is_left_to_the_decoder(write_dng, noisy):
    path = write_dng(noisy(), black=[10] * 4, white=4000, active=(2, 4, 62, 90))
    content = bytearray(path.read_bytes())
    configuration = content.index(struct.pack("<HHI", 284, 3, 1))
    content[configuration : configuration + 2] = struct.pack("<H", 273)  # StripOffsets, a second time
    path.write_bytes(content)
    layout = read_layout(path)
    assert layout is not None
    assert read_plain_samples(layout, (64, 96), VisibleArea(2, 4, 60, 86)) is None


def seen_by_libraw(path):
    """Return samples, visible area and colours (names, pattern) as LibRaw sees them, None where it refuses the file."""
    try:
        with rawpy.imread(str(path)) as raw:
            sizes = raw.sizes
            area = VisibleArea(sizes.top_margin, sizes.left_margin, sizes.height, sizes.width)
            return raw.raw_image.copy(), area, (raw.num_colors, raw.color_desc, raw.raw_pattern.tolist())
    except (rawpy.LibRawError, AttributeError, NotImplementedError):
        return None


@pytest.mark.parametrize("change", [1, 3, 4, 20, 31, 128, 255])
def test_damaged_directories_never_give_other_samples(write_dng, noisy, change):
    """Whichever byte of the directories is changed: no samples, or those that LibRaw gives."""
    path = write_dng(noisy(), black=[10] * 4, white=4000, active=(2, 4, 62, 90))
    good = path.read_bytes()
    samples, area, colours = seen_by_libraw(path)
    places = range(4, len(good) - 64 * 96 * 2)
    compared = otherwise = 0
    for place in places:
        path.write_bytes(good[:place] + bytes([(good[place] + change) % 256]) + good[place + 1 :])
        reference = seen_by_libraw(path)
        if reference is None:
            continue
        whole, now_area, now_colours = reference
        otherwise += (now_area, now_colours) != (area, colours) or not np.array_equal(whole, samples)
        layout = read_layout(path)
        if layout is None or now_colours[:2] != (3, b"RGBG"):
            continue
        found = read_plain_samples(layout, whole.shape, now_area)
        if found is not None:
            compared += 1
            assert np.array_equal(found.whole, whole), place
            assert found.letters == tuple(tuple("RGBG"[index] for index in row) for row in now_colours[2]), place
    assert compared > 0.5 * len(places)
    assert otherwise >= 15, "here a reader that believes the file to be as it was gives other samples than LibRaw"
