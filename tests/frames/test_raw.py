"""Undeveloped samples: copied as stored, named and levelled by place, refused where there is no picture."""

from __future__ import annotations

import os
import struct

import numpy as np
import pytest
from frame_bytes import dng_entries, tiff_bytes
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kitgauge.errors import FrameError
from kitgauge.flags import FLAGS
from kitgauge.frames.raw import library_message, open_raw, position_names

BAYER = {"RGGB": (0, 1, 1, 2), "GRBG": (1, 0, 2, 1), "GBRG": (1, 2, 0, 1), "BGGR": (2, 1, 1, 0)}
# one of the 6 x 6 arrangements in use, 20 green, 8 red, 8 blue
SIX = (
    1, 2, 1, 1, 0, 1,  0, 1, 0, 2, 1, 2,  1, 2, 1, 1, 0, 1,
    1, 0, 1, 1, 2, 1,  2, 1, 2, 0, 1, 0,  1, 0, 1, 1, 2, 1,
)  # fmt: skip


def coded(rows=64, columns=96, period=2, seed=1):
    """Return samples whose hundreds tell their place in the pattern: 1000 + 100 * index + noise."""
    row, column = np.indices((rows, columns))
    index = (row % period) * period + column % period
    noise = np.random.default_rng(seed).integers(0, 10, (rows, columns))
    return (1000 + 100 * index + noise).astype(np.uint16)


def refused(path, flag, words):
    with pytest.raises(FrameError) as caught:
        open_raw(path)
    assert caught.value.flag == flag
    assert flag in FLAGS
    assert words in str(caught.value), str(caught.value)
    assert caught.value.fix
    return caught.value


# --- samples, pattern, black
# ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("order", BAYER)
def test_bayer_names_by_place(write_dng, order):
    samples = coded()
    mosaic = open_raw(write_dng(samples, cfa=BAYER[order], black=[1, 2, 3, 4], white=4000))
    assert np.array_equal(mosaic.samples, samples)
    assert mosaic.samples.flags.owndata
    # the letters by place; a green is G1 in the row that has red, G2 in the row that has blue
    letters = [order[:2], order[2:]]
    expected = tuple(
        tuple({"R": "R", "B": "B", "G": "G1" if "R" in row else "G2"}[letter] for letter in row) for row in letters
    )
    assert mosaic.pattern == expected
    assert mosaic.black_dn.tolist() == [[1, 2], [3, 4]]
    assert (mosaic.white_dn, mosaic.black_source, mosaic.rendered) == (4000, "metadata", False)


@pytest.mark.parametrize("top", [0, 1, 2, 3])
@pytest.mark.parametrize("left", [0, 1, 2, 5])
def test_visible_area_keeps_the_phase(write_dng, top, left):
    """DNG 1.7: colour and black patterns begin at the corner of ActiveArea; a decoder may begin elsewhere."""
    samples = coded()
    names = {0: "R", 1: "G1", 2: "G2", 3: "B"}
    black_of = {0: 10, 1: 20, 2: 30, 3: 40}
    path = write_dng(samples, black=[10, 20, 30, 40], white=4000, active=(top, left, 62, 90))
    mosaic = open_raw(path)
    for plane in mosaic.planes():
        # which place of the whole frame's 2 x 2 grid these samples come from, by their hundreds
        grid = {int(value) // 100 - 10 for value in np.unique(plane.samples)}
        assert len(grid) == 1
        row, column = divmod(grid.pop(), 2)
        index = ((row - top) % 2) * 2 + (column - left) % 2
        assert plane.colour == names[index]
        assert plane.black_dn == black_of[index]
    rows, columns = mosaic.shape
    assert rows >= 62 - top - 3
    assert columns >= 90 - left - 3


@pytest.mark.parametrize("active", [None, (1, 2, 61, 92), (3, 5, 62, 90), (6, 6, 60, 90)])
def test_six_by_six_pattern(write_dng, active):
    samples = coded(period=6)
    black = [100 + index for index in range(36)]
    top, left = active[:2] if active else (0, 0)
    mosaic = open_raw(write_dng(samples, cfa=SIX, black=black, white=6000, active=active))
    assert len(mosaic.pattern) == 6
    counts = {"R": 0, "G": 0, "B": 0}
    for plane in mosaic.planes():
        grid = {(int(value) - 1000) // 100 for value in np.unique(plane.samples)}
        assert len(grid) == 1
        row, column = divmod(grid.pop(), 6)
        index = ((row - top) % 6) * 6 + (column - left) % 6
        assert plane.colour == "RGB"[SIX[index]]
        assert plane.black_dn == black[index]
        counts[plane.colour] += 1
    assert counts == {"R": 8, "G": 20, "B": 8}


@pytest.mark.parametrize("active", [None, (1, 1, 63, 95)])
def test_monochrome(write_dng, noisy, active):
    samples = noisy()
    mosaic = open_raw(write_dng(samples, cfa=None, black=64, white=4095, active=active))
    assert mosaic.pattern == (("G",),)
    assert mosaic.black_dn.tolist() == [[64.0]]
    assert mosaic.green_mask().all()


def test_fractional_black_is_kept(write_dng, noisy):
    """LibRaw truncates it to 256."""
    mosaic = open_raw(write_dng(noisy(), black=[(2563, 10), (2561, 10), (2562, 10), (2567, 10)], white=4095))
    assert mosaic.black_dn.tolist() == [[256.3, 256.1], [256.2, 256.7]]


def test_four_blacks_without_a_repeat(write_dng, noisy):
    """Not valid by DNG 1.7 (the repeat defaults to 1 x 1), but written by hand-made converters."""
    mosaic = open_raw(write_dng(noisy(), white=4095, more={50714: (4, [61, 62, 63, 64])}))
    assert mosaic.black_dn.tolist() == [[61, 62], [63, 64]]


def test_black_deltas_enter_per_place(write_dng, noisy):
    down = [(1, 2) if row % 2 else (0, 1) for row in range(64)]  # odd rows half a DN higher
    mosaic = open_raw(write_dng(noisy(), black=[100] * 4, white=4095, more={50716: (10, down)}))
    assert mosaic.black_dn.tolist() == [[100, 100], [100.5, 100.5]]


def test_levels_that_the_file_does_not_tell(write_dng, noisy):
    mosaic = open_raw(write_dng(noisy()))
    assert mosaic.black_source == "unknown"
    assert not mosaic.black_dn.any()
    assert mosaic.white_dn == 65535  # DNG 1.7: 2^bits - 1


# --- masked pixels
# -------------------------------------------------------------------------------------------------


def masked_frame(seed=3, black=(515.0, 512.0, 517.0, 510.0), border=40, sigma=4.0, level=3000.0):
    """Return samples with a border of masked columns at the left, whose black differs by place."""
    random = np.random.default_rng(seed)
    samples = random.normal(level, 50, (200, 300))
    tile = np.tile(np.reshape(black, (2, 2)), (100, border // 2))
    samples[:, :border] = random.normal(tile, sigma)
    samples[random.integers(0, 200, 20), random.integers(0, border, 20)] = 9000  # hot pixels
    return np.round(samples).astype(np.uint16)


def test_black_from_masked_pixels(write_dng):
    truth = (515.0, 512.0, 517.0, 510.0)
    samples = masked_frame(black=truth)
    path = write_dng(samples, black=[512] * 4, white=16383, active=(0, 40, 200, 300))
    mosaic = open_raw(path)
    assert mosaic.black_source == "masked"
    # 100 rows x 19 columns per place (two columns of guard), sigma 4 and rounding: standard error 0.09 DN
    assert mosaic.black_dn.ravel() == pytest.approx(truth, abs=4.5 * 0.09)
    # the plain mean would be pulled up by the hot pixels, which is why it is not used
    plain = samples[0::2, 0:38:2].mean()
    assert abs(plain - truth[0]) > 4.5 * 0.09
    assert mosaic.shape == (200, 260)


def test_black_from_the_areas_that_a_dng_marks(write_dng):
    samples = masked_frame()
    path = write_dng(
        samples, black=[512] * 4, white=16383, active=(0, 40, 200, 300), more={50830: (4, [0, 0, 200, 38])}
    )
    assert open_raw(path).black_source == "masked"


@pytest.mark.parametrize("border", ["lit", "constant", "far", "narrow"], ids=lambda name: f"border-{name}")
def test_borders_that_are_not_black_are_not_used(write_dng, border):
    samples = masked_frame()
    left = 40
    random = np.random.default_rng(4)
    if border == "lit":
        samples[:, :40] = random.normal(2900, 50, (200, 40))
    elif border == "constant":
        samples[:, :40] = 512
    elif border == "far":
        samples[:, :40] = random.normal(900, 4, (200, 40))
    else:
        left = 4
    path = write_dng(samples, black=[512] * 4, white=16383, active=(0, left, 200, 300))
    mosaic = open_raw(path)
    assert mosaic.black_source == "metadata"
    assert mosaic.black_dn.tolist() == [[512, 512], [512, 512]]


def test_masked_pixels_serve_without_a_stated_black(write_dng):
    samples = masked_frame()
    mosaic = open_raw(write_dng(samples, white=16383, active=(0, 40, 200, 300)))
    assert mosaic.black_source == "masked"
    assert mosaic.black_dn.mean() == pytest.approx(513.5, abs=0.2)
    samples[:, :40] = np.random.default_rng(5).normal(4000, 50, (200, 40))  # lit as the picture is
    mosaic = open_raw(write_dng(samples, white=16383, active=(0, 40, 200, 300), name="lit.dng"))
    assert mosaic.black_source == "unknown"


# --- refusals
# ------------------------------------------------------------------------------------------------------


def test_linear_colours_are_refused(write_dng):
    samples = np.random.default_rng(1).integers(100, 4000, (32, 48, 3)).astype(np.uint16)
    path = write_dng(samples, cfa=None, more={258: (3, [16, 16, 16]), 277: (3, 3)})
    refused(path, "not-raw-samples", FLAGS["not-raw-samples"].text)


def test_float_samples_are_refused(tmp_path):
    """LibRaw rescales and truncates them without an error."""
    samples = np.random.default_rng(1).random((32, 48)).astype(np.float32)
    path = tmp_path / "float.dng"
    path.write_bytes(tiff_bytes(dng_entries(samples, more={339: (3, 3)}), None, samples.tobytes()))
    refused(path, "not-raw-samples", "32-bit floating point")


@pytest.mark.parametrize("value", [0, 512, 65535])
def test_equal_samples_are_refused(write_dng, value):
    path = write_dng(np.full((32, 48), value, np.uint16), black=[100] * 4)
    refused(path, "empty-picture", f"all 1536 samples are {value}")


def test_a_frame_clipped_all_over_is_overexposed_and_not_empty(write_dng):
    path = write_dng(np.full((32, 48), 4000, np.uint16), black=[100] * 4, white=4000)
    assert (open_raw(path).samples == 4000).all()


def test_white_below_black_is_refused(write_dng, noisy):
    refused(write_dng(noisy(), black=[2000] * 4, white=1500), "unreadable", "white level 1500, black level 2000")


def test_pixel_counts_that_the_file_cannot_hold(write_dng, noisy):
    path = write_dng(noisy(), more={256: (4, 30000), 257: (4, 20000)})
    refused(path, "unreadable", "30000 x 20000 pixels in a file of")
    path = write_dng(noisy(), more={256: (4, 0)})
    refused(path, "unreadable", "0 x 64 pixels")


def test_places_outside_the_file(write_dng, noisy):
    refused(write_dng(noisy(), more={273: (4, 0)}), "unreadable", "impossible place")
    refused(write_dng(noisy(), more={273: (4, 10**8)}), "empty-picture", "cut off before its samples")
    refused(write_dng(noisy(), more={279: (4, 10**6)}), "unreadable", "picture data up to byte")
    tiles = {322: (4, 48), 323: (4, 64), 324: (4, [600, 600]), 325: (4, [100, 100])}
    refused(write_dng(noisy(), more=tiles), "unreadable", "at the same place")


def test_truncated_file(write_dng, noisy):
    path = write_dng(noisy())
    path.write_bytes(path.read_bytes()[:-3000])
    refused(path, "unreadable", "cut off")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"These are notes on my frames.\n" * 40, "nsupported"),
        (np.random.default_rng(7).bytes(5000), "nsupported"),
        (b"II*\0\x08\0\0\0\0\0", ""),
        (b"II*\0" + b"\xff" * 2000, ""),
        (b"\xff\xd8\xff\xe0" + bytes(1000), ""),
    ],
    ids=["empty", "text", "random", "bare-head", "wild-offset", "jpeg-head"],
)
def test_files_that_are_no_raw(tmp_path, content, words):
    path = tmp_path / "frame.dng"
    path.write_bytes(content)
    error = refused(path, "unreadable", words)
    assert "b'" not in str(error)


def test_folder_and_absent_file(tmp_path):
    folder = tmp_path / "folder.dng"
    folder.mkdir()
    refused(folder, "unreadable", "folder")
    refused(tmp_path / "absent.dng", "unreadable", "no such file")
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe.dng")
        refused(tmp_path / "pipe.dng", "unreadable", "not a regular file")


def test_a_file_that_may_not_be_read(write_dng, noisy, monkeypatch):
    path = write_dng(noisy())

    def refuse(*_args, **_kwargs):
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(type(path), "open", refuse)  # root may read everything, so permission bits do not serve
    refused(path, "unreadable", "Permission denied")


def test_library_messages_are_text():
    assert library_message(Exception(b"Input/output error")) == "Input/output error"
    assert library_message(Exception("b'Input/output error'")) == "Input/output error"
    assert library_message(Exception("plain")) == "plain"


def test_other_filters_than_red_green_blue(write_dng, noisy):
    path = write_dng(noisy(), cfa=(3, 4, 5, 1), more={50710: (1, [3, 4, 5, 1]), 50721: (10, [(1, 1)] * 12)})
    with pytest.raises(FrameError) as caught:
        open_raw(path)
    assert caught.value.flag == "not-raw-samples"


@pytest.mark.parametrize("name", ["with space.dng", "with\nnewline.dng", b"not-utf8-\xff\xfe.dng"])
def test_any_file_name(write_dng, noisy, name):
    if isinstance(name, bytes):
        name = name.decode("utf-8", "surrogateescape")
    try:
        path = write_dng(noisy(), name=name)
    except OSError:
        pytest.skip("the file system does not take this name")
    assert open_raw(path).shape == (64, 96)


# --- half-decoded frames
# -------------------------------------------------------------------------------------------


def test_blank_rows_are_seen(write_dng, noisy):
    samples = noisy(200, 300)
    samples[140:] = 0
    refused(write_dng(samples, black=[64] * 4), "unreadable", "60 rows of 200")


def test_a_blank_tile_is_seen(write_dng, noisy):
    samples = noisy(400, 1600)
    samples[128:256, 512:768] = 0
    refused(
        write_dng(samples, black=[64] * 4),
        "unreadable",
        "128 rows of 400 in part or whole, the first row 128",
    )


def test_repeated_rows_are_seen(write_dng, noisy):
    for step in (1, 2):
        samples = noisy(200, 300, seed=step)
        for row in range(100, 200):
            samples[row] = samples[row - step]
        refused(write_dng(samples, black=[64] * 4), "unreadable", "repeat each other")


def test_good_frames_with_quiet_parts_pass(write_dng, noisy):
    """What looks alike for other reasons: clipped skies, black cut at 0, mended lines, drawn frames."""
    clipped = noisy(200, 300)
    clipped[:120] = 4095
    assert open_raw(write_dng(clipped, black=[64] * 4, white=4095)).shape == (200, 300)
    cut = noisy(200, 300, level=0, sigma=1)
    cut[:40] = 0
    assert open_raw(write_dng(cut, black=[0] * 4)).shape == (200, 300)
    mended = noisy(200, 300)
    mended[50] = mended[48]
    assert open_raw(write_dng(mended, black=[64] * 4)).shape == (200, 300)
    drawn = np.full((200, 300), 500, np.uint16)  # an edge without noise: rows repeat, but are not noisy
    drawn[:, 150:] = 3000
    assert open_raw(write_dng(drawn, black=[64] * 4)).shape == (200, 300)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(data=st.data())
def test_damaged_files_open_or_say_why(tmp_path, data):
    samples = coded(16, 24)
    entries = dng_entries(samples, black=[10, 20, 30, 40], white=4000, active=(1, 2, 15, 22))
    whole = bytearray(tiff_bytes(entries, None, samples.tobytes()))
    head = len(whole) - samples.nbytes
    for _ in range(data.draw(st.integers(1, 5))):
        whole[data.draw(st.integers(0, head - 1))] = data.draw(st.integers(0, 255))
    path = tmp_path / "damaged.dng"
    path.write_bytes(bytes(whole[: data.draw(st.integers(8, len(whole)))]))
    try:
        mosaic = open_raw(path)
    except FrameError as error:
        assert error.fix
        assert error.flag in FLAGS
    else:
        assert mosaic.samples.dtype == np.uint16
        assert mosaic.white_dn > mosaic.black_dn.max()
        assert np.isfinite(mosaic.black_dn).all()


def write_lossless(path, samples, same_place=False):
    """Write a lossless-JPEG DNG (compression 7) in 256 x 256 tiles, two interleaved components each."""
    codecs = pytest.importorskip("imagecodecs")
    rows, columns = samples.shape
    tiles = [
        codecs.jpeg8_encode(
            np.ascontiguousarray(samples[top : top + 256, left : left + 256]).reshape(256, 128, 2),
            lossless=True,
            predictor=1,
            bitspersample=14,
        )
        for top in range(0, rows, 256)
        for left in range(0, columns, 256)
    ]
    entries = dng_entries(samples, black=[512] * 4, white=16383)
    del entries[278]
    entries |= {259: (3, 7), 322: (4, 256), 323: (4, 256), 325: (4, [len(tile) for tile in tiles])}
    entries[324] = (4, [0] * len(tiles))
    first = len(tiff_bytes(entries))
    starts = [first + sum(len(tile) for tile in tiles[:index]) for index in range(len(tiles))]
    entries[324] = (4, starts[:1] * len(tiles) if same_place else starts)
    path.write_bytes(tiff_bytes(entries) + b"".join(tiles))
    return path


def test_lossless_compressed_tiles(tmp_path):
    samples = np.random.default_rng(2).normal(2000, 30, (512, 768)).astype(np.uint16)
    assert np.array_equal(open_raw(write_lossless(tmp_path / "good.dng", samples)).samples, samples)
    refused(write_lossless(tmp_path / "same.dng", samples, same_place=True), "unreadable", "at the same place")


def test_a_picture_two_tiles_wide_is_never_wrong_in_silence(tmp_path):
    """LibRaw 0.22 leaves every second row of such a file 0 without an error."""
    samples = np.random.default_rng(2).normal(2000, 30, (512, 512)).astype(np.uint16)
    try:
        found = open_raw(write_lossless(tmp_path / "two.dng", samples)).samples
    except FrameError as error:
        assert "rows of 512 in part or whole" in str(error)
    else:
        assert np.array_equal(found, samples)


def test_damaged_compressed_data_are_seen(tmp_path):
    """LibRaw stops without an error at a tile whose data are zeroed, and leaves the rest as memory had it."""
    samples = np.random.default_rng(3).normal(2000, 30, (512, 768)).astype(np.uint16)
    path = write_lossless(tmp_path / "damaged.dng", samples)
    whole = bytearray(path.read_bytes())
    middle = len(whole) // 2
    whole[middle : middle + len(whole) // 6] = bytes(len(whole) // 6)
    path.write_bytes(bytes(whole))
    refused(path, "unreadable", "damaged compressed data at byte")


# --- real files
# ----------------------------------------------------------------------------------------------------


def test_real_file_without_picture(real):
    error = refused(real("zero-pixels/truncated.arw"), "empty-picture", "no picture")
    assert "1293760 bytes" in str(error)


def test_zero_decoded_frame_without_the_layout_check(real, monkeypatch):
    """The same file, were its directories not looked at: the decoder gives zeros, refused too."""
    monkeypatch.setattr("kitgauge.frames.raw.read_layout", lambda _: None)
    refused(real("zero-pixels/truncated.arw"), "empty-picture", "all 16163840 samples are 0")


def test_old_compact_opens(real):
    mosaic = open_raw(real("old-compact/compact.kdc"))
    assert mosaic.shape == (512, 768)
    assert mosaic.pattern == (("G1", "R"), ("B", "G2"))
    assert mosaic.black_source == "unknown"
    assert mosaic.samples.std() > 100


def test_real_samples_come_through_unchanged(real, write_dng):
    # a real camera's frame without a container: headerless uint16, RGGB, 10 bits (../shared/real/README.md)
    samples = np.fromfile(real("chart-frame/chart_1920x1080_rggb_10bit.raw"), "<u2").reshape(1080, 1920)
    mosaic = open_raw(write_dng(samples, black=[0] * 4, white=1020))
    assert np.array_equal(mosaic.samples, samples)
    assert mosaic.white_dn == 1020
    assert struct.unpack("<H", mosaic.samples[0, 0].tobytes())[0] == samples[0, 0]


def test_position_names():
    assert position_names([["R", "G"], ["G", "B"]]) == (("R", "G1"), ("G2", "B"))
    assert position_names([["G", "B"], ["R", "G"]]) == (("G2", "B"), ("R", "G1"))
    assert position_names([["G"]]) == (("G",),)
